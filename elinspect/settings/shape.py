"""Settings of what is seen by shape and place: cells, ribbons, chips, foreign bodies."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class MisplacedCellSettings:
    """When a cell lies out of place.

    Attributes
    ----------
    threshold : float
        Score from which a cell is a finding.
    half_mm : float
        Way of the farthest corner from its place, or missing width of a gap, beyond its uncertainty, that gives a
        score of 0.5. Common practice, no source: cells are laid to about half a millimetre.
    """

    threshold: float = 0.5
    half_mm: float = 1.0


@dataclass(frozen=True, slots=True)
class RibbonOffsetSettings:
    """When a ribbon or wire lies beside its busbar.

    Attributes
    ----------
    threshold : float
        Score from which a cell is a finding.
    half_mm : float
        Distance from its place, or from a straight line, that gives a score of 0.5 to ribbons: about half the width
        of a ribbon of three-busbar cells (1 to 2 mm; interconnection white paper, second hand).
    half_share : float
        The same for closely spaced wires, share of their spacing; the smaller of the two counts. Common practice, no
        source.
    """

    threshold: float = 0.5
    half_mm: float = 0.8
    half_share: float = 0.08


@dataclass(frozen=True, slots=True)
class ChippedCellSettings:
    """When a dark place at the edge is a chip: where silicon is missing it is as dark as between the cells.

    Levels are 0 as between the cells and 1 as silicon is at that place in the others. Of a pair of values a measure
    counts not at all from the first on, in full from the second. All from the tuning half of the free real cells.

    Attributes
    ----------
    threshold : float
        Score from which a place is a finding.
    edge_level : float
        Level below which silicon is missing: an edge lies half way, however soft the picture.
    remaining : tuple of float
        Median level of the place: a piece that was cut off keeps more, and so do grains.
    darker : tuple of float
        Luminance less that of the gaps, over that of a cell: silicon without current is darker than gaps that scatter
        light, and lets none by.
    black_share : tuple of float
        Luminance over that of a cell: black places are missing, however bright the gaps.
    at_rim : tuple of float
        Median level of its outermost part, which a spot that only lies near the edge does not reach.
    around : tuple of float
        Level of what lies around it: an edge that fades out is shading of the rim.
    step : tuple of float
        How much brighter than the gaps silicon is there, over the luminance of a cell.
    large_mm2 : tuple of float
        Area: what is larger is an inactive area.
    short_mm, slim : tuple of float
        Shorter side, and length along the edge over mean depth: a thin strip along the edge is shading of the rim, or a
        cell out of place.
    clear_step, least_short_mm : tuple of float
        Where silicon stands out of the gaps so much, that shorter side is enough.
    opening, sharp_around : tuple of float
        Length along the edge over greatest depth, and from which level around it on that does not matter: a dark finger
        reaches far in and shades off.
    half_area_mm2 : float
        Area that gives a score of 0.5.
    """

    threshold: float = 0.5
    edge_level: float = 0.5
    remaining: tuple[float, float] = (0.28, 0.08)
    darker: tuple[float, float] = (-0.14, -0.08)
    black_share: tuple[float, float] = (0.18, 0.12)
    at_rim: tuple[float, float] = (0.3, 0.05)
    around: tuple[float, float] = (0.65, 0.8)
    step: tuple[float, float] = (0.2, 0.24)
    large_mm2: tuple[float, float] = (160.0, 120.0)
    short_mm: tuple[float, float] = (1.6, 2.6)
    slim: tuple[float, float] = (7.0, 5.0)
    clear_step: tuple[float, float] = (0.65, 0.8)
    least_short_mm: tuple[float, float] = (1.0, 1.5)
    opening: tuple[float, float] = (0.4, 0.6)
    sharp_around: tuple[float, float] = (0.85, 0.95)
    half_area_mm2: float = 5.0


@dataclass(frozen=True, slots=True)
class ForeignBodySettings:
    """When a black place is something that lies on the cell.

    Attributes
    ----------
    threshold : float
        Score from which a place is a finding.
    black_share, blackest_share : float
        Luminance over the expected one below which a place counts, in smooth cells and in the most textured ones.
        Common practice, no source.
    texture_multiple : float
        A place must lie so many robust spreads of the cell's own luminance below.
    soft_around, sharp_around : float
        Luminance of a ring around it over the expected one: below the first it fades out, which nothing does that only
        lies there; from the second on the edge is sharp.
    most_area_fraction : float
        Largest body, share of the cell.
    upright_deg : float
        An oblong place that stands along the fingers within so many degrees is a finger's.
    half_area_mm2 : float
        Area that gives a score of 0.5.
    crack_reach_mm : float
        Where a crack that goes on elsewhere comes so near, the place is a part that was cut off.
    most_sisters : int
        Where more other cells are dark at the same place, it is a grain that sister wafers share.
    """

    threshold: float = 0.5
    black_share: float = 0.5
    blackest_share: float = 0.25
    texture_multiple: float = 8.0
    soft_around: float = 0.75
    sharp_around: float = 0.92
    most_area_fraction: float = 0.05
    upright_deg: float = 15.0
    half_area_mm2: float = 3.0
    crack_reach_mm: float = 3.0
    most_sisters: int = 1
