"""Settings of what all detectors share: how cells are cut, the maps made of them, sister wafers."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class GeometrySettings:
    """How cells are cut.

    Attributes
    ----------
    finest_mm_per_px, coarsest_mm_per_px : float
        Cell pictures are made at the file's own resolution, but not finer than the first (time and memory without more
        to see: a hairline of a sharp camera is blurred over more than this) nor coarser than the second (upsampled).
    """

    finest_mm_per_px: float = 0.3
    coarsest_mm_per_px: float = 0.6


@dataclass(frozen=True, slots=True)
class ViewSettings:
    """How the maps all detectors share are made.

    Attributes
    ----------
    map_mm_per_px : float
        Scale of the maps; finer pictures are averaged down to it. From the free real cells, whose hairlines are about
        1.5 mm wide at this scale; time grows with its inverse square.
    rim_share : float
        A place is inside the cells where the typical luminance reaches this share of the cell's own. From the free real
        cells: gaps lie below 0.6, the last good millimetre above 0.8.
    rim_mm : float
        Further taken off behind that line, for the blur of the gap and the error of the grid.
    background_mm : float
        Side of the median window for the background; wider than a crack, narrower than illumination. Common practice.
    busbar_dip : float
        Smallest dip of a row's mean logarithm under its surroundings that makes it a busbar row. From the free real
        cells: busbars 0.3 to 0.9, finest wires seen 0.1, unevenness of rows without busbar below 0.02.
    faint_busbar_dip : float
        Smallest dip where others, evenly spaced, say that a wire must be: at 0.8 mm per pixel simulated wires dip by
        0.03 to 0.08.
    widest_busbar_mm : float
        A dip wider than this is not a busbar. Common practice: 1.5 to 2 mm ribbon plus blur and soldering shadow.
    max_saturated_share : float
        A cell with more saturated pixels is not judged. Common practice, no source.
    max_noise : float
        A cell whose noise in the maps is above this share of its luminance is not judged. Signal-to-noise 5 of a raw
        pixel is the weakest class named for field images (value from memory); resampling leaves half of it or less.
    max_edge_spread_mm : float
        A cell whose edges and busbars are blurred further is not judged: the limit of the criteria for whole pictures.
    dark_level_share : float
        Luminance (over cells of the same current) below which a cell is so dark that its own picture says nothing more.
        Common practice, no source.
    """

    map_mm_per_px: float = 0.52
    rim_share: float = 0.8
    rim_mm: float = 1.5
    background_mm: float = 10.0
    busbar_dip: float = 0.04
    faint_busbar_dip: float = 0.012
    widest_busbar_mm: float = 8.0
    max_saturated_share: float = 0.25
    max_noise: float = 0.1
    max_edge_spread_mm: float = 2.0
    dark_level_share: float = 0.1


@dataclass(frozen=True, slots=True)
class SisterSettings:
    """When cells are sister wafers, and how they are compared.

    Attributes
    ----------
    least_likeness : float
        Correlation of two cells at about 3 mm per pixel from which they may be sisters. From the tuning half of the
        free real cells: others stay below 0.4.
    least_correlation : float
        Correlation of the flat cells once registered.
    most : int
        Sisters taken together; their median is taken off.
    most_shift_mm : float
        Largest shift between sisters: wafers are cut from one brick and lie alike in their cells.
    gain_window_mm : float
        Side of the window in which the strength of the sisters' grains is matched.
    least_gain, most_gain : float
        Bounds of that match.
    """

    least_likeness: float = 0.45
    least_correlation: float = 0.4
    most: int = 3
    most_shift_mm: float = 6.0
    gain_window_mm: float = 32.0
    least_gain: float = 0.3
    most_gain: float = 1.5
