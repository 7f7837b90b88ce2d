"""What layout a picture looks like, from its lines alone."""

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.comb import axis_evidence
from elinspect.geometry.flat import FlatPicture, Profile, gap_likeness, profiles_along_u, profiles_along_v, reaches
from elinspect.geometry.parting import folded, parts_across
from elinspect.records import Layout

_MOST_COLUMNS = 30
_BANDS = 8
_LEAST = 0.05
_NARROWEST_PX = 12
_MOST_ROWS = 14
_RATIO_SLACK = 0.17


def seen_layout(flat: FlatPicture) -> Layout | None:
    """Return the layout whose lines explain the field best, or None if there is no regular one.

    Parameters
    ----------
    flat : FlatPicture
        The field laid flat as a single cell: its lattice only says where the field lies.
    """
    width, height = flat.lattice.extent
    across, along = np.linspace(0, height, _BANDS + 1), np.linspace(0, width, _BANDS + 1)
    profiles_u = profiles_along_u(flat, across[:-1], across[1:])
    profiles_v = profiles_along_v(flat, along[:-1], along[1:])
    first, last = float(flat.column_px(0)), float(flat.column_px(width))
    top, bottom = float(flat.row_px(0)), float(flat.row_px(height))
    columns, strength = _best_count(profiles_u, first, last, flat.noise)
    if strength < _LEAST:
        return None
    rows = _rows(profiles_v, top, bottom, (last - first) / columns, flat.noise)
    if rows is None:
        return None
    blocks = 2 if columns % 2 == 0 and _wide_middle(profiles_u, first, last, columns) else 1
    return Layout(blocks, rows, columns // blocks)


def _best_count(profiles: Profile, first: float, last: float, noise: float) -> tuple[int, float]:
    contrasts = {1: 0.0}
    for count in range(2, _MOST_COLUMNS + 1):
        pitch = (last - first) / count
        if pitch < _NARROWEST_PX:
            break
        gap = axis_evidence(profiles, pitch, noise).gap
        lines = _sampled(gap, first + pitch * np.arange(1, count), pitch)
        control = _sampled(gap, first + pitch * (np.arange(count) + 0.5), pitch)
        contrasts[count] = float(lines.mean() - control.mean())
    strongest = max(contrasts.values())
    # A part of the lines has about the contrast of all of them; more lines than there are have half of it.
    best = max(count for count, contrast in contrasts.items() if contrast >= 0.65 * strongest)
    return best, contrasts[best]


def _rows(profiles: Profile, top: float, bottom: float, pitch_u: float, noise: float) -> int | None:
    """Return the rows of cells about as high as wide, or two or three times as high, whose lines show best."""
    best, strongest = None, _LEAST
    for rows in range(1, _MOST_ROWS + 1):
        pitch = (bottom - top) / rows
        if min(abs(np.log(pitch / pitch_u / times)) for times in (1, 2, 3)) > _RATIO_SLACK:
            continue
        likeness = gap_likeness(profiles, reaches(pitch), noise)
        lines = _sampled(likeness.mean(axis=0), top + pitch * np.arange(1, rows), pitch)
        weakest = float(lines.min()) if rows > 1 else _LEAST
        inside = folded(likeness, top + pitch * np.arange(rows), pitch)
        if weakest >= strongest and parts_across(inside, weakest) == 1:
            best, strongest = rows, weakest
    return best


def _sampled(values: NDArray[np.floating], places: NDArray[np.floating], pitch: float) -> NDArray[np.floating]:
    reach = max(1, round(0.04 * pitch))
    index = places.round().astype(int)[:, None] + np.arange(-reach, reach + 1)
    return np.asarray(values[np.clip(index, 0, values.size - 1)].max(axis=1))


def _wide_middle(profiles: Profile, first: float, last: float, columns: int) -> bool:
    """Whether the gap in the middle is much wider than the others: two blocks."""
    typical = np.median(profiles, axis=0)
    pitch = (last - first) / columns
    level = 0.6 * float(np.median(typical[round(first) : round(last)]))

    def dark(place: float) -> int:
        near = typical[max(0, round(place - 0.3 * pitch)) : round(place + 0.3 * pitch)]
        return int((near < level).sum())

    others = [dark(first + pitch * k) for k in range(1, columns) if k != columns // 2]
    return dark((first + last) / 2) > 2 * float(np.median(others or [0])) + 0.04 * pitch
