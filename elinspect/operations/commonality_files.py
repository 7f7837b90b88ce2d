"""A commonality analysis as a report (PDF) and as JSON."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import words
from elinspect.errors import ElinspectError, LogError
from elinspect.imaging.reading import read_image
from elinspect.operations.commonality_found import Commonality, Example
from elinspect.operations.commonality_words import as_messages, at_most, chance_words, write_json
from elinspect.reports.paper import Drawing, Grid, Heading, Paper, Part, Text, write_paper
from elinspect.store.log import Log
from elinspect.store.results import result_of

_SUFFIXES = (".json", ".pdf")
_MOST_CROPS = 8
_MOST_REPEATS = 30


def write_commonality(log: Log, found: Commonality, path: Path) -> None:
    """Write an analysis: ``.json`` with every figure, or ``.pdf`` with text, evidence, maps and example pictures.

    Raises
    ------
    LogError
        If the file cannot be written, or its name ends otherwise.
    """
    if path.suffix.lower() == ".json":
        write_json(found, path)
    elif path.suffix.lower() == ".pdf":
        write_paper(path, Paper(title_words(found), facts(found), parts(log, found)))
    else:
        raise LogError("figure.suffix", file=str(path), known=", ".join(_SUFFIXES))


def title_words(found: Commonality) -> str:
    """Return the title: kinds, and the purpose where it is not production."""
    kinds = ", ".join(words(f"kind.{kind.value}") for kind in found.kinds) or words("commonality.all_kinds")
    return words("commonality.title", kinds=kinds, purpose=words(f"purpose.{found.purpose.value}"))


def note_words(found: Commonality) -> str:
    """Return what stands under every figure."""
    return words(
        "figure.note",
        purpose=words(f"purpose.{found.purpose.value}"),
        stage=words(f"stage.{found.stage.value}"),
        period=words("figure.period", first=found.first_day, last=found.last_day),
        filters=words("commonality.counted_confirmed" if found.decided else "commonality.counted_proposed"),
        n=words("figure.cells", n=found.cells),
    )


def facts(found: Commonality) -> list[tuple[str, str]]:
    """Return what stands at the head of a report on it."""
    heads = ", ".join(f"{head.station} {head.number}: {head.hash[:12]}" for head in found.heads)
    return [
        (words("fact.period"), words("figure.period", first=found.first_day, last=found.last_day)),
        (words("fact.counted"), note_words(found)),
        (words("fact.level"), words("commonality.level", level=found.level, p=at_most(found.p_value, 5))),
        (words("fact.heads"), heads or words("common.unknown")),
    ]


def parts(log: Log, found: Commonality, *, drawn: bool = True) -> list[Part]:
    """Return the report: what to do first, then what it rests on; with figures, tables and examples, or without."""
    first, *rest = as_messages(found)
    told: list[Part] = [Text(first.text, strong=True), *(Text(message.text) for message in rest)]
    if found.suspect is not None:
        told.append(Text(words("commonality.caution"), soft=True))
    if not drawn:
        return told
    told += drawings(found)
    told += _tables(found)
    return told + examples(log, found)


def drawings(found: Commonality) -> list[Part]:
    """Return map, places and timeline as far as there are any."""
    from elinspect.reports.figures import map_figure, place_figure, timeline_figure

    told: list[Part] = []
    note, suspect = note_words(found), found.suspect
    if found.map.size:
        lanes = [f"{lane.stringer} / {lane.lane}" for lane in found.lanes]
        marked = None
        if suspect is not None and suspect.lane:
            marked = (lanes.index(f"{suspect.stringer} / {suspect.lane}"), suspect.position - 1)
        told.append(Drawing(map_figure(found.map, lanes, words("commonality.map"), note, marked)))
    if suspect is not None:
        span = (found.days.index(suspect.onset_low), found.days.index(suspect.onset_high))
        flagged, made = found.per_day.T
        days = [day[5:] for day in found.days]
        told.append(Drawing(timeline_figure(flagged, made, days, span, words("commonality.timeline"), note)))
        if len(found.places):
            circle = found.cluster if found.cluster is not None and found.cluster.p_value <= 0.01 else None
            at = (circle.along, circle.across, circle.radius) if circle is not None else None
            told.append(Drawing(place_figure(found.places, at, words("commonality.places"), note)))
    return told


def _tables(found: Commonality) -> list[Part]:
    lanes: list[Sequence[str]] = [
        (f"{lane.stringer} / {lane.lane}", str(lane.flagged), str(lane.cells), f"{lane.rate:.3%}",
         f"{lane.low:.3%} – {lane.high:.3%}")
        for lane in found.lanes
    ]  # fmt: skip
    leads: list[Sequence[str]] = [
        (words(f"lead.{lead.what}"), lead.name, str(lead.flagged), str(lead.cells), f"{lead.times:.2f}",
         chance_words(lead.adjusted))
        for lead in found.leads
    ]  # fmt: skip
    told: list[Part] = []
    if lanes:
        header = [words(f"column.{name}") for name in ("lane", "flagged", "cells", "rate", "interval")]
        told += [Heading(words("commonality.lanes")), Grid(header, lanes)]
    if leads:
        header = [words(f"column.{name}") for name in ("group", "name", "flagged", "cells", "times", "adjusted")]
        told += [Heading(words("commonality.leads")), Grid(header, leads, (1, 2, 1, 1, 1, 1))]
    if found.repeated:
        cells = ", ".join(f"{cell.serial} {cell.string}-{cell.position}" for cell in found.repeated[:_MOST_REPEATS])
        told += [Heading(words("commonality.repeated")), Text(cells)]
    return told


def examples(log: Log, found: Commonality) -> list[Part]:
    """Return crops of cells that show it, as far as their pictures are still there."""
    from elinspect.reports.figures import crops_figure

    crops = []
    for example in found.examples:
        crop = cell_crop(log, example)
        if crop is not None:
            crops.append((f"{example.serial} · {example.string}-{example.position}", crop))
        if len(crops) == _MOST_CROPS:
            break
    if not crops:
        return []
    return [Drawing(crops_figure(crops, words("commonality.examples"), words("commonality.as_photographed")))]


def cell_crop(log: Log, example: Example) -> NDArray[np.uint8] | None:
    """Return a cell with its surroundings as it was photographed, 8 bits; None where the picture is not there."""
    try:
        with log.reading() as connection:
            result = result_of(connection, example.inspection)
        cells = (
            cell for cell in result["cells"] if (cell["string"], cell["position"]) == (example.string, example.position)
        )
        cell = next(cells)
        if cell["tile"]:
            return None  # the picture named is that of the first tile
        corners = np.array(cell["corners_px"], dtype=np.float64)
        counts = read_image(Path(result["image"]["path"])).counts
    except (ElinspectError, KeyError, StopIteration, TypeError):
        return None  # a record without a picture, or one that was removed
    middle, half = corners.mean(axis=0), 0.62 * np.ptp(corners, axis=0).max()
    left, top = np.maximum(middle - half, 0).astype(int)
    right, bottom = np.ceil(middle + half).astype(int)
    crop = counts[top:bottom, left:right]
    if not crop.size:
        return None
    low, high = np.percentile(crop, (1, 99.5))
    shown: NDArray[np.uint8] = (np.clip((crop - low) / max(high - low, 1e-9), 0, 1) * 255).astype(np.uint8)
    return shown
