"""Texts about the log, imports and the Pareto."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "log.network_share": (
        "The log {file} lies on a network share, where two writers can destroy it. Choose a folder on this machine's "
        "own disk, or give the URL of a PostgreSQL database."
    ),
    "log.url": ("'{url}' is no place for a log. Give a file, or a URL such as postgresql://user@host/database."),
    "log.no_driver": "The PostgreSQL driver is missing. Install it with: pip install 'elinspect[postgres]'.",
    "log.cannot_open": "The log {file} cannot be opened: {cause}. Check the folder and its permissions.",
    "log.locked": (
        "The log {file} is busy: another program has been writing to it for too long. Nothing was logged. Try again; "
        "if it stays so, close the other program."
    ),
    "log.disk_full": "The disk with the log {file} is full. Nothing was logged. Make room and try again.",
    "log.read_only": "The log {file} cannot be written to: {cause}. Nothing was logged. Check its permissions.",
    "log.disk_failed": "The disk failed while reading or writing the log {file}: {cause}. Nothing was logged.",
    "log.not_kept": (
        "The disk with the log {file} failed: {cause}. What was imported last may not stay. Look at the disk, then "
        "import again."
    ),
    "log.damaged": "The log {file} is damaged: {cause}. Restore the last backup.",
    "log.none_there": "There is no log at {file}. Check the name, or name another place with --log.",
    "log.not_a_log": "{file} is not a log of this program. Choose another file.",
    "log.newer": (
        "The log {file} was written by a newer version of this program (schema {revision}). Install that version; this "
        "one leaves the log untouched."
    ),
    "log.failed": "The log {file} cannot be used: {cause}. Nothing was logged.",
    "log.changed_elsewhere": "This panel was changed elsewhere meanwhile. Nothing was logged. Try again.",
    "log.serial": "{serial} cannot be a serial: it is empty or holds characters that cannot be printed.",
    "log.no_inspection": "The log has no inspection {inspection}.",
    "log.only_a_record": "Panel {serial} was simulated as a record; there is no picture and no result of it.",
    "log.only_demo": (
        "Simulated records need serials that begin with {prefix} and that the log does not know yet. Choose another "
        "log."
    ),
    "log.no_flag": "This inspection has no flag {flag} to answer or take back.",
    "log.flag_exists": "This inspection already has a flag {flag}.",
    "log.already_decided": "This panel is already decided: {disposition!d}. Take the decision back first.",
    "log.superseded": "A later picture of this panel was taken. Answer and decide on that one.",
    "log.not_released": "Only a release closes flags that were not answered one by one.",
    "log.nothing_to_take_back": "There is no such decision to take back.",
    "log.hold_stays": "A hold is not taken back: it ends by rework, concession, scrap or a new picture of the panel.",
    "log.held_without_serial": (
        "This panel is on hold without a serial. Photograph it again so that its serial is read; the new picture ends "
        "the hold."
    ),
    "log.has_serial": "This panel has its serial already: {serial}.",
    "log.serial_decided": (
        "Panel {serial} was already decided: {disposition!d}. The serial may be another panel's; compare it with the "
        "label, and hold the panel if it stays unclear."
    ),
    "log.release_sent": (
        "The release was already sent to the line; it can no longer be taken back. Stop the panel by hand."
    ),
    "log.later_inspection": "The panel was photographed again since; the decision on the earlier picture stays.",
    "log.gate_refused": "'{disposition!d}' was not logged. {missing}",
    "log.locked_by_station": "Station {station} is working on this panel.",
    "log.same_image": (
        "The same image was logged before under serial {other}, now under {serial}: image and serial do not belong "
        "together. Check the camera and the serial reader, and photograph the panel again."
    ),
    "log.exists": "{file} already holds a log. Choose another place; nothing is ever written over a log.",
    "log.backup_damaged": "The backup {file} was not restored: {faults}",
    "log.not_an_anchor": "{file} is no anchor of a log, or cannot be read.",
    "log.version_changed": (
        "The {what} '{label}' was logged before with another content. Give it a new version, so that older decisions "
        "can still be explained."
    ),
    "log.nothing_to_audit": "This panel is not decided yet; there is nothing to audit.",
    "role.inspector": "inspector",
    "role.technician": "technician",
    "role.quality_engineer": "quality engineer",
    "role.auditor": "auditor",
    "role.administrator": "administrator",
    "people.no_name": "A person needs a name to sign in.",
    "people.short_pin": "The PIN is too short; it needs at least {least} characters.",
    "people.first_pin": "The first PIN must be an administrator's: whoever has one decides who else gets one.",
    "people.administrator": "Only an administrator, with name and PIN, can do this.",
    "people.wrong_pin": "Name and PIN do not belong together. Try again, or ask the administrator for a new PIN.",
    "people.unknown_badge": "Nobody has this badge. Scan it again, or sign in with name and PIN.",
    "people.short_badge": "The badge's code is too short; it needs at least {least} characters.",
    "people.badge_taken": "This badge belongs to {name}.",
    "people.role": "This person has another role. Sign in with the role the administrator gave.",
    "people.auditor": "Sign in as auditor or quality engineer to log an audit.",
    "readings.who_asks": "Sign in as quality engineer or auditor to ask for second readings.",
    "readings.who_reads": "Sign in as inspector, quality engineer or auditor to log a second reading.",
    "readings.own_panel": "You decided this panel yourself; somebody else has to read it again.",
    "readings.not_waiting": "This panel does not wait for a second reading, or was read already.",
    "readings.not_asked": "the panel {serial} does not wait for a second reading",
    "readings.none": (
        "From {since} to {until} there is no panel to draw: none was accepted at once without anything seen in it, or "
        "all of these were drawn before."
    ),
    "readings.place": "String {string}, cell {position} lies outside the panel ({layout}).",
    "readings.asked": (
        "{n} panels drawn for a second reading. Whoever reads them should know neither flags nor decision: "
        "'second-readings list' names the pictures."
    ),
    "readings.nobody_waits": "No panel waits for a second reading.",
    "readings.logged": "Second reading of {serial} logged: {n} cells.",
    "audit.agrees": "Audit of {serial} logged: it agrees with the decision.",
    "audit.differs": "Audit of {serial} logged: it differs from the decision, which stays.",
    "people.last_administrator": "{name} is the last administrator. Give another person that role first.",
    "people.unknown": "Nobody here is named '{name}'.",
    "bench.place": "'{work}' needs its place: a string, and for a cell the position in it.",
    "bench.unknown_panel": "The log does not know the panel {serial}.",
    "bench.work": "'{given}' is no work at the bench; known are {known}.",
    "bench.no_such_place": (
        "'{given}' is no string and no cell of this panel ({layout}). Write places as they stand on the ticket."
    ),
    "bench.new_string": "No string was replaced at {places}, so there is no new string there.",
    "bench.no_plan": "The ticket of panel {serial} plans no work. Say what was done with --did.",
    "bench.role": "Sign in as somebody who works at the bench; auditors and people without a sign-in only read.",
    "bench.did.cell_replaced": "cell replaced",
    "bench.did.string_replaced": "string replaced",
    "bench.did.cell_turned": "cell turned round",
    "bench.did.resoldered": "soldered anew",
    "bench.did.realigned": "put straight",
    "bench.did.foreign_body_removed": "foreign body removed",
    "bench.did.cleaned": "cleaned",
    "bench.did.nothing_done": "nothing done",
    "bench.did.other": "other work",
    "bench.line": "{place}: {did}",
    "bench.logged": (
        "Logged for panel {serial}. Photograph it again: it is its next attempt, and is compared with the last picture."
    ),
    "retention.undecided": "the panel is not decided yet",
    "retention.missing": "the file is not there",
    "retention.failed": "the system does not remove it: {cause}",
    "retention.another": "the file is not the one that was logged",
    "log.erased_name": "a person whose name was erased",
    "log.edited": "Station {station}, record {number}: edited after it was logged.",
    "log.removed": "Station {station}: records {first} to {last} were removed.",
    "log.inserted": "Station {station}, record {number}: was not logged here but inserted.",
    "log.cut_off": "Station {station}: the end is cut off, records {first} to {last} are missing.",
    "log.not_anchored": "Station {station}, record {number}: is not the one that was anchored.",
    "import.unreadable": "The file {file} cannot be read: {cause}. Nothing was imported.",
    "import.not_utf8": "The file {file} is not UTF-8 text. Save it as 'CSV UTF-8' and import it again.",
    "import.no_header": (
        "The file {file} has no column '{column}' in its first line. The first line must name the columns: {columns}."
    ),
    "import.column_twice": "The file {file} names the column '{column}' twice. Nothing was imported.",
    "import.field_count": "has {given} fields, the first line has {expected}",
    "import.broken_line": "cannot be read as CSV: {cause}",
    "import.missing": "'{column}' is empty",
    "import.whole_number": "'{column}' is '{given}'; it must be a whole number from 1 to {most}",
    "import.true_false": "'{column}' is '{given}'; it must be true or false",
    "import.time": "'{column}' is '{given}'; it must be a time such as 2026-03-01T06:30:00+01:00, with the offset",
    "import.too_long": "'{column}' is longer than {most} characters",
    "import.not_printable": "'{column}' holds characters that cannot be printed",
    "import.contradicts": "says something else about {which} than an earlier line of this file",
    "import.not_a_workbook": "The file {file} is not a workbook (XLSX), or a damaged one. Save it again and import it.",
    "import.number_cell": (
        "'{column}' is stored as a number, so that leading zeros are lost; format the column as text and enter it again"
    ),
    "import.positive_number": "'{column}' is '{given}'; it must be a number above 0, with a point for the decimals",
    "import.share": "'{column}' is '{given}'; it must lie between 0 and 1",
    "import.line": "Line {line}: {reason}.",
    "pareto.kind": "kind",
    "pareto.stringer": "stringer",
    "pareto.lane": "stringer / lane",
    "pareto.cell_supplier": "cell supplier",
    "pareto.cell_lot": "cell supplier / cell lot",
    "pareto.product": "product",
    "pareto.day": "day",
    "pareto.position": "position from the leading end",
    "pareto.ribbon_lot": "ribbon lot",
    "pareto.operator": "operator",
    "pareto.shift": "shift",
    "pareto.shift_number": "shift {number}",
    "pareto.origin": "usual origin",
    "pareto.attempt": "attempt",
    "pareto.reason": "limit",
    "pareto.no_reason": "below every limit",
    "pareto.per_million": "per million cells",
    "pareto.low": "from (95 %)",
    "pareto.high": "to (95 %)",
    "pareto.interval": "95 %",
    "pareto.before": "per million before",
    "pareto.p_value": "p of no change",
    "pareto.flags": "flags",
    "pareto.panels": "panels",
    "pareto.watts": "watts",
    "pareto.cost": "cost",
    "measure.cells": "cells",
    "measure.flags": "flags",
    "measure.panels": "panels",
    "measure.per_million": "cells per million made",
    "measure.watts": "watts",
    "measure.cost": "cost",
    "origin.incoming_cell": "incoming cell",
    "origin.stringer": "stringer",
    "origin.layup_or_bussing": "lay-up or bussing",
    "origin.bench": "bench",
    "origin.image_or_contact": "image or contact",
    "origin.not_known": "not known",
    "pareto.proposed": "proposed by the machine",
    "pareto.confirmed": "confirmed by an inspector",
    "pareto.share": "share",
    "pareto.changed": "* {label}",
    "pareto.changed_note": " · * changed (false discovery rate 5 %)",
    "pareto.cumulative_share": "cumulative share",
    "pareto.bench": "bench (replaced before lamination)",
    "pareto.panel": "panel as a whole",
}
