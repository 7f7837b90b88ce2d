"""What lines and steps are worth once they are followed to the pixel, each by itself and together."""

import numpy as np

from elinspect.detectors.crack_shape import CrackLine, share_beside
from elinspect.settings import CrackSettings

_FAINT = 0.3
"""A line without the contrast asked for still ranks its cell by so much of what the filters say, and by no more."""

_MOST_WANDERING = 0.5

_SAME_PX, _BESIDE_PX = 4.0, 6.0

Scored = tuple[float, CrackLine]
"""What a line is worth (1: a score of 0.5), and the line."""


def line_worth(line: CrackLine, mm_per_px: float, settings: CrackSettings) -> float:
    """Return how much more than a usual grain boundary a line looks like a crack: deeper, longer, straighter, no gaps.

    Parameters
    ----------
    line : CrackLine
        Followed to the pixel.
    mm_per_px : float
        Scale of its points.
    settings : CrackSettings
        What is usual, and the powers.

    Returns
    -------
    float
        Factor; 1 for the usual line.
    """
    deep = _within_bounds(line.contrast / settings.usual_contrast, 0.1, 4.0) ** settings.contrast_power
    long = _within_bounds(line.length * mm_per_px / settings.usual_length_mm, 0.1, 4.0) ** settings.length_power
    steady = (0.3 + 0.7 * _within_bounds(line.steadiness, 0.0, 1.0)) ** settings.steadiness_power
    straight = np.exp(settings.wandering_fall * (settings.usual_wandering - min(line.wandering, _MOST_WANDERING)))
    return float(deep * long * steady * straight)


def step_worth(height: float, settings: CrackSettings) -> float:
    """Return how much higher than usual a step is (natural logarithm), as a factor."""
    return float(_within_bounds(height / settings.usual_step, 0.1, 4.0) ** settings.step_power)


def _within_bounds(value: float, least: float, most: float) -> float:
    return min(max(value, least), most)


def together_of(parts: list[float]) -> float:
    """Return what the looks of a crack are worth together: the root of the sum of squares."""
    return float(np.linalg.norm(np.maximum(parts, 0)))


def sorted_out(followed: list[Scored], clear: list[float]) -> tuple[list[Scored], float]:
    """Split lines into those with the contrast asked for and the best part, in proportion, of the others.

    Parameters
    ----------
    followed : list of (float, CrackLine)
        Lines and what they are worth.
    clear : list of float
        Contrast of each over the one asked for.
    """
    kept = [scored for scored, share in zip(followed, clear, strict=True) if share >= 1.0]
    weak = [part * max(share, _FAINT) for (part, _), share in zip(followed, clear, strict=True) if share < 1.0]
    return kept, max(weak, default=0.0)


def worth_least(found: list[Scored], weak: float, least: float) -> tuple[list[Scored], float]:
    """Keep what can be a finding, and say what the best of all others (`weak` among them) is worth."""
    kept = [scored for scored in found if in_all(scored) >= least]
    return kept, max([weak, *(scored[0] for scored in found if in_all(scored) < least)])


def of_trace(total: float, whole: float, grainy: float) -> tuple[float, float]:
    """Return what a path is worth for the rank of its cell, and how much more among the lines of its cell.

    There all of its trace counts. For the rank it does not in grainy cells: grains line up by chance, the more the
    longer the trace.

    Parameters
    ----------
    total, whole : float
        What the path collected in the steps that the search looks ahead, and in all of its trace.
    grainy : float
        0 for a cell that shows nothing but noise, 1 for one full of grains.
    """
    ranked = whole + grainy * (total - whole)
    return ranked, whole / ranked


def in_all(scored: Scored) -> float:
    """Return what a line is worth among the lines of its cell, where all of its trace counts."""
    return scored[0] * scored[1].longer


def each_once(found: list[Scored]) -> list[Scored]:
    """Leave lines out that run along a stronger one: the search found the same line again a little off."""
    kept: list[Scored] = []
    for scored in sorted(found, key=lambda scored: -scored[0] * scored[1].length):
        if not any(share_beside(scored[1].points, other.points, _SAME_PX) > 0.5 for _, other in kept):
            kept.append(scored)
    return kept


def is_foot(line: Scored, steps: list[Scored]) -> bool:
    """Whether a line is the foot of a step far higher than the line is deep."""
    return is_beside(
        line[1], [step for step in steps if step[0] >= line[0] and step[1].contrast > 4 * line[1].contrast]
    )


def is_beside(line: CrackLine, others: list[Scored]) -> bool:
    """Whether a line runs along one of the others."""
    return any(share_beside(line.points, other.points, _BESIDE_PX) > 0.5 for _, other in others)
