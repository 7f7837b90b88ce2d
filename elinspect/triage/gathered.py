"""Many broken fingers of one cell are one flag: it carries their number and length, and they hang under it.

An inspector answers a cell with thirty broken fingers once. The flag that stands for all of them is what limits, watts
and counts are about; the single ones under it show where they are, and reach no limit of their own.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from elinspect.catalogue import Value
from elinspect.records import Finding, Kind

_FEWEST = 2


def gathered(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Put one finding in front of the finger interruptions of each cell that has at least two.

    Parameters
    ----------
    findings : sequence of Finding
        Of all kinds.

    Returns
    -------
    tuple of Finding
        The one that stands for all has a box around them as its outline; its length, contrast and width are the
        largest of a single one; `interruptions` is their number, `total_length_mm` and `dark_area_mm2` are sums,
        `at_busbar_count` says how many touch a busbar. Each single one says of how many it is `one_of`.
    """
    of_cell: dict[int, list[Finding]] = defaultdict(list)
    for finding in findings:
        if finding.kind is Kind.FINGER_INTERRUPTION:
            of_cell[finding.cell].append(finding)
    kept: list[Finding] = [finding for finding in findings if finding.kind is not Kind.FINGER_INTERRUPTION]
    for singles in of_cell.values():
        if len(singles) < _FEWEST:
            kept += [_alone(one) for one in singles]
            continue
        kept.append(_all_of(singles))
        kept += [replace(one, measurements={**one.measurements, "one_of": len(singles)}) for one in singles]
    return tuple(kept)


def _all_of(singles: Sequence[Finding]) -> Finding:
    points = np.concatenate([one.outline for one in singles])
    (top, left), (bottom, right) = points.min(axis=0), points.max(axis=0)
    box = np.array([[top, left], [top, right], [bottom, right], [bottom, left], [top, left]])
    best = max(singles, key=lambda one: one.score)
    lengths = [one.length_mm for one in singles if one.length_mm is not None]
    known = [one.probability for one in singles if one.probability is not None]
    measurements: dict[str, Value] = {"interruptions": len(singles)}
    if lengths:
        measurements["total_length_mm"] = round(sum(lengths), 1)
        measurements["dark_area_mm2"] = round(sum(map(_area_mm2, singles)), 1)
    for name in ("contrast_share", "bundle_mm"):
        values = [value for one in singles if isinstance(value := one.measurements.get(name), int | float)]
        if values:
            measurements[name] = max(values)
    if any("at_busbar" in one.measurements for one in singles):
        measurements["at_busbar_count"] = sum(bool(one.measurements.get("at_busbar")) for one in singles)
    return replace(
        best,
        outline=box,
        length_mm=max(lengths, default=None),
        measurements=measurements,
        probability=max(known, default=None),
    )


def _alone(single: Finding) -> Finding:
    if single.length_mm is None:
        return single
    return replace(single, measurements={**single.measurements, "total_length_mm": round(single.length_mm, 1)})


def _area_mm2(single: Finding) -> float:
    width = single.measurements.get("bundle_mm")
    return (single.length_mm or 0.0) * float(width) if isinstance(width, int | float) else 0.0
