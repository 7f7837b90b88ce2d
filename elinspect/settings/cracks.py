"""Settings of the crack detector."""

import math
from dataclasses import dataclass, field

from elinspect.settings.views import SisterSettings


@dataclass(frozen=True, slots=True)
class BundleSettings:
    """What tells a bundle of broken fingers, or a spot, from a region that a crack bounds.

    Attributes
    ----------
    beside_mm : float
        How far beside a line its two sides are looked at.
    least_step : float
        Least difference (natural logarithm) between them.
    least_share : float
        Share of the places on the darker side that must lie in one dark region.
    widest_mm : float
        Widest bundle, largest spot. Common practice, no source: a dozen fingers.
    straight_mm, least_straight : float
        Sides of a bundle may stray so far from straight along the fingers, except in the rest of its rows: fingers are
        straight, and cells lie turned by less than half a degree.
    corner_mm : float
        At its break a bundle has corners at least so deep.
    least_filled : float
        Share of the box that must be dark.
    least_spot_ratio, least_solid : float
        Least ratio of sides of a spot, and share of its convex hull that it fills.
    least_stain_mm : float
        A dark place that goes on beyond a busbar is a stain from this width on; none is by default.
    beyond_mm : float
        So far from a busbar it must be dark on both sides to go on beyond; rounded ends are narrow further out.
    seam_mm, least_within : float
        A line of which so large a part lies in the dark place, or so near to it, is none: a crack goes on beyond.
    """

    beside_mm: float = 2.0
    least_step: float = 0.03
    least_share: float = 0.5
    widest_mm: float = 25.0
    straight_mm: float = 0.8
    least_straight: float = 0.75
    corner_mm: float = 5.0
    least_filled: float = 0.75
    least_spot_ratio: float = 0.5
    least_solid: float = 0.85
    least_stain_mm: float = math.inf
    beyond_mm: float = 1.0
    seam_mm: float = 1.6
    least_within: float = 0.75


@dataclass(frozen=True, slots=True)
class AmongWiresSettings:
    """What cracks must show where wires lie close and are taken off; chosen on simulated half-cut cells.

    Nothing is hidden there, and cells show less texture of their own, so that fainter lines stand out.

    Attributes
    ----------
    half_total_mm : float
        `CrackSettings.half_total_smooth`, times mm per pixel: coarse pixels give a line fewer places.
    toll, least_contrast, noise_multiple : float
        As in `CrackSettings`; the contrast also at the foot of a wire.
    rim_step : float
        As in `CrackSettings`: between the last wire and the edge a crack cuts off no more than a strip.
    least_stain_mm : float
        As in `BundleSettings`: what a crack cuts off is fed by the next wire, and where cracks cross at a joint the
        fingers they cut are dark on both its sides, less far. On real cells with few busbars the rule costs cracks.
    least_sharpness : float
        Share of a line's depth that is reached 1.5 mm beside it, of that 4 mm beside it: smudges are soft. On two
        demos 10 of 37 cells with a false crack are left, and 22 of 22 cracked cells found.
    """

    half_total_mm: float = 6.8
    toll: float = 2.0
    least_contrast: float = 0.015
    noise_multiple: float = 0.7
    rim_step: float = 0.3
    least_stain_mm: float = 9.0
    least_sharpness: float = 0.5


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
    wide_places, wide_power : float, float
        Steps are weighed with the step between what lies on both their sides, seen through a filter of
        this width in places of six map pixels, to this power. Chosen where cracks that readers saw on the tuning half
        of the free real cells, as they are and with their grains 1.7 times as strong, and steps drawn on clean ones of
        them are found best together.
    wide_bounds : tuple of two floats
        Least and most of that step, in multiples of the cell's usual one.
    wide_least_texture : float
        Usual step below which it does not count as such.
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
    upright_lean_deg, lean_fields, lean_steadiness : float, int, float
        Or it crosses so many fields and leans by so much within them, not from one to the next; it is as steady as the
        last then. Cells lie turned by less than half a degree; chosen on simulated half-cut cells.
    upright_wander_deg, wander_noise : float
        Or it leans by so much otherwise from field to field, as steady as that, and so many times as deep as noise that
        this can be said. Chosen on simulated half-cut cells.
    usual_contrast, contrast_power : float
        In grainy cells what the filters say of a line is weighed with its contrast, once it is followed to the pixel,
        over the first, to this power. In a cell that shows only noise a faint crack is as sure as a deep one. From the
        tuning half of the free real cells, where grain boundaries are shallower and shorter than cracks.
    usual_length_mm, length_power : float
        Likewise with its length.
    steadiness_power : float
        Likewise with its steadiness.
    usual_wandering, wandering_fall : float
        Likewise with how much it turns every 6 px (radians), less the first, as a negative exponent times the second:
        grains line up to lines that wander. Chosen on simulated multi cells; on the tuning half it costs nothing.
    beyond_busbar_mm, beyond_busbar_deg : float
        A line that begins so near to the end of another beyond a busbar, and leaves its direction by no more than the
        second, is the same crack. From the tuning half of the free real cells.
    usual_step, step_power : float
        In all cells what the filters say of a step is weighed with its height over the first, to this power.
    followed_from : float
        Paths that collect so many times what a score of 0.5 takes are followed to the pixel.
    steps_followed_from : float
        The same for steps.
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
    least_contrast, smooth_contrast : float
        Depth (natural logarithm) of a crack under the lower of its two sides, among grains and in cells that show only
        noise. From the tuning half of the free real cells: edges of dark regions below, faint cracks of smooth cells
        from the second on; clean smooth cells show nothing of the kind there but feet of busbars.
    along_busbar_deg : float
        Lines of smooth cells that run along busbars to within this must be as deep as among grains: shading follows
        busbars, too.
    least_step : float
        Height (natural logarithm) of a step. From the same cells.
    rim_mm, rim_step, rim_worth : float
        A step whose darker side reaches the rim within the first must be as high as the second: rims are darker. A
        lower one counts only this share of what it would for the rank of its cell. From the same cells.
    streak_lean_deg, streak_mm : float, tuple of float
        So does a step that leans by less than this from finger direction where its darker side is bright again at one
        of these distances: that is a bundle of interrupted fingers. Common practice, no source: bundles are narrower.
    dot_mm, dot_steadiness : float
        A line shorter than the first whose steadiness is above the second is a dot, and its path empty but for it.
        Simulated dots are 5 to 6 mm long and 1.5 to 2.1, short cracks 0.4 to 1.1.
    least_sharpness, smudge_mm : float
        The first as in `AmongWiresSettings`; 0 asks for none. It is asked of lines so short only: smudges of two demos
        are up to 33 mm long, and a faint crack of 60 mm may be as soft.
    busbar_contrast : float
        As `least_contrast`, for a line that keeps to the foot of a busbar, where the bridge may be a little off.
    noise_multiple : float
        And all of these in multiples of the noise of one pixel: followed through noise alone a line comes to 0.4.
    join_mm : float
        Lines that come so near to each other are one crack.
    rim_reach_mm, through_rim_mm : float
        A line that ends so near before the rim goes straight on to the edge of the cell, if it is no further through
        the rim than the second. Common practice, no source: cracks start at edges or run out there.
    mode_b_share, mode_c_share : float
        Luminance of the darker side over the brighter one below which the crack is of mode B or C. Common practice, no
        source: 10 % is seen as a step, below 40 % the part is all but dark.
    among_wires : AmongWiresSettings
        What differs where wires lie close.
    sisters : SisterSettings
        How sister wafers are recognised.
    explained : float
        What a line along a dark place still counts for the rank of its cell, of what it collects: never a finding.
    bundle : BundleSettings
        How bundles of broken fingers and spots are.
    """

    threshold: float = 0.5
    half_total_smooth: float = 14.0
    half_total_textured: float = 24.0
    half_step_smooth: float = 14.5
    half_step_textured: float = 24.0
    smooth_unevenness: float = 1.3
    textured_unevenness: float = 1.45
    widths_px: tuple[float, float] = (1.2, 2.2)
    angles: int = 12
    line_px: int = 7
    line_sigma_px: float = 3.5
    step_width_px: float = 1.0
    step_line_px: int = 9
    step_line_sigma_px: float = 4.0
    wide_places: float = 1.5
    wide_power: float = 0.3
    wide_bounds: tuple[float, float] = (0.3, 4.0)
    wide_least_texture: float = 0.003
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
    upright_lean_deg: float = 0.8
    lean_fields: int = 4
    lean_steadiness: float = 0.5
    upright_wander_deg: float = 1.0
    wander_noise: float = 3.0
    usual_contrast: float = 0.05
    contrast_power: float = 0.6
    usual_length_mm: float = 26.0
    length_power: float = 0.6
    steadiness_power: float = 0.3
    usual_wandering: float = 0.2
    wandering_fall: float = 3.0
    beyond_busbar_mm: float = 15.0
    beyond_busbar_deg: float = 20.0
    usual_step: float = 0.2
    step_power: float = 0.5
    followed_from: float = 0.4
    steps_followed_from: float = 0.3
    unfollowed: float = 0.4
    step: int = 3
    line_step: int = 2
    steps: int = 6
    most_paths: int = 12
    least_px: int = 27
    least_contrast: float = 0.02
    smooth_contrast: float = 0.012
    along_busbar_deg: float = 5.0
    least_step: float = 0.03
    rim_mm: float = 8.0
    rim_step: float = 0.4
    rim_worth: float = 0.4
    streak_lean_deg: float = 12.0
    streak_mm: tuple[float, ...] = (3.5, 5.0, 7.0)
    dot_mm: float = 7.0
    dot_steadiness: float = 1.47
    least_sharpness: float = 0.0
    smudge_mm: float = 40.0
    busbar_contrast: float = 0.05
    noise_multiple: float = 1.0
    join_mm: float = 5.0
    rim_reach_mm: float = 3.0
    through_rim_mm: float = 8.0
    mode_b_share: float = 0.9
    mode_c_share: float = 0.4
    among_wires: AmongWiresSettings = field(default_factory=AmongWiresSettings)
    sisters: SisterSettings = field(default_factory=SisterSettings)
    explained: float = 0.5
    bundle: BundleSettings = field(default_factory=BundleSettings)
