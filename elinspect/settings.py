"""Settings of the detectors and of the geometry, one frozen record each.

Lengths are in mm of the cell, heights in multiples of the measured noise or as shares; each field says its unit and
where its default comes from.
"""

from dataclasses import dataclass, field


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
    widest_busbar_mm : float
        A dip wider than this is not a busbar. Common practice: 1.5 to 2 mm ribbon plus blur and soldering shadow.
    max_saturated_share : float
        A cell with more saturated pixels is not judged. Common practice, no source.
    max_noise : float
        A cell whose pixel noise is above this share of its luminance is not judged. Signal-to-noise 5 is the weakest
        class named for field images (value from memory).
    dark_level_share : float
        Luminance (over cells of the same current) below which a cell is so dark that its own picture says nothing more.
        Common practice, no source.
    """

    map_mm_per_px: float = 0.52
    rim_share: float = 0.8
    rim_mm: float = 1.5
    background_mm: float = 10.0
    busbar_dip: float = 0.04
    widest_busbar_mm: float = 8.0
    max_saturated_share: float = 0.25
    max_noise: float = 0.2
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


@dataclass(frozen=True, slots=True)
class CrackSettings:
    """How cracks are looked for.

    Attributes
    ----------
    threshold : float
        Score from which a path is a finding.
    half_total_smooth, half_total_textured : float
        What a path must collect for a score of 0.5, in multiples of the cell's texture: in cells that show nothing but
        noise, and in cells with grains, whose texture has more lines in it. From the tuning half of the free real
        cells.
    half_step_smooth, half_step_textured : float
        The same for steps.
    smooth_unevenness, textured_unevenness : float
        Upper quartile of the response over its median that marks the two; in between half the total goes straight from
        one to the other. From the same cells: noise alone 1.27 to 1.31, multi 1.42 to 1.8.
    widths_px : tuple of two floats
        Widths (Gaussian sigma) of the line filters, map pixels: a hairline, and a blurred or open crack.
    angles : int
        Orientations in half a turn, even.
    line_px : int
        Length of one line filter, pixels at half the scale, odd; from 13 on OpenCV goes over the Fourier transform, ten
        times slower.
    line_sigma_px : float
        Its weights fall off with this sigma.
    step_width_px, step_line_px, step_line_sigma_px : float, int, float
        The same for steps: width, length, weights, in pixels at half the scale.
    steady_places, steady_sigma_places : int, float
        In grainy cells responses are averaged along their direction over so many places, odd, with such weights.
    least_texture : float
        Response below which texture does not count as such: about 0.5 % contrast. From the free real cells.
    step_least_texture : float
        The same for steps.
    cap, grain_cap : float
        Most that one place may add: a black spot is not a long crack; in cells that show only noise, and in grainy
        ones.
    toll, grain_toll : float
        What each place costs, so that paths do not grow through noise; likewise.
    upright_toll : float
        Further cost of a line that runs straight along a finger.
    busbar_toll : float
        What a place costs at most where a busbar was bridged.
    along_busbar_toll : float
        Further cost of a step that runs along a busbar: fields on both its sides may carry unlike currents.
    upright_scale : float
        An upright path must collect so many times as much as an oblique one for the same score; its unit is the cell's
        streak texture. From the tuning half of the free real cells.
    upright_cap, upright_place_toll, upright_least_texture : float
        Most that one row of it may add, what each costs, and what is added to the texture.
    upright_shortest_mm : float
        Shortest upright path.
    upright_stray_mm : float
        How far it must leave a straight upright line within the fields it crosses, on average; fingers are straight,
        and cells lie turned by less than half a degree.
    upright_steadiness : float
        How steady it must be: streaks of several fingers in a row have gaps. From the same cells.
    usual_contrast, contrast_power : float
        In grainy cells what the filters say of a line is weighed with its contrast, once it is followed to the pixel,
        over the first, to this power. In a cell that shows only noise a faint crack is as sure as a deep one. From the
        tuning half of the free real cells, where grain boundaries are shallower and shorter than cracks.
    usual_length_mm, length_power : float
        Likewise with its length.
    steadiness_power : float
        Likewise with its steadiness.
    usual_step, step_power : float
        In all cells what the filters say of a step is weighed with its height over the first, to this power.
    followed_from : float
        Paths that collect so many times what a score of 0.5 takes are followed to the pixel.
    unfollowed : float
        What others count of what they collect. From the same cells: what followed lines of clean cells come to.
    step, line_step : int
        Places per step of the path: for steps (a place is six map pixels), and for lines (four).
    steps : int
        Steps a path looks ahead.
    most_paths : int
        Paths followed in one cell.
    least_px : int
        Shortest path, map pixels.
    least_contrast : float
        Depth (natural logarithm) of a crack under the lower of its two sides. From the tuning half of the free real
        cells: faint cracks 0.02 and more, edges of dark regions below.
    least_step : float
        Height (natural logarithm) of a step. From the same cells.
    rim_mm, rim_step : float
        A step whose darker side reaches the rim within the first must be as high as the second: rims are darker.
    streak_lean_deg, streak_mm : float, tuple of float
        So does a step that leans by less than this from finger direction where its darker side is bright again at one
        of these distances: that is a bundle of interrupted fingers. Common practice, no source: bundles are narrower.
    busbar_contrast : float
        As `least_contrast`, for a line that keeps to the foot of a busbar, where the bridge may be a little off.
    noise_multiple : float
        And all of these in multiples of the noise of one pixel: followed through noise alone a line comes to 0.4.
    join_mm : float
        Lines that come so near to each other are one crack.
    mode_b_share, mode_c_share : float
        Luminance of the darker side over the brighter one below which the crack is of mode B or C. Common practice, no
        source: 10 % is seen as a step, below 40 % the part is all but dark.
    sisters : SisterSettings
        How sister wafers are recognised.
    """

    threshold: float = 0.5
    half_total_smooth: float = 14.0
    half_total_textured: float = 24.0
    half_step_smooth: float = 8.5
    half_step_textured: float = 12.0
    smooth_unevenness: float = 1.3
    textured_unevenness: float = 1.45
    widths_px: tuple[float, float] = (1.2, 2.2)
    angles: int = 12
    line_px: int = 7
    line_sigma_px: float = 3.5
    step_width_px: float = 1.0
    step_line_px: int = 9
    step_line_sigma_px: float = 4.0
    steady_places: int = 9
    steady_sigma_places: float = 3.5
    least_texture: float = 0.02
    step_least_texture: float = 0.004
    cap: float = 6.0
    grain_cap: float = 7.0
    toll: float = 2.5
    grain_toll: float = 2.0
    upright_toll: float = 1.5
    busbar_toll: float = 0.5
    along_busbar_toll: float = 3.0
    upright_scale: float = 4.5
    upright_cap: float = 5.0
    upright_place_toll: float = 2.0
    upright_least_texture: float = 0.003
    upright_shortest_mm: float = 25.0
    upright_stray_mm: float = 0.8
    upright_steadiness: float = 0.65
    usual_contrast: float = 0.05
    contrast_power: float = 0.6
    usual_length_mm: float = 26.0
    length_power: float = 0.6
    steadiness_power: float = 0.3
    usual_step: float = 0.2
    step_power: float = 0.5
    followed_from: float = 0.4
    unfollowed: float = 0.4
    step: int = 3
    line_step: int = 2
    steps: int = 6
    most_paths: int = 12
    least_px: int = 27
    least_contrast: float = 0.02
    least_step: float = 0.03
    rim_mm: float = 8.0
    rim_step: float = 0.7
    streak_lean_deg: float = 12.0
    streak_mm: tuple[float, ...] = (3.5, 5.0, 7.0)
    busbar_contrast: float = 0.05
    noise_multiple: float = 1.0
    join_mm: float = 5.0
    mode_b_share: float = 0.9
    mode_c_share: float = 0.4
    sisters: SisterSettings = field(default_factory=SisterSettings)


@dataclass(frozen=True, slots=True)
class InactiveAreaSettings:
    """How inactive areas are looked for.

    Attributes
    ----------
    threshold : float
        Score from which a region is a finding.
    rim_share, core_share : float
        Shares of the luminance expected at a place: above the first it counts as active, below the second as wholly
        inactive, in between in part. From the tuning half of the free real cells: dark grains stay above 0.5.
    texture_multiple : float
        A place must also lie so many robust spreads of the cell's own luminance below.
    least_mean_depth : float
        Mean of that part, 0..1, over a region: grains are dark in spots, cut-off parts throughout.
    rim_mm, rim_length_share : float
        A region at an edge no deeper than the first and as long as that share of it is the rim's shading. From the
        tuning half of the free real cells, as seen by both readers.
    narrowest_mm : float
        Dark stripes narrower than this are lines, not areas.
    half_area_fraction : float
        Wholly inactive share of the cell that gives a score of 0.5. Common practice, no source: half a per cent is seen
        at once.
    dim_share, half_dim_fraction : float
        Parts below that share of the expected luminance rank a cell even where they make no finding; so large a part
        gives half the threshold. From the tuning half of the free real cells.
    bright_quantile : float
        Quantile of a cell that counts as its full luminance: up to so much of it may be inactive.
    """

    threshold: float = 0.5
    rim_share: float = 0.6
    core_share: float = 0.4
    texture_multiple: float = 3.0
    least_mean_depth: float = 0.4
    rim_mm: float = 9.0
    rim_length_share: float = 0.5
    narrowest_mm: float = 4.0
    half_area_fraction: float = 0.003
    dim_share: float = 0.75
    half_dim_fraction: float = 0.03
    bright_quantile: float = 0.85


@dataclass(frozen=True, slots=True)
class DarkCellSettings:
    """When a cell is dark as a whole.

    Attributes
    ----------
    threshold : float
        Score from which a cell is a finding.
    dark_share : float
        Share of the luminance of the cells with the same current that gives a score of 0.5. Common practice, no source.
    spreads : float
        The cell must also lie so many robust standard deviations of those cells below their median.
    most_fall_off : float
        Largest part of the light that the fall-off over the panel may take; what is darker is no fall-off.
    """

    threshold: float = 0.5
    dark_share: float = 0.65
    spreads: float = 3.0
    most_fall_off: float = 0.3


@dataclass(frozen=True, slots=True)
class CircuitSettings:
    """When a string or a part of it gets too little current, and when a cell is in reverse.

    Shares are of the light of strings that should carry the same current. All of them: common practice, no source;
    cells of one efficiency class differ by some per cent, fall-off of light darkens outer strings by up to a fifth.

    Attributes
    ----------
    threshold : float
        Score from which a state is a finding.
    dark_share : float
        Share at which a string scores 0.5.
    dark_cells : float
        Share of its cells that must be dark: what dims all cells of a string alike is the current.
    lit_share : float
        Light over that of the brightest strings from which on a string says what is usual.
    part_share : float
        Cells below this share in a row are a bridged part of a string.
    shortest_part : int
        Fewest cells of such a part; fewer are dark cells.
    surplus_share : float
        Share of the current a dark string does not take that its parallel partner must show for the string to be open.
    black_share : float
        A single cell below this share gives no light of its own.
    reverse_cells : float
        Surplus of the voltage, in cells, from which on a black cell is in reverse: breakdown begins at some 5 V.
    least_current : float
        Share of the short-circuit current below which the supply found no way through the panel.
    """

    threshold: float = 0.5
    dark_share: float = 0.6
    dark_cells: float = 0.8
    lit_share: float = 0.35
    part_share: float = 0.35
    shortest_part: int = 3
    surplus_share: float = 0.5
    black_share: float = 0.05
    reverse_cells: float = 7.0
    least_current: float = 0.02


@dataclass(frozen=True, slots=True)
class ProbeContactSettings:
    """When the light of a string counts as fading along it. Common practice, no source.

    Attributes
    ----------
    faded_share : float
        Light at the dim end over light at the other end.
    least_order : float
        Rank correlation (Kendall) of light with place: a fade goes one way all along, dark cells do not.
    fewest_cells, fewest_strings : int
        Shortest string looked at; fewest strings side by side that tell what is common to them.
    """

    faded_share: float = 0.8
    least_order: float = 0.7
    fewest_cells: int = 6
    fewest_strings: int = 4


@dataclass(frozen=True, slots=True)
class FingerInterruptionSettings:
    """How finger interruptions are looked for.

    Attributes
    ----------
    threshold : float
        Score from which a streak is a finding.
    half_evidence_mm : float
        Depth in multiples of the cell's texture, times length in mm, that gives a score of 0.5. Chosen for the best F1
        against the marks two readers made on the tuning half of the free real cells, mono and multi alike.
    least_length_mm, least_field_share : float
        Shortest streak; between wires that lie close, this share of the distance from wire to wire instead.
    least_contrast : float
        Depth (natural logarithm) a streak has to keep everywhere. From the same cells.
    texture_multiple : float
        And that in multiples of the cell's own texture.
    least_texture : float
        Added to the cell's texture: 0.3 % contrast is no streak even in a picture without noise.
    smooth_unevenness, textured_unevenness : float
        Texture over noise from which, and to which, the evidence asked for doubles: grains are no noise. From the same
        cells: mono 0.7 to 1.8, multi 1.7 to 10.
    most_findings : int
        Findings of one cell.
    """

    threshold: float = 0.5
    half_evidence_mm: float = 33.0
    least_length_mm: float = 8.0
    least_field_share: float = 0.6
    least_contrast: float = 0.014
    texture_multiple: float = 2.5
    least_texture: float = 0.003
    smooth_unevenness: float = 1.5
    textured_unevenness: float = 4.5
    most_findings: int = 40


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
    edge_mm : float
        So much of the outermost silicon is not looked at: cells do not lie to the pixel.
    gap_mm : float
        Gaps of the silicon up to twice as wide are busbars, not its edge.
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
    edge_mm: float = 0.7
    gap_mm: float = 2.5
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


@dataclass(frozen=True, slots=True)
class SolderFaultSettings:
    """When a dark stretch along a busbar is a fault of its ribbon. Defaults: common practice, no source.

    Attributes
    ----------
    threshold : float
        Score from which a stretch is a finding.
    least_depth : float
        Depth (natural logarithm) under the surroundings of both neighbouring busbars.
    least_pitches : float
        Shortest stretch between closely spaced wires, in multiples of their spacing: what is shorter is a stain.
    least_spread : float
        Spread of depths over the panel that is taken at least: smoother panels do not exist.
    lengths_mm : tuple of float
        Lengths that are tried: a pad, several, half a ribbon, a whole one.
    half_multiple, half_multiple_paired : float
        Depth in multiples of that spread that gives a score of 0.5: from one exposure, and from the ratio to one at low
        current, in which wafers have no pattern. The first from the tuning half of the free real cells, in which no
        stretch without one was to stand out.
    """

    threshold: float = 0.5
    least_depth: float = 0.025
    least_pitches: float = 1.4
    least_spread: float = 0.004
    lengths_mm: tuple[float, ...] = (12.0, 20.0, 35.0, 60.0, 200.0)
    half_multiple: float = 4.5
    half_multiple_paired: float = 4.5


@dataclass(frozen=True, slots=True)
class MaterialPatternSettings:
    """When a pattern of the wafer is worth showing. Defaults: common practice, no source.

    Attributes
    ----------
    threshold : float
        Score from which a region is a finding.
    soft_mm : float
        For blotches the cell is smoothed so far (sigma).
    least_depth : float
        Depth (natural logarithm) of a blotch against the typical cell.
    black_share : float
        What is darker than that counts as much: black places are no patterns.
    half_area_fraction : float
        Share of the cell that gives a score of 0.5.
    core_off_middle, core_roundness : float
        A region whose middle lies within that share of the cell from its middle, and that fills that share of the
        ellipse in its box, is a core.
    stain_depth, stain_texture_multiple : float
        Depth of a stain, and in multiples of the cell's own texture.
    stain_area_mm2 : float
        Smallest stain.
    stain_ratio, stain_solidity : float
        Its longest side over its shortest, and its area over that of its convex hull: what grows or breaks is ragged.
    blackest_share : float
        A stain keeps that share of the light; what is blacker lies on the cell or is cut off.
    ring_likeness : float
        Correlation of the quarters of a cell, from its middle outwards, that gives a score of 0.5.
    ring_depth : float
        Shallower rings count for less.
    """

    threshold: float = 0.5
    soft_mm: float = 4.0
    least_depth: float = 0.2
    black_share: float = 0.6
    half_area_fraction: float = 0.06
    core_off_middle: float = 0.1
    core_roundness: float = 0.75
    stain_depth: float = 0.1
    stain_texture_multiple: float = 8.0
    stain_area_mm2: float = 40.0
    stain_ratio: float = 3.0
    stain_solidity: float = 0.85
    blackest_share: float = 0.4
    ring_likeness: float = 0.4
    ring_depth: float = 0.006


@dataclass(frozen=True, slots=True)
class DetectorSettings:
    """Settings of all detectors."""

    view: ViewSettings = field(default_factory=ViewSettings)
    crack: CrackSettings = field(default_factory=CrackSettings)
    inactive_area: InactiveAreaSettings = field(default_factory=InactiveAreaSettings)
    dark_cell: DarkCellSettings = field(default_factory=DarkCellSettings)
    finger_interruption: FingerInterruptionSettings = field(default_factory=FingerInterruptionSettings)
    chipped_cell: ChippedCellSettings = field(default_factory=ChippedCellSettings)
    foreign_body: ForeignBodySettings = field(default_factory=ForeignBodySettings)
    solder_fault: SolderFaultSettings = field(default_factory=SolderFaultSettings)
    material_pattern: MaterialPatternSettings = field(default_factory=MaterialPatternSettings)
    circuit: CircuitSettings = field(default_factory=CircuitSettings)
    probe_contact: ProbeContactSettings = field(default_factory=ProbeContactSettings)
    misplaced_cell: MisplacedCellSettings = field(default_factory=MisplacedCellSettings)
    ribbon_offset: RibbonOffsetSettings = field(default_factory=RibbonOffsetSettings)
