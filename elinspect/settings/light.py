"""Settings of what changes a cell's light: inactive areas, dark cells, broken fingers, solder, the wafer itself."""

from dataclasses import dataclass


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
    smooth_rim_share, smooth_core_share : float
        The same in smooth cells, which have no grains. From the same cells; stains stay above 0.55.
    smooth_texture, grainy_texture : float
        Robust spread of a cell's own luminance up to which it is smooth, and from which it is grainy. From the same
        cells.
    texture_multiple : float
        A place must also lie so many of these spreads below.
    least_mean_depth : float
        Mean of that part, 0..1, over a region: grains are dark in spots, cut-off parts throughout.
    least_bounded_depth, least_bounded_share, bounded_mm : float
        From the first of these depths on a region counts where cracks run along so much of its outline, so near to it.
        From the same cells: no sound one has such a region.
    spotted_depth, solid_depth : float
        Depths from which on a part at the rim counts in grainy cells too, and in full. From the same cells.
    least_inside_share : float
        In a grainy cell so much of a region must lie away from the rim.
    rim_mm, rim_length_share : float
        A region along an edge whose mean width is no more than the first, and that is as long as that share of the
        edge, is the rim's shading or a cell out of place. From the same cells, as seen by both readers.
    black_depth, black_rim_length_share : float
        From that mean depth on it must be so long: a rim fades.
    least_part, shade_depth : float
        Where a region is black in one part, so large a part at least, and no deeper than that in the rest, only the
        black part is its area: the rest is a shade of the wafer. Chosen on simulated panels; with larger values the
        shares of real cells move away from those that both readers estimated.
    narrowest_mm : float
        Dark stripes narrower than this are lines, not areas.
    half_area_fraction, smooth_half_area : float
        Wholly inactive share of the cell that gives a score of 0.5, in grainy and in smooth cells. Common practice, no
        source: half a per cent is seen at once, and between wires of half cells no piece is much larger.
    dim_share, half_dim_fraction : float
        Parts below that share of the expected luminance rank a cell even where they make no finding; so large a part
        gives half the threshold. From the tuning half of the free real cells.
    bright_quantile : float
        Quantile of a cell that counts as its full luminance: up to so much of it may be inactive.
    """

    threshold: float = 0.5
    rim_share: float = 0.6
    core_share: float = 0.4
    smooth_rim_share: float = 0.65
    smooth_core_share: float = 0.45
    smooth_texture: float = 0.04
    grainy_texture: float = 0.065
    texture_multiple: float = 3.0
    least_mean_depth: float = 0.4
    least_bounded_depth: float = 0.2
    least_bounded_share: float = 0.3
    bounded_mm: float = 2.5
    spotted_depth: float = 0.7
    solid_depth: float = 0.8
    least_inside_share: float = 0.25
    rim_mm: float = 5.8
    rim_length_share: float = 0.45
    black_depth: float = 0.9
    black_rim_length_share: float = 0.8
    least_part: float = 0.2
    shade_depth: float = 0.22
    narrowest_mm: float = 4.0
    half_area_fraction: float = 0.003
    smooth_half_area: float = 0.0012
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
class FingerInterruptionSettings:
    """How finger interruptions are looked for.

    Attributes
    ----------
    threshold : float
        Score from which a streak is a finding.
    half_evidence_mm : float
        Depth in multiples of the cell's texture, times length in mm, that gives a score of 0.5. Chosen for the best F1
        against the marks two readers made on the tuning half of the free real cells, mono and multi alike.
    speck_slenderness : tuple of float
        Length over width at half depth up to which a streak that ends free is a speck, and from which on it is none.
        Common practice, no source; in the same cells hardly a mark of both readers is stouter than the second.
    half_bundle_depth : float
        Depth (natural logarithm) that gives a bundle wider than a streak a score of 0.5. Common practice, no source: a
        tenth of the light is seen at once.
    least_length_mm, textured_length_mm, least_field_share : float
        Shortest streak in a smooth cell and among grains, which are as long; between wires that lie close, this share
        of the distance from wire to wire instead. Of 22 streaks below 12 mm that end free among grains of the same
        cells two were marked by both readers, 17 by neither.
    least_rim_length_mm, rim_mm : float
        Shortest streak that reaches the rim, and how near it comes: a finger is dark from where it broke to its end.
    least_contrast : float
        Depth (natural logarithm) a streak has to keep everywhere. From the same cells.
    texture_multiple : float
        And that in multiples of the cell's own texture.
    least_texture : float
        Added to the cell's texture: 0.3 % contrast is no streak even in a picture without noise.
    smooth_unevenness, textured_unevenness, smooth_demand, textured_demand : float
        Texture over noise up to which, and from which on, so much of the evidence is asked for: grains line up by
        chance, noise does not. From the same cells: mono 0.7 to 1.8, multi 1.0 to 10.
    usual_chance, chance_weight, chance_power, demand_bounds : float
        Share of a panel's streaks that are chance, by the number found across the fingers, at which the usual evidence
        is asked for; how many streaks that is taken for known beforehand; the power of the share over the usual one
        with which the demand grows, and between which multiples. From the same cells; less than 0.85 finds hardly
        more there, and more cells with many.
    clear_of_busbar_mm, least_clear_share : float
        Streaks across the fingers are looked for so far from every busbar, which is one itself, and not at all where
        wires leave less of the cell.
    most_findings : int
        Findings of one cell.
    """

    threshold: float = 0.5
    half_evidence_mm: float = 33.0
    speck_slenderness: tuple[float, float] = (1.4, 2.0)
    half_bundle_depth: float = 0.1
    least_length_mm: float = 8.0
    textured_length_mm: float = 12.0
    least_rim_length_mm: float = 5.0
    rim_mm: float = 2.5
    least_field_share: float = 0.6
    least_contrast: float = 0.011
    texture_multiple: float = 2.0
    least_texture: float = 0.003
    smooth_unevenness: float = 1.0
    textured_unevenness: float = 2.5
    smooth_demand: float = 0.6
    textured_demand: float = 1.8
    usual_chance: float = 0.2
    chance_weight: float = 10.0
    chance_power: float = 0.25
    demand_bounds: tuple[float, float] = (0.85, 1.6)
    clear_of_busbar_mm: float = 5.0
    least_clear_share: float = 0.3
    most_findings: int = 40


@dataclass(frozen=True, slots=True)
class SolderFaultSettings:
    """When a dark stretch along a busbar is a fault of its ribbon. Defaults: common practice, no source.

    Attributes
    ----------
    threshold : float
        Score from which a stretch is a finding.
    least_depth, least_depth_paired : float
        Depth (natural logarithm) under the surroundings of both neighbouring busbars, in one exposure and in a pair.
    least_pitches : float
        Shortest stretch between closely spaced wires, in multiples of their spacing: what is shorter is a stain.
    least_spread : float
        Spread of depths over the panel that is taken at least: smoother panels do not exist.
    lengths_mm : tuple of float
        Lengths that are tried: a pad, several, half a ribbon, a whole one.
    half_multiple, half_multiple_paired : float
        Depth in multiples of that spread that gives a score of 0.5: from one exposure, and from the ratio to one at low
        current, in which wafers have no pattern. The first from the tuning half of the free real cells: none that is
        labelled good reaches 2. The second from simulated pairs: no sound cell reaches 1.3.
    half_multiple_joint : float
        The same for a whole busbar, from one exposure: wafers have no pattern that long. On the tuning half no cell, of
        whatever label and at whatever place, reaches 1.7 over a whole busbar.
    """

    threshold: float = 0.5
    least_depth: float = 0.025
    least_depth_paired: float = 0.012
    least_pitches: float = 1.4
    least_spread: float = 0.004
    lengths_mm: tuple[float, ...] = (12.0, 20.0, 35.0, 60.0, 200.0)
    half_multiple: float = 2.6
    half_multiple_paired: float = 2.6
    half_multiple_joint: float = 2.3


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
    sharp_texture_multiple, stain_sharpness : float
        The same for one whose border is sharp: at two thirds of that depth it still fills that share of what is dark
        there. Chosen on simulated stains beside clouds of the wafer.
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
    sharp_texture_multiple: float = 4.0
    stain_sharpness: float = 0.75
    stain_area_mm2: float = 40.0
    stain_ratio: float = 3.0
    stain_solidity: float = 0.85
    blackest_share: float = 0.4
    ring_likeness: float = 0.4
    ring_depth: float = 0.006
