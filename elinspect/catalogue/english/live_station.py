"""Texts about the live station."""

TEXTS: dict[str, str | tuple[str, str]] = {
    "what.station": "station file",
    "station.no_folder": "The station file {file} names the folder {folder}, which is not there.",
    "station.other_logs": (
        "These stations log to different places ({logs}); one seat serves stations that share a log. Give them the "
        "same log, or name one with --log."
    ),
    "station.pattern": "is no regular expression: {cause}",
    "station.shift_time": "'{given}' is no time of day such as 06:00",
    "station.folder_lost": (
        "The camera's folder {folder} cannot be looked into: {cause}. No panel is lost; inspection goes on as soon as "
        "it is back."
    ),
    "station.link": "{file} is a link, which could lead out of the folder. Have the camera write the file itself.",
    "station.no_file": "{file} is no ordinary file. Take it out of the folder.",
    "station.odd_name": "The name of {file} holds bytes that are no text. Have the camera give it another name.",
    "station.worker_lost": (
        "{file}: the inspection of this picture broke off twice (killed, or out of memory). Take the picture again; if "
        "it happens again, keep the file for whoever looks after this program."
    ),
    "station.worker_hung": (
        "{file}: the inspection of this picture did not come to an end within {seconds:.0f} s, twice, and was broken "
        "off. Check that the camera's folder and the log can be reached, then take the picture again."
    ),
    "station.unexpected": (
        "{file}: something unexpected went wrong ({cause}). Hold the panel, and keep the file for whoever looks after "
        "this program."
    ),
    "station.running": (
        "Station {station} is already running on this machine. Stop that one first, or leave it running."
    ),
    "station.nothing_to_replay": "There is no picture to play back in {folder}.",
    "station.no_serial": "The panel has no serial: no source gave one. Give the serial, or take the picture again.",
    "station.serials_differ": (
        "The sources of the serial disagree ({said}): picture and panel may not belong together. Check the panel, and "
        "take the picture again under the right serial."
    ),
    "station.serial_form": (
        "'{serial}' does not look like a serial of this station (expected: {rule}). Check the serial reader, and take "
        "the picture again."
    ),
    "station.serial_repeated": (
        "Panel {serial} was photographed again although it was already decided: {disposition!d}. Either the serial is "
        "another panel's, or the panel came back: find out which."
    ),
    "station.serial_order": (
        "Panel {serial} came after {before}, although serials count up here: the serial may be another panel's. "
        "Compare it with the label."
    ),
    "station.source.file_name": "file name",
    "station.source.side_file": "side file",
    "station.source.picture": "code in the picture",
    "command.station_watching": "Watching {folder}, logging to {log}. Ctrl+C stops.",
    "command.station_replay": "Playing {folder} back for practice: purpose 'rehearsal', nothing is released.",
    "command.station_known": (
        "{known} of these pictures were in the log already, and come to nobody's queue twice. To rehearse them again, "
        "give a new log with --log."
    ),
    "command.station_inspected": "{key}: panel {serial}, proposed: {proposal!d} ({seconds:.1f} s)",
    "command.station_refused": "{key}: not inspected. {reason}",
    "command.station_later": "{key}: will be tried again. {reason}",
}
