"""What layout a picture looks like: candidates from its lines alone, each tried by fitting it."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from elinspect.geometry.coarse import CoarsePicture
from elinspect.geometry.comb import axis_evidence
from elinspect.geometry.flat import (
    Bands,
    FlatPicture,
    Profile,
    bands_of,
    flattened,
    gap_likeness,
    profiles_along_u,
    profiles_along_v,
    reaches,
)
from elinspect.geometry.homography import from_corners, rectangle
from elinspect.geometry.lattice import Lattice, lattice_in
from elinspect.geometry.parting import by_cell, parted_across
from elinspect.geometry.settling import settled
from elinspect.geometry.sightings import seen_in
from elinspect.geometry.verdict import GridEvidence, is_sound, weighed
from elinspect.recipe import assumed_product
from elinspect.records import Layout, Points

_MOST_COLUMNS, _MOST_ROWS = 30, 14
_BANDS = 8
_LEAST = 0.05
_NARROWEST_PX = 12
_RATIO_SLACK = 0.17
_TRIES = 5
_FEWEST_IN_BLOCK = 4
_USUAL_COLUMNS = 8
NARROW_RATIO = 4.5
"""Cells so many times as long across the string as along it are strips of a shingled panel: wafers are cut in two or
three for wires, in five to seven for shingles (common practice, no source)."""
_FEWEST_STRIPS, _MOST_STRIPS = 16, 100
_NARROWEST_STRIP_PX = 8
_ALL_SEEN, _CLEARLY_MORE = 0.98, 0.03
_MANY_COLUMNS, _CLEARLY_APART_MM = 16, 3.0
_CLEARLY_PLAINER = 1.25
"""Gaps of drawn panels are 1.4 to 7 times as plain as the wires that would have to be gaps."""
_BLOCK_GAPS = np.linspace(0.0, 0.45, 10)


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A layout that the picture really shows.

    Attributes
    ----------
    layout : Layout
        Blocks, strings, cells.
    lattice : Lattice
        Fitted to it.
    flat : FlatPicture
        The picture laid flat by it.
    bands : Bands
        Its profiles.
    evidence : GridEvidence
        What speaks for it.
    """

    layout: Layout
    lattice: Lattice
    flat: FlatPicture
    bands: Bands
    evidence: GridEvidence


def seen_layout(coarse: CoarsePicture, corners: Points, size: tuple[int, int]) -> Seen | None:
    """Find the layout that the field shows, strings taken to run horizontally in the gate view.

    Parameters
    ----------
    coarse : CoarsePicture
        The picture.
    corners : ndarray, shape (4, 2)
        Corners (x, y) of the lit field in file pixels, clockwise in the gate view.
    size : tuple of int
        Width and height of the file.

    Returns
    -------
    Seen or None
        The first candidate whose lattice, once fitted, is borne out by the picture; a later one only where that one
        misses some lines and the later one clearly fewer.
    """
    best: Seen | None = None
    whole = Lattice(Layout(1, 1, 1), from_corners(rectangle(1, 1), corners), np.zeros(1), (0.0, 0.0), 0.0, size)
    for layout in candidates(flattened(coarse, whole, 0.02))[:_TRIES]:
        product = assumed_product(layout)
        lattice, flat, bands = settled(coarse, lattice_in(corners, layout, product.recipe, size))
        evidence = weighed(flat, bands, product)
        if not is_sound(evidence, product):
            continue
        if best is None or evidence.confidence >= best.evidence.confidence + _CLEARLY_MORE:
            best = Seen(layout, lattice, flat, bands, evidence)
        if best.evidence.confidence > _ALL_SEEN:
            break
    if best is None or best.layout.blocks > 1:
        return best
    return _with_blocks(coarse, best) or best


def shows_strips(coarse: CoarsePicture, corners: Points, size: tuple[int, int]) -> bool:
    """Whether the field consists of narrow strips laid over each other, as in shingled panels.

    Parameters
    ----------
    coarse, corners, size
        As for `seen_layout`.
    """
    whole = Lattice(Layout(1, 1, 1), from_corners(rectangle(1, 1), corners), np.zeros(1), (0.0, 0.0), 0.0, size)
    flat = flattened(coarse, whole, 0.02)
    across = np.linspace(0, 1, _BANDS + 1)
    profiles_u = profiles_along_u(flat, across[:-1], across[1:])
    profiles_v = profiles_along_v(flat, across[:-1], across[1:])
    (first, last), (top, bottom) = flat.column_px([0.0, 1.0]), flat.row_px([0.0, 1.0])
    lines = _line_likeness(profiles_u, flat.noise)
    counts = [n for n in range(_FEWEST_STRIPS, _MOST_STRIPS + 1) if (last - first) / n >= _NARROWEST_STRIP_PX]
    seen = {n: _all_lines(lines, float(first), float(last), n) for n in counts}
    strips = max(seen, key=lambda n: seen[n], default=0)
    if not strips or seen[strips] < _LEAST:
        return False
    lines = _line_likeness(profiles_v, flat.noise)
    strings = {n: _all_lines(lines, float(top), float(bottom), n) for n in range(2, _MOST_ROWS + 1)}
    likeliest = max(strings, key=lambda n: strings[n])
    ratio = float((bottom - top) / likeliest / ((last - first) / strips))
    return strings[likeliest] >= _LEAST and ratio >= NARROW_RATIO


def _all_lines(likeness: NDArray[np.float64], first: float, last: float, count: int) -> float:
    """Return how gap-like nearly all lines between equal cells are, less what lies half way between them.

    Busbars lie half way between such lines: every second line of twice as many cells, not all.
    """
    pitch = (last - first) / count
    inner = first + pitch * np.arange(1, count)
    control = first + pitch * (np.arange(count) + 0.5)
    return float(np.percentile(_sampled(likeness, inner, pitch), 15) - _sampled(likeness, control, pitch).mean())


def _line_likeness(profiles: Profile, noise: float) -> NDArray[np.float64]:
    return np.asarray(gap_likeness(profiles, (3,), noise).mean(axis=0), np.float64)


def _with_blocks(coarse: CoarsePicture, seen: Seen) -> Seen | None:
    """Look for a wider gap in the middle, or at a third and two thirds, that a lattice of one block passed over."""
    for blocks in (2, 3):
        layout = split(seen.layout, blocks)
        if layout is None:
            continue
        lattice = replace(seen.lattice, layout=layout, shifts=np.zeros(blocks))
        product = assumed_product(layout)
        lattice, flat, bands = settled(coarse, lattice)
        evidence = weighed(flat, bands, product)
        if is_sound(evidence, product):
            return Seen(layout, lattice, flat, bands, evidence)
    return None


def parted_otherwise(coarse: CoarsePicture, lattice: Lattice, confidence: float) -> Layout | None:
    """Return the same cells in another number of blocks, where that explains the picture better than what was fitted.

    Parameters
    ----------
    coarse : CoarsePicture
        The picture.
    lattice : Lattice
        Fitted to it, and borne out by it.
    confidence : float
        How surely, 0..1.

    Returns
    -------
    Layout or None
        None where no other number of blocks shows clearly more gaps: an even pitch can bridge a gap between blocks, at
        the price of some lines. Many columns in one block make a pitch that loses none; there a wide gap between blocks
        is enough.
    """
    layout = lattice.layout
    many = layout.blocks == 1 and layout.grid_shape[1] >= _MANY_COLUMNS
    if confidence > _ALL_SEEN and not many:
        return None
    for blocks in (1, 2, 3):
        whole = Layout(1, layout.strings_per_block, layout.grid_shape[1])
        other = whole if blocks == 1 else split(whole, blocks)
        if other is None or blocks == layout.blocks:
            continue
        product = assumed_product(other)
        _, flat, bands = settled(coarse, replace(lattice, layout=other, shifts=np.zeros(blocks)))
        evidence = weighed(flat, bands, product)
        more = evidence.confidence >= confidence + _CLEARLY_MORE
        apart = many and evidence.confidence >= confidence and evidence.block_gap_mm >= _CLEARLY_APART_MM
        if is_sound(evidence, product) and (more or apart):
            return other
    return None


def strings_otherwise(coarse: CoarsePicture, lattice: Lattice) -> Layout | None:
    """Return the same field with two thirds or half as many strings again, where lines between those show more clearly.

    Halves of a wafer in three strings cover what thirds of it cover in two, and wires lie where gaps would have to be;
    where the cell size is only assumed, nothing else tells the two apart.

    Parameters
    ----------
    coarse : CoarsePicture
        The picture.
    lattice : Lattice
        Fitted to it, and borne out by it.
    """
    layout = lattice.layout
    for up, down in ((2, 3), (3, 2)):
        strings, rest = divmod(layout.strings_per_block * up, down)
        ratio = height_over_width(lattice) * down / up
        if rest or strings < 2 or min(abs(np.log(ratio / cut)) for cut in (1, 2, 3)) > _RATIO_SLACK:
            continue
        other = replace(layout, strings_per_block=strings)
        product = assumed_product(other)
        squeezed = lattice.file_from_plane @ np.diag([1.0, down / up, 1.0])
        lattice_of_other, flat, bands = settled(coarse, replace(lattice, layout=other, file_from_plane=squeezed))
        sound = is_sound(weighed(flat, bands, product), product)
        if sound and _plainness(coarse, lattice_of_other) > _CLEARLY_PLAINER * _plainness(coarse, lattice):
            return other
    return None


def height_over_width(lattice: Lattice) -> float:
    """Return how high a cell in the middle of the field is, across the strings, over its width."""
    width, height = lattice.extent
    middle = np.array([[width / 2, height / 2], [width / 2 + 1, height / 2], [width / 2, height / 2 + 1]])
    here, along, across = lattice.to_file(middle)
    return float(np.linalg.norm(across - here) / np.linalg.norm(along - here))


def _plainness(coarse: CoarsePicture, lattice: Lattice) -> float:
    """Return how gap-like the median line between strings is."""
    flat = flattened(coarse, lattice, 0.35)
    seen = seen_in(flat, bands_of(flat), (0.03, 0.03))[1]
    between = seen.likeness[:, seen.lines.kind == 0]
    return float(np.median(between)) if between.size else 0.0


def split(layout: Layout, blocks: int) -> Layout | None:
    """Return the same cells in several blocks; None where that makes none of at least four cells a string."""
    columns = layout.grid_shape[1]
    if columns % blocks or columns // blocks < _FEWEST_IN_BLOCK:
        return None
    return Layout(blocks, layout.strings_per_block, columns // blocks)


def candidates(flat: FlatPicture) -> list[Layout]:
    """Return layouts that would explain the lines of the field, the likeliest first.

    Parameters
    ----------
    flat : FlatPicture
        The field laid flat as a single cell: its lattice only says where the field lies.
    """
    across = np.linspace(0, 1, _BANDS + 1)
    profiles_u = profiles_along_u(flat, across[:-1], across[1:])
    profiles_v = profiles_along_v(flat, across[:-1], across[1:])
    first, last = flat.column_px([0.0, 1.0])
    top, bottom = flat.row_px([0.0, 1.0])
    found = []
    for columns, blocks in _columns(profiles_u, float(first), float(last), flat.noise):
        rows = _rows(profiles_v, float(top), float(bottom), float(last - first) / columns, flat.noise)
        found += [Layout(blocks, count, columns // blocks) for count in rows[:2]]
    return found


def _columns(profiles: Profile, first: float, last: float, noise: float) -> list[tuple[int, int]]:
    """Return numbers of columns and of blocks that explain the lines across the strings, the likeliest first."""
    contrasts = {}
    for count in range(2, _MOST_COLUMNS + 1):
        if (last - first) / count < _NARROWEST_PX:
            break
        # Gaps of single cells count, not the wide one between blocks, which would make two cells of every panel.
        gap = axis_evidence(profiles, (last - first) / max(count, _USUAL_COLUMNS), noise).gap
        for blocks in (1, 2, 3):
            if blocks == 1 or (count % blocks == 0 and count // blocks >= _FEWEST_IN_BLOCK):
                contrasts[count, blocks] = _contrast(gap, first, last, count, blocks)
    found = _likeliest(contrasts) or [(1, 1)]
    # Where cells lie closely, the gap between blocks is the one line that stands out: what lies within them, apart.
    in_blocks = {key: contrast for key, contrast in contrasts.items() if key[1] > 1}
    return found + [key for key in _likeliest(in_blocks) if key not in found]


def _likeliest(contrasts: dict[tuple[int, int], float]) -> list[tuple[int, int]]:
    """Return numbers of columns and blocks of the strongest contrasts; none where no line stands out."""
    strongest = max(contrasts.values(), default=0.0)
    if strongest < _LEAST:
        return []
    # A part of the lines has about the contrast of all of them; more lines than there are have half of it.
    strong = [key for key, contrast in contrasts.items() if contrast >= 0.6 * strongest]
    most = max(count for count, _ in strong)
    # Blocks have their say only by a gap much wider than the others: with it they explain more.
    return sorted(strong, key=lambda key: (key[0] != most, -round(contrasts[key] / strongest, 1), -key[0], key[1]))


def _contrast(gap: NDArray[np.float64], first: float, last: float, count: int, blocks: int) -> float:
    """Return how much more gap-like the places of lines are than those half way between, at the best block gap."""
    column = np.arange(count)
    block = column // (count // blocks)
    best = -1.0
    for extra in _BLOCK_GAPS if blocks > 1 else (0.0,):
        pitch = (last - first) / (count + extra * (blocks - 1))
        starts = first + pitch * (column + extra * block)
        inner = starts[1:][np.diff(block) == 0]
        lines, control = _sampled(gap, inner, pitch), _sampled(gap, starts + pitch / 2, pitch)
        best = max(best, float(lines.mean() - control.mean()))
    return best


def _rows(profiles: Profile, top: float, bottom: float, pitch_u: float, noise: float) -> list[int]:
    """Return numbers of rows, the likeliest first: cells about as high as wide, or two or three times as high."""
    found = []
    for rows in range(1, _MOST_ROWS + 1):
        pitch = (bottom - top) / rows
        if min(abs(np.log(pitch / pitch_u / times)) for times in (1, 2, 3)) > _RATIO_SLACK:
            continue
        likeness = gap_likeness(profiles, reaches(pitch), noise)
        lines = _sampled(axis_evidence(profiles, pitch, noise).gap, top + pitch * np.arange(1, rows), pitch)
        weakest = float(lines.min()) if rows > 1 else _LEAST
        cells = by_cell(likeness, top + pitch * np.arange(rows), pitch)
        if weakest >= _LEAST and not parted_across(cells, weakest):
            found.append((weakest, rows))
    return [rows for _, rows in sorted(found, reverse=True)]


def _sampled(values: NDArray[np.floating], places: NDArray[np.floating], pitch: float) -> NDArray[np.floating]:
    reach = max(1, round(0.04 * pitch))
    index = places.round().astype(int)[:, None] + np.arange(-reach, reach + 1)
    return np.asarray(values[np.clip(index, 0, values.size - 1)].max(axis=1))
