"""From findings to flags: place in the file, words, limit, primary kind, order of severity."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from elinspect.catalogue import Message, Value
from elinspect.criteria import AcceptanceCriteria, Judgement
from elinspect.frames import address_of
from elinspect.recipe import ProductRecipe, write_address
from elinspect.records import (
    PANEL_KINDS,
    STRING_KINDS,
    CrackMode,
    Detection,
    Finding,
    Flag,
    Kind,
    PanelLoss,
    Points,
)
from elinspect.triage.gathered import gathered
from elinspect.triage.limits import judgement_of, with_limits
from elinspect.vision import cv2

NONE_DOUBTFUL: Mapping[Kind, float] = MappingProxyType({})
"""For results without a classifier."""

GRAVITY: tuple[Kind, ...] = (
    Kind.OPEN_CIRCUIT,
    Kind.BUSSING_JOINT_FAULT,
    Kind.BRIDGED_STRING,
    Kind.DARK_STRING,
    Kind.REVERSED_CELL,
    Kind.DARK_CELL,
    Kind.CHIPPED_CELL,
    Kind.INACTIVE_AREA,
    Kind.CRACK,
    Kind.FOREIGN_BODY,
    Kind.MISPLACED_CELL,
    Kind.SOLDER_FAULT,
    Kind.RIBBON_OFFSET,
    Kind.OTHER,
    Kind.FINGER_INTERRUPTION,
    Kind.MATERIAL_PATTERN,
)
"""Kinds from the gravest: what costs the whole circuit, then a cell, then a part of it. Common practice, no source."""

_RANK = {kind: rank for rank, kind in enumerate(GRAVITY)}
_CIRCUIT_TEXTS = {
    Kind.OPEN_CIRCUIT: "flag.open_circuit",
    Kind.BRIDGED_STRING: "flag.bridged_string",
    Kind.DARK_STRING: "flag.dark_string",
    Kind.REVERSED_CELL: "flag.reversed_cell",
    Kind.BUSSING_JOINT_FAULT: "flag.bussing_joint_fault",
}
_PLACE_KINDS = frozenset({Kind.MISPLACED_CELL, Kind.RIBBON_OFFSET})
_MODE_RANK = {CrackMode.C: 0, CrackMode.B: 1, CrackMode.A: 2, None: 3}

ToFile = Callable[[int, Points], Points]
"""Maps points (row, column) of the picture of a cell to (x, y) of the file."""


@dataclass(frozen=True, slots=True, eq=False)
class FoundFlag:
    """A flag before any limit, and the cells it covers."""

    flag: Flag
    cells: frozenset[int]


def flags_from(
    detections: Iterable[Detection],
    to_file: ToFile,
    recipe: ProductRecipe,
    criteria: AcceptanceCriteria,
    *,
    scale_known: bool,
    tiles: Sequence[int] | None = None,
    doubtful_below: Mapping[Kind, float] = NONE_DOUBTFUL,
) -> tuple[FoundFlag, ...]:
    """Turn findings into flags, before any limit.

    Parameters
    ----------
    detections : iterable of Detection
        What the detectors say.
    to_file : callable
        From points of a cell picture to file pixels.
    recipe : ProductRecipe
        Layout and address scheme.
    criteria : AcceptanceCriteria
        As in force; kinds that are not judgeable make no flags.
    scale_known : bool
        False leaves every length in mm out.
    tiles : sequence of int, optional
        File that shows each cell; the first one for all if left out.
    doubtful_below : mapping from kind to float
        Per kind: findings that the classifier holds for less probable become doubtful flags, and are not counted into
        a flag that stands for several.

    Returns
    -------
    tuple of FoundFlag
        Without ids and limits; `judged` gives them.
    """
    findings = [
        finding
        for detection in detections
        if judgement_of(detection.kind, criteria) is not Judgement.NOT_JUDGEABLE
        for finding in detection.findings
    ]
    if not scale_known:
        findings = [_without_lengths(finding) for finding in findings]
    doubtful = [finding for finding in findings if _doubtful(finding, doubtful_below)]
    sure = gathered([finding for finding in findings if not _doubtful(finding, doubtful_below)])
    flags = [_flag(finding, to_file, recipe, tiles) for finding in sure]
    flags += [replace(_flag(finding, to_file, recipe, tiles), doubtful=True) for finding in doubtful]
    return tuple(
        FoundFlag(flag, frozenset(finding.cells or (finding.cell,)))
        for flag, finding in zip(flags, (*sure, *doubtful), strict=True)
    )


def judged(
    found: Sequence[FoundFlag],
    criteria: AcceptanceCriteria,
    loss: PanelLoss | None = None,
) -> tuple[Flag, ...]:
    """Measure the flags of a panel against the criteria.

    Parameters
    ----------
    found : sequence of FoundFlag
        All flags of the panel.
    criteria : AcceptanceCriteria
        As in force for the product.
    loss : PanelLoss, optional
        What the flags cost, where the product's electrical data are there.

    Returns
    -------
    tuple of Flag
        The gravest first; flags whose cells lie within those of a graver one name that as parent, a single one of many
        broken fingers the flag that stands for them all.
    """
    limited = with_limits([each.flag for each in found], criteria, loss)
    covered = [(flag, each.cells) for flag, each in zip(limited, found, strict=True)]
    return _with_ids_and_parents(sorted(covered, key=lambda each: severity(each[0])))


def _doubtful(finding: Finding, doubtful_below: Mapping[Kind, float]) -> bool:
    return finding.probability is not None and finding.probability < doubtful_below.get(finding.kind, 0.0)


def severity(flag: Flag) -> tuple[float, ...]:
    """Return a sort key that puts the gravest flag first."""
    return (
        flag.limit is None,
        flag.doubtful,
        _RANK[flag.kind],
        _MODE_RANK[flag.mode],
        flag.stands_for == 0,
        -(flag.area_fraction or 0.0),
        -(flag.length_mm or 0.0),
        -flag.score,
        flag.string or 0,
        flag.position or 0,
        flag.box_px[0],
        flag.box_px[1],
    )


def _without_lengths(finding: Finding) -> Finding:
    kept = {name: value for name, value in finding.measurements.items() if not name.endswith(("_mm", "_mm2"))}
    return replace(finding, length_mm=None, measurements=kept)


def _flag(finding: Finding, to_file: ToFile, recipe: ProductRecipe, tiles: Sequence[int] | None) -> Flag:
    address = address_of(recipe.layout, finding.cell)
    string = None if finding.kind in PANEL_KINDS else address.string
    position = None if finding.kind in PANEL_KINDS | STRING_KINDS else address.position
    cells = finding.cells or (finding.cell,)
    # A flag lies in one file: in that which shows most of its cells.
    tile = 0 if tiles is None else Counter(tiles[cell] for cell in cells).most_common(1)[0][0]
    outline = np.round(_outline(finding, [c for c in cells if tiles is None or tiles[c] == tile], to_file), 2)
    low, high = outline.min(axis=0), outline.max(axis=0)
    return Flag(
        id="",
        kind=finding.kind,
        string=string,
        position=position,
        score=float(np.clip(finding.score, 0, 1)),
        outline_px=tuple((float(x), float(y)) for x, y in outline),
        box_px=(float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])),
        message=flag_message(finding, write_address(recipe.addresses, string, position)),
        length_mm=finding.length_mm,
        area_fraction=finding.area_fraction,
        mode=finding.mode,
        measurements=dict(finding.measurements),
        tile=tile,
        probability=finding.probability,
        evidence=finding.evidence,
    )


def _outline(finding: Finding, cells: Sequence[int], to_file: ToFile) -> Points:
    """Return the finding's outline in the file; that of a string or circuit goes round those cells."""
    if not finding.cells:
        return to_file(finding.cell, finding.outline)
    corners = np.concatenate([to_file(cell, finding.outline) for cell in cells])
    return np.asarray(cv2.convexHull(corners.astype(np.float32))[:, 0], np.float64)


def flag_message(finding: Finding, address: str) -> Message:
    """Return the reason for a flag; figures that cannot be given are left out of the words."""
    values: dict[str, Value] = {"kind": finding.kind.value, "address": address}
    code = "flag.plain"
    if finding.area_fraction is not None:
        code, values["percent"] = "flag.area", 100 * finding.area_fraction
    elif finding.length_mm is not None:
        code, values["length_mm"] = "flag.length", finding.length_mm
    if finding.kind is Kind.CRACK and finding.mode is not None:
        code = "flag.crack_length" if finding.length_mm is not None else "flag.crack"
        values.pop("percent", None)
        values.update(mode=finding.mode.value)
        if finding.length_mm is not None:
            values["length_mm"] = finding.length_mm
    if "interruptions" in finding.measurements:
        code = "flag.interruptions_length" if finding.length_mm is not None else "flag.interruptions"
        values.update(finding.measurements)
    if finding.kind is Kind.DARK_CELL and finding.measurements.get("relative_luminance") is not None:
        code = "flag.dark_cell"
        values["percent"] = 100 * float(finding.measurements["relative_luminance"] or 0.0)
    if finding.kind in _PLACE_KINDS and finding.length_mm is not None:
        code = f"flag.{finding.kind}"
        values.update(finding.measurements)
    if finding.kind in STRING_KINDS | PANEL_KINDS | {Kind.REVERSED_CELL}:
        code = _CIRCUIT_TEXTS.get(finding.kind, "flag.plain")
        code += "_part" if "first_position" in finding.measurements else ""
        # Only with the supply's voltage can a reversed cell be told from a shorted one.
        if finding.kind is Kind.REVERSED_CELL and "voltage_surplus_cells" in finding.measurements:
            code += "_sure"
        values.update(finding.measurements)
        for name, measure in (("percent", "relative_luminance"), ("partner_percent", "partner_luminance")):
            values[name] = 100 * float(finding.measurements.get(measure) or 0.0)
    return Message(code, values)


def _with_ids_and_parents(ordered: Sequence[tuple[Flag, frozenset[int]]]) -> tuple[Flag, ...]:
    """Number the flags; one whose cells lie within those of a graver flag hangs under it."""
    primary: list[tuple[frozenset[int], str]] = []
    of_many: dict[frozenset[int], str] = {}
    named = []
    for number, (flag, cells) in enumerate(ordered, start=1):
        flag_id = f"m{number}"
        parent = next((graver for wider, graver in primary if cells <= wider), None)
        if flag.stands_for > 1:
            of_many[cells] = flag_id
        elif flag.stands_for == 0:
            parent = of_many.get(cells, parent)
        named.append(replace(flag, id=flag_id, parent=parent))
        if parent is None:
            primary.append((cells, flag_id))
    return tuple(named)
