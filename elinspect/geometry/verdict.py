"""Whether the picture really shows the lattice that was fitted, or another one."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.flat import FlatPicture, gap_likeness, reaches
from elinspect.geometry.lattice import pitches_mm
from elinspect.geometry.parting import folded, parts_across, parts_along
from elinspect.geometry.sightings import FAINTEST, AxisSightings, bands_of, seen_in
from elinspect.recipe import Product

_LIT = 0.08
_SEEN_SHARE = 0.7
_KNOWN_RATIO, _ASSUMED_RATIO = 0.12, 0.17


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
    parts : tuple of int
        Into how many parts each cell is really parted by gaps, along the string and across it.
    beyond : float
        Light just outside the field, as a share of the light of the outer cells; the worst side.
    ratio_misfit : float
        Logarithm of the ratio of the pitches over what the recipe says.
    """

    gaps_along: float
    gaps_across: float
    sides: float
    parts: tuple[int, int]
    beyond: float
    ratio_misfit: float

    @property
    def confidence(self) -> float:
        """The share of what could be seen that was, 0..1."""
        return float(min(self.gaps_along, self.gaps_across, self.sides))


def weighed(flat: FlatPicture, product: Product) -> GridEvidence:
    """Gather the evidence for a lattice from the picture it was laid on.

    Parameters
    ----------
    flat : FlatPicture
        Laid flat by the fitted lattice itself.
    product : Product
        What was sought.
    """
    lit = _lit_cells(flat)
    seen_u, seen_v = seen_in(flat, (0.03, 0.03))
    along, along_sides = _seen_shares(seen_u, lit)
    across, across_sides = _seen_shares(seen_v, lit.T)
    return GridEvidence(
        gaps_along=along,
        gaps_across=across,
        sides=min(along_sides, across_sides) if _surrounded(flat) else 1.0,
        parts=_parts(flat, seen_u, seen_v),
        beyond=_beyond(flat, lit),
        ratio_misfit=_ratio_misfit(flat, product),
    )


def is_sound(evidence: GridEvidence, product: Product) -> bool:
    """Whether the evidence is enough to believe the lattice."""
    tolerance = _KNOWN_RATIO if product.scale_known else _ASSUMED_RATIO
    return (
        evidence.gaps_along >= _SEEN_SHARE
        and evidence.gaps_across >= _SEEN_SHARE
        and evidence.sides >= 0.6
        and evidence.parts == (1, 1)
        and evidence.beyond <= 0.5
        and abs(evidence.ratio_misfit) <= tolerance
    )


def _cell_means(flat: FlatPicture) -> NDArray[np.float64]:
    """Return the mean counts of the inner part of each cell, shape (rows, columns)."""
    rows = flat.lattice.layout.grid_shape[0]
    lefts = flat.lattice.columns_from
    tops = np.arange(rows)
    first_row, last_row = flat.row_px(tops + 0.2).round().astype(int), flat.row_px(tops + 0.8).round().astype(int)
    first_column, last_column = (flat.column_px(lefts + share).round().astype(int) for share in (0.2, 0.8))
    total = np.pad(np.cumsum(np.cumsum(flat.counts, axis=0, dtype=np.float64), axis=1), ((1, 0), (1, 0)))
    a, b, c, d = first_row[:, None], last_row[:, None], first_column[None], last_column[None]
    return np.asarray((total[b, d] - total[a, d] - total[b, c] + total[a, c]) / ((b - a) * (d - c)))


def _lit_cells(flat: FlatPicture) -> NDArray[np.bool_]:
    means = _cell_means(flat)
    return np.asarray(means > max(_LIT * float(np.median(means)), flat.noise))


def _seen_shares(seen: AxisSightings, lit: NDArray[np.bool_]) -> tuple[float, float]:
    """Return the share of gaps and of outer edges seen among lit cells; `lit` is bands x cells along the axis."""
    parts = seen.likeness.shape[0] // lit.shape[0]
    likeness = seen.likeness.reshape(lit.shape[0], parts, -1).mean(axis=1)
    # A line stands before the cell of its own number; block ends count one line more than cells.
    cell_after = np.ceil(seen.lines.nominal - 1e-9).astype(int)
    cell_after = np.where(seen.lines.kind == 1, np.floor(seen.lines.nominal).astype(int), cell_after)
    inner, begins, ends = (seen.lines.kind == kind for kind in (0, 1, -1))
    both = lit[:, cell_after[inner] - 1] & lit[:, cell_after[inner]]
    found = likeness[:, inner] >= FAINTEST
    gaps = float(found[both].mean()) if both.any() else (1.0 if not inner.any() else 0.0)
    sides = [
        likeness[:, begins][:, :1][lit[:, :1]],
        likeness[:, ends][:, -1:][lit[:, -1:]],
    ]
    worst = min((float((side >= 0.3).mean()) if side.size else 0.0) for side in sides)
    return gaps, worst


def _surrounded(flat: FlatPicture) -> bool:
    """Whether the picture shows ground beyond the field, so that its outer edges can be seen."""
    return bool(flat.known.mean() > 0.0 and _ring(flat).mean() > 0.5)


def _ring(flat: FlatPicture) -> NDArray[np.bool_]:
    """Return which pixels a tenth of a pitch outside the four sides lie in the picture."""
    width, height = flat.lattice.extent
    top, bottom = (int(np.round(flat.row_px(v))) for v in (-0.1, height + 0.1))
    left, right = (int(np.round(flat.column_px(u))) for u in (-0.1, width + 0.1))
    known = flat.known
    return np.concatenate(
        [known[top, left:right], known[bottom, left:right], known[top:bottom, left], known[top:bottom, right]]
    )


def _parts(flat: FlatPicture, seen_u: AxisSightings, seen_v: AxisSightings) -> tuple[int, int]:
    along_u, noise_u, along_v, noise_v = bands_of(flat)
    pitch_u, pitch_v = flat.px_per_pitch
    starts_v = flat.row_px(np.arange(flat.lattice.layout.grid_shape[0]))
    starts_u = flat.column_px(flat.lattice.columns_from)
    inside_u = folded(gap_likeness(along_u, reaches(pitch_u), noise_u), starts_u, pitch_u)
    inside_v = folded(gap_likeness(along_v, reaches(pitch_v), noise_v), starts_v, pitch_v)
    return parts_along(inside_u, _usual(seen_u)), parts_across(inside_v, _usual(seen_v))


def _usual(seen: AxisSightings) -> float:
    gaps = seen.likeness[:, seen.lines.kind == 0]
    return float(np.median(gaps)) if gaps.size else FAINTEST / 0.3


def _beyond(flat: FlatPicture, lit: NDArray[np.bool_]) -> float:
    """Return how bright a strip outside each side is against the cells at that side; the worst side that is in view."""
    means = _cell_means(flat)
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
        top, bottom = flat.row_px(across).round().astype(int)
        left, right = flat.column_px(along).round().astype(int)
        where = np.s_[max(0, top) : bottom, max(0, left) : right]
        if cells_lit.any() and flat.known[where].size and flat.known[where].mean() > 0.9:
            answers.append(float(np.median(flat.counts[where]) / np.median(cells[cells_lit])))
    return max(answers)


def _ratio_misfit(flat: FlatPicture, product: Product) -> float:
    along_mm, across_mm = pitches_mm(product.recipe)
    width, height = flat.lattice.extent
    middle = np.array([[width / 2, height / 2], [width / 2 + 1, height / 2], [width / 2, height / 2 + 1]])
    here, along, across = flat.lattice.to_file(middle)
    found = float(np.linalg.norm(along - here) / np.linalg.norm(across - here))
    ratios = (along_mm / across_mm,) if product.scale_known else (1.0, 1 / 2, 1 / 3)
    misfits = [np.log(found / ratio) for ratio in ratios]
    return float(min(misfits, key=abs))
