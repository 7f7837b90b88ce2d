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
    """When a dark place at the edge is a chip: where silicon is missing, only scattered light is left.

    Defaults: common practice, no source.

    Attributes
    ----------
    threshold : float
        Score from which a place is a finding.
    black_share : float
        Luminance over that of the other cells there below which a place counts.
    most_remaining : float
        Largest luminance of the whole place over that of the other cells: a piece that was cut off keeps more.
    most_area_mm2 : float
        Largest chip; what is larger is an inactive area.
    least_around : float
        Luminance around it over the expected one: an edge that fades out is shading of the rim.
    least_depth_mm, most_ratio : float
        A strip along the edge thinner than the first and longer than so many times its width is a cell out of place.
    half_area_mm2 : float
        Area that gives a score of 0.5.
    """

    threshold: float = 0.5
    black_share: float = 0.45
    most_remaining: float = 0.2
    most_area_mm2: float = 150.0
    least_around: float = 0.75
    least_depth_mm: float = 2.0
    most_ratio: float = 4.0
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
