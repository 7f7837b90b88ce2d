"""Texts about the commands and what they write."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "annotated.heading": "Panel {serial} · proposal: {proposal!d} · {stage} · purpose: {purpose}",
    "annotated.more": ("and {n} more reason", "and {n} more reasons"),
    "annotated.not_judged": "{address} not judged",
    "annotated.not_found": "No panel was found in this image.",
    "annotated.reading": (
        "Layout {layout}, seen from the {view_side}, {mirrored}; string 1, position 1 at the {corner} of the picture. "
        "Named, thick outline: above a limit; thin: below."
    ),
    "annotated.doubtful": ("{n} doubtful flag is not drawn.", "{n} doubtful flags are not drawn."),
    "annotated.mirrored": "mirrored",
    "annotated.not_mirrored": "not mirrored",
    "annotated.caution": "This picture supports a judgement; it certifies nothing.",
    "command.not_written": "{file} cannot be written: {cause}. Check the folder and the free space.",
    "command.no_folder": "The folder {folder} cannot be made: {cause}. Check the path and the rights.",
    "command.inspecting": "inspecting",
    "command.inspected": "{file}: {proposal!d} proposed, {flags} flags, {above} above a limit ({seconds:.2f} s)",
    "command.failed": ("{n} file failed; the reason stands above.", "{n} files failed; the reasons stand above."),
    "command.simulating": "simulating",
    "command.plant_simulated": (
        "{n} panels were simulated into {log}; what really happened stands in {truth}. All carry the purpose 'demo'."
    ),
    "command.exported": ("{n} flagged cell written to {file}.", "{n} flagged cells written to {file}."),
    "command.importing": "importing rows",
    "command.imported": "{added} rows added, {known} known already, {bad} bad.",
    "command.no_window": "The window cannot be opened: {problem}",
    "command.written": "Written to {file}.",
    "command.pareto_title": "Pareto by {by} · purpose: {purpose} · {cells} cells inspected",
    "command.pareto_empty": "Nothing was counted.",
    "command.demo_folder_used": "{folder} holds a log already. Choose an empty folder for the demo.",
    "command.demo_without_window": "The window cannot be opened ({problem}) The demo goes on without it.",
    "command.demo_window": "The demo simulates and inspects panels into {folder}; the window opens now.",
    "command.demo_inspector": "demo inspector",
    "command.demo_inspecting": "simulating and inspecting",
    "command.demo_left": "The demo's pictures and results are in {folder}, its log is {log}.",
    "command.demo_places": (
        "Annotated pictures: {pictures}\nResult files: {results}\nLog: {log}\nPareto: {pareto}\n"
        "This is an invented plant: purpose 'demo', nothing here can release a panel."
    ),
    "command.ignored_columns": "Columns that were not read: {columns}.",
    "command.chain": "Chain of {station}: {number} records, ends in {hash}.",
    "command.verified": "Every record holds.",
    "command.rebuilding": "rebuilding",
    "command.rebuilt": ("Rebuilt from {n} event.", "Rebuilt from {n} events."),
    "command.restored": "{file} was restored to {place}.",
    "command.damaged": (
        "{n} record does not hold. Keep this file as it is, find out who had access to it, and compare it with the "
        "last backup.",
        "{n} records do not hold. Keep this file as it is, find out who had access to it, and compare it with the "
        "last backup.",
    ),
    "command.empty_log": "The log {place} holds no records yet.",
    "command.no_anchor": (
        "Checked against itself only: give anchor files (--anchor) to find an end that was cut off or written anew."
    ),
    "command.remove_pictures": (
        "Remove the picture files of panels inspected more than {days} days ago? The log keeps every fact about them."
    ),
    "command.pictures_removed": (
        "{n} picture file removed, {megabytes:.1f} MB freed.",
        "{n} picture files removed, {megabytes:.1f} MB freed.",
    ),
    "command.picture_kept": "{file} stays: {reason}.",
    "command.pictures_kept": ("{n} more stays: {reason}.", "{n} more stay: {reason}."),
    "command.nobody": "The log knows nobody yet.",
    "command.people_name": "name",
    "command.people_role": "role",
    "command.people_pin": "PIN",
    "command.people_badge": "badge",
    "command.no_role": "none (named in a table)",
    "command.yes": "yes",
    "command.no": "no",
    "command.new_pin": "New PIN for {name}",
    "command.pin_of": "PIN of {name}",
    "command.scan_badge": "Scan the badge for {name}",
    "command.pin_given": "{name} now signs in with this PIN, as {role}.",
    "command.badge_given": "{name} now signs in with this badge.",
    "command.forgotten": "The name {name} is erased; what this person did stays in the log without it.",
}
