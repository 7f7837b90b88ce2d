"""English templates, one module per room; a key begins with its room or its word class."""

from elinspect.catalogue.english import (
    classifier,
    command_line,
    common,
    desktop,
    electrical,
    figures,
    geometry,
    imaging,
    live_station,
    log,
    settings_files,
    ticket,
    triage,
    what_if,
)

Template = str | tuple[str, str]


def _merged(*parts: dict[str, Template]) -> dict[str, Template]:
    merged: dict[str, Template] = {}
    for part in parts:
        doubled = merged.keys() & part.keys()
        if doubled:
            raise ValueError(f"texts defined twice: {sorted(doubled)}")
        merged.update(part)
    return merged


TEXTS = _merged(
    common.TEXTS,
    imaging.TEXTS,
    geometry.TEXTS,
    triage.TEXTS,
    ticket.TEXTS,
    what_if.TEXTS,
    electrical.TEXTS,
    settings_files.TEXTS,
    log.TEXTS,
    figures.TEXTS,
    desktop.TEXTS,
    live_station.TEXTS,
    command_line.TEXTS,
    classifier.TEXTS,
)
