"""Texts about flags, reasons, proposals and the gate rule."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "gate.role_decide": "Sign in as inspector or quality engineer to decide.",
    "gate.role_quality": "Only a quality engineer can decide '{disposition!d}'.",
    "gate.lock": "This panel is not locked by this station. Open it again.",
    "gate.version": "The panel was changed elsewhere since it was opened. Open it again.",
    "gate.not_found": "The panel was not found in the image, so it cannot be released.",
    "gate.not_usable": "The image is not good enough to judge by, so the panel cannot be released.",
    "gate.layout": "The layout in the image is not the one in the recipe, so the panel cannot be released.",
    "gate.serial": "The panel has no serial, so it cannot be released.",
    "gate.unanswered": (
        "{n} flag above a limit still needs an answer.",
        "{n} flags above a limit still need an answer.",
    ),
    "gate.standing": (
        "{n} flag was confirmed, changed or added and is above a limit: the panel cannot be accepted.",
        "{n} flags were confirmed, changed or added and are above a limit: the panel cannot be accepted.",
    ),
}
