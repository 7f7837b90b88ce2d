"""Texts about the commands and what they write."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "annotated.heading": "Panel {serial} · proposal: {proposal!d} · {stage} · purpose: {purpose}",
    "annotated.more": ("and {n} more reason", "and {n} more reasons"),
    "annotated.not_found": "No panel was found in this image.",
    "annotated.reading": (
        "Layout {layout}, seen from the {view_side}, {mirrored}; string 1, position 1 at the {corner} of the picture. "
        "Solid thick outline: above a limit; thin: below."
    ),
    "annotated.mirrored": "mirrored",
    "annotated.not_mirrored": "not mirrored",
    "annotated.caution": "This picture supports a judgement; it certifies nothing.",
    "command.not_written": "{file} cannot be written: {cause}. Check the folder and the free space.",
}
