"""Whether the picture really shows the lattice that was fitted, or another one."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.flat import Bands, FlatPicture, Profile, gap_likeness, reaches
from elinspect.geometry.lattice import pitches_mm
from elinspect.geometry.parting import by_cell, parted_across, parted_along
from elinspect.geometry.sightings import FAINTEST, AxisSightings, Lines, seen_in, sought
from elinspect.recipe import Product

LIT = 0.08
"""A cell counts as lit from this share of the median cell's light on."""
_SEEN_SHARE = 0.8
_SIDE_SHARE = 0.25
_EDGE = 0.2
_ALIKE = 0.3
_KNOWN_RATIO, _ASSUMED_RATIO = 0.12, 0.17
_WINDOW = 0.03
_LEAST_BLOCK_GAP_MM = 1.5
_FLANK = 0.15
"""So far beside a gap, in pitches, light is compared; the outer third of it gives the cells' own."""
_CONTROLS = (0.3, 0.4, 0.5, 0.6, 0.7)


@dataclass(frozen=True, slots=True)
class GridEvidence:
    """What speaks for a fitted lattice.

    Attributes
    ----------
    gaps_along, gaps_across : float
        Share of the gaps between lit neighbours that were seen where they should be, within a string and between
        strings; 1 where there are none.
    sides : float
        Share of the lit outer cells whose outer edge was seen; 1 where the field ends at the picture's border.
    parted : tuple of bool
        Whether gaps part what is taken for one cell, along the string and across it.
    beyond : float
        Light just outside the field, as a share of the light of the outer cells; the worst side.
    ratio_misfit : float
        Logarithm of the ratio of the pitches over what the recipe says.
    block_gap_mm : float
        How much wider the narrowest gap between blocks is than a gap between cells, by the recipe's or the assumed cell
        size; infinite for one block.
    """

    gaps_along: float
    gaps_across: float
    sides: float
    parted: tuple[bool, bool]
    beyond: float
    ratio_misfit: float
    block_gap_mm: float

    @property
    def confidence(self) -> float:
        """The share of what could be seen that was, 0..1."""
        return float(min(self.gaps_along, self.gaps_across, self.sides))


def weighed(flat: FlatPicture, bands: Bands, product: Product) -> GridEvidence:
    """Gather the evidence for a lattice from the picture it was laid on.

    Parameters
    ----------
    flat : FlatPicture
        Laid flat by the fitted lattice itself, or one very near it.
    bands : Bands
        Of the same picture.
    product : Product
        What was sought.
    """
    means = cell_means(flat, bands)
    lit = means > max(LIT * float(np.median(means)), flat.noise)
    seen_u, seen_v = seen_in(flat, bands, (_WINDOW, _WINDOW))
    # Within a string nothing but gaps makes lines across it: a gap must stand out from nearly all other places. Across
    # strings half the places may be busbars, as dark as a gap.
    least_u, least_v = (
        max(FAINTEST, float(np.percentile(_controls(flat, bands, axis), share)) * times)
        for axis, share, times in ((0, 85, 1.0), (1, 50, 0.5))
    )
    light = np.where(lit, means, 0.0)
    along, along_sides = _seen_shares(seen_u, light, least_u)
    across, across_sides = _seen_shares(seen_v, light.T, least_v)
    return GridEvidence(
        gaps_along=along,
        gaps_across=across,
        sides=min(along_sides, across_sides) if _surrounded(flat) else 1.0,
        parted=_parted(flat, bands, seen_u, seen_v),
        beyond=_beyond(flat, means, lit),
        ratio_misfit=_ratio_misfit(flat, product),
        block_gap_mm=_block_gap(flat, bands) * pitches_mm(product.recipe)[0],
    )


def is_sound(evidence: GridEvidence, product: Product) -> bool:
    """Whether the evidence is enough to believe the lattice."""
    tolerance = _KNOWN_RATIO if product.scale_known else _ASSUMED_RATIO
    return (
        evidence.gaps_along >= _SEEN_SHARE
        and evidence.gaps_across >= _SEEN_SHARE
        and evidence.sides >= _SIDE_SHARE
        and not any(evidence.parted)
        and evidence.beyond <= 0.5
        and abs(evidence.ratio_misfit) <= tolerance
        and evidence.block_gap_mm >= _LEAST_BLOCK_GAP_MM
    )


def cell_means(flat: FlatPicture, bands: Bands) -> NDArray[np.float64]:
    """Return the mean counts of the inner part of each cell, shape (rows, columns)."""
    rows = flat.lattice.layout.grid_shape[0]
    by_row = bands.along_u.reshape(rows, -1, bands.along_u.shape[1]).mean(axis=1)
    first, last = (flat.column_px(flat.lattice.columns_from + share).round().astype(int) for share in (0.2, 0.8))
    total = np.pad(np.cumsum(by_row, axis=1, dtype=np.float64), ((0, 0), (1, 0)))
    return np.asarray((total[:, last] - total[:, first]) / (last - first))


def inner_lines(flat: FlatPicture, bands: Bands) -> float:
    """Return the share of lines inside cells that run across the strings: near 1 where strings really run upright.

    Busbars and wires run along the string, whose lines are those of constant v.
    """
    totals = []
    for axis in (0, 1):
        totals.append(float(_controls(flat, bands, axis).clip(0).mean()))
    return totals[0] / max(sum(totals), 1e-6)


def faintest_row(flat: FlatPicture, bands: Bands, outer: tuple[int, int]) -> float:
    """Return how surely the rows at the top and bottom consist of cells, by the gaps within each; the faintest counts.

    Parameters
    ----------
    flat : FlatPicture
        Laid flat by the fitted lattice.
    bands : Bands
        Of the same picture.
    outer : tuple of int
        Rows at the top and at the bottom to look at.

    Returns
    -------
    float
        Mean step from gap to cell in multiples of its noise.
    """
    rows = flat.lattice.layout.grid_shape[0]
    by_row = bands.along_u.reshape(rows, -1, bands.along_u.shape[1])
    chosen = np.concatenate([by_row[: outer[0]].mean(axis=1), by_row[rows - outer[1] :].mean(axis=1)])
    noise = bands.noise_u / float(np.sqrt(by_row.shape[1]))
    layout = flat.lattice.layout
    inside = np.arange(1, layout.grid_shape[1]) % layout.cells_per_string != 0
    bounds = flat.lattice.columns_from[1:][inside]
    gap = chosen[:, flat.column_px(bounds).round().astype(int)]
    sides = np.linspace(0.05, 0.2, 8)
    places = flat.column_px(bounds[:, None] + np.concatenate([-sides, sides])).round().astype(int)
    step = (chosen[:, places].mean(axis=2) - gap).mean(axis=1)
    return float(step.min()) / max(noise * float(np.sqrt(1.1 / bounds.size)), 1e-9)


def _controls(flat: FlatPicture, bands: Bands, axis: int) -> NDArray[np.float64]:
    """Return the gap-likeness of places inside cells, sought like gaps."""
    starts = flat.lattice.columns_from if axis == 0 else np.arange(flat.lattice.layout.grid_shape[0])
    places = (starts[:, None] + np.array(_CONTROLS)).ravel()
    none = np.zeros(places.size, np.intp)
    lines = Lines(places, none, none, none)
    if axis == 0:
        at = flat.column_px(places)
        return sought(bands.along_u, lines, at, flat.px_per_pitch[0], _WINDOW, bands.noise_u).likeness
    return sought(bands.along_v, lines, flat.row_px(places), flat.px_per_pitch[1], _WINDOW, bands.noise_v).likeness


def _seen_shares(seen: AxisSightings, light: NDArray[np.float64], least: float) -> tuple[float, float]:
    """Return the share of gaps and of outer edges seen.

    `light` is that of the cells, rows x cells along the axis, 0 for dark ones. Only between cells of comparable light
    can a gap look like one.
    """
    likeness = seen.likeness.reshape(light.shape[0], -1, seen.lines.nominal.size).mean(axis=1)
    inner = seen.lines.kind == 0
    before = light[:, seen.lines.cell[inner]]
    after = light[:, seen.lines.cell[inner] + 1]
    alike = np.minimum(before, after) > _ALIKE * np.maximum(before, after)
    gaps = 1.0
    if inner.any():
        gaps = float((likeness[:, inner] >= least)[alike].mean()) if alike.any() else 0.0
    sides = []
    for line in (0, -1):
        edges = likeness[:, line][light[:, seen.lines.cell[line]] > 0]
        # A dark string at the side shows no edge; whether it is there at all is weighed elsewhere.
        sides.append(float((edges >= _EDGE).mean()) if edges.size else 1.0)
    return gaps, min(sides)


def _inside_file(flat: FlatPicture, u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.bool_]:
    points = flat.lattice.to_file(np.stack(np.broadcast_arrays(u, v), axis=-1))
    return np.asarray(((points >= 0) & (points <= np.array(flat.lattice.size) - 1)).all(axis=-1))


def _surrounded(flat: FlatPicture) -> bool:
    """Whether the picture shows ground beyond most of the field, so that its outer edges can be seen."""
    width, height = flat.lattice.extent
    along_u, along_v = np.linspace(0, width, 20), np.linspace(0, height, 20)
    shown = [_inside_file(flat, along_u, np.full(20, v)).mean() for v in (-0.05, height + 0.05)]
    shown += [_inside_file(flat, np.full(20, u), along_v).mean() for u in (-0.05, width + 0.05)]
    return float(np.mean(shown)) > 0.5


def _parted(flat: FlatPicture, bands: Bands, seen_u: AxisSightings, seen_v: AxisSightings) -> tuple[bool, bool]:
    pitch_u, pitch_v = flat.px_per_pitch
    starts_u = flat.column_px(flat.lattice.columns_from)
    starts_v = flat.row_px(np.arange(flat.lattice.layout.grid_shape[0]))
    one_row = flat.lattice.layout.grid_shape[0] == 1
    cells_u = by_cell(gap_likeness(bands.along_u, reaches(pitch_u), bands.noise_u), starts_u, pitch_u, one_row)
    cells_v = by_cell(gap_likeness(bands.along_v, reaches(pitch_v), bands.noise_v), starts_v, pitch_v)
    return parted_along(cells_u, _usual(seen_u)), parted_across(cells_v, _usual(seen_v))


def _usual(seen: AxisSightings) -> float:
    gaps = seen.likeness[:, seen.lines.kind == 0]
    return float(np.median(gaps)) if gaps.size else FAINTEST / 0.3


def _beyond(flat: FlatPicture, means: NDArray[np.float64], lit: NDArray[np.bool_]) -> float:
    """Return how bright a strip outside each side is against the cells at that side; the worst side that is in view."""
    width, height = flat.lattice.extent
    answers = [0.0]
    inner_rows, inner_columns = (0.2, height - 0.2), (0.2, width - 0.2)
    strips = (
        ((-0.3, -0.12), inner_columns, means[0], lit[0]),
        ((height + 0.12, height + 0.3), inner_columns, means[-1], lit[-1]),
        (inner_rows, (-0.3, -0.12), means[:, 0], lit[:, 0]),
        (inner_rows, (width + 0.12, width + 0.3), means[:, -1], lit[:, -1]),
    )
    for across, along, cells, cells_lit in strips:
        corners = np.array([(u, v) for u in along for v in across])
        if not cells_lit.any() or not _inside_file(flat, corners[:, 0], corners[:, 1]).all():
            continue
        top, bottom = flat.row_px(across).round().astype(int)
        left, right = flat.column_px(along).round().astype(int)
        outside = flat.counts[max(0, top) : bottom, max(0, left) : right]
        if outside.size:
            answers.append(float(np.median(outside) / np.median(cells[cells_lit])))
    return max(answers)


def _block_gap(flat: FlatPicture, bands: Bands) -> float:
    """Return how much wider the narrowest gap between blocks is than a usual one, pitches; infinite for one block."""
    if flat.lattice.layout.blocks == 1:
        return np.inf
    return max(_by_edges(flat, bands), _by_missing_light(flat, bands))


def _by_missing_light(flat: FlatPicture, bands: Bands) -> float:
    """Compare the light that is missing round the lines: unlike the edges of narrow gaps, no blur moves it."""
    lattice = flat.lattice
    n, columns = lattice.layout.cells_per_string, lattice.layout.grid_shape[1]
    last, first = lattice.columns_from[:-1] + 1, lattice.columns_from[1:]
    missing = [
        _missing_light(bands.along_u, *flat.column_px([end - _FLANK, (end + begin) / 2, begin + _FLANK]))
        for end, begin in zip(last, first, strict=True)
    ]
    between = np.arange(1, columns) % n == 0
    usual = np.nanmedian(np.array(missing)[~between]) if np.isfinite(np.array(missing)[~between]).any() else np.inf
    widest = np.array(missing)[between] - usual
    return float(widest.min()) / flat.px_per_pitch[0] if np.isfinite(widest).all() else -np.inf


def _missing_light(profiles: Profile, start: float, middle: float, stop: float) -> float:
    """Return how many pixels' worth of light is missing between two places, median of the bands; NaN where all dark."""
    begin, end = max(0, round(start)), min(round(stop) + 1, profiles.shape[1])
    half = round(middle) - begin
    flank = max(2, half // 3)
    if min(half, end - begin - half) < flank:  # a lattice gone astray
        return float("nan")
    part = profiles[:, begin:end].astype(np.float64)
    levels = part[:, :flank].mean(axis=1), part[:, -flank:].mean(axis=1)
    lit = np.minimum(*levels) > max(_ALIKE * float(np.median(profiles)), _ALIKE * float(np.maximum(*levels).max()))
    if not lit.any():
        return float("nan")
    left = (1 - part[lit, :half] / levels[0][lit, None]).sum(axis=1)
    right = (1 - part[lit, half:] / levels[1][lit, None]).sum(axis=1)
    return float(np.median(left + right))


def _by_edges(flat: FlatPicture, bands: Bands) -> float:
    lattice = flat.lattice
    n = lattice.layout.cells_per_string
    starts = lattice.columns_from
    inner = np.flatnonzero(np.arange(starts.size) % n)
    none = np.zeros(inner.size, np.intp)
    edges = []
    for kind in (-1, 1):
        lines = Lines(starts[inner], none, np.full(inner.size, kind), none)
        places = flat.column_px(starts[inner] + kind * lattice.gaps[0] / 2)
        edges.append(sought(bands.along_u, lines, places, flat.px_per_pitch[0], _WINDOW, bands.noise_u).place)
    usual = float(np.median(edges[1] - edges[0])) / flat.px_per_pitch[0]
    return float(np.diff(lattice.shifts).min()) + lattice.gaps[0] - usual


def _ratio_misfit(flat: FlatPicture, product: Product) -> float:
    along_mm, across_mm = pitches_mm(product.recipe)
    width, height = flat.lattice.extent
    middle = np.array([[width / 2, height / 2], [width / 2 + 1, height / 2], [width / 2, height / 2 + 1]])
    here, along, across = flat.lattice.to_file(middle)
    found = float(np.linalg.norm(along - here) / np.linalg.norm(across - here))
    ratios = (along_mm / across_mm,) if product.scale_known else (1.0, 1 / 2, 1 / 3)
    misfits = [np.log(found / ratio) for ratio in ratios]
    return float(min(misfits, key=abs))
