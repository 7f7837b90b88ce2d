"""How often chance makes a streak: fingers run one way, so what is found across them is none, and says how often."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.flat import streaks_of
from elinspect.detectors.sisters import only
from elinspect.detectors.spread import from_both_ends
from elinspect.detectors.streaks import fields_of
from elinspect.records import Finding, Layout, PanelView
from elinspect.settings import FingerInterruptionSettings

_Search = Callable[[PanelView, FingerInterruptionSettings], list[list[Finding]]]


def demand_of(
    view: PanelView, found: Sequence[Sequence[Finding]], search: _Search, settings: FingerInterruptionSettings
) -> float:
    """Return how much evidence streaks of this panel need, as a multiple of the usual.

    Grains, stains and cracks make streaks by chance, as many across the fingers as along them; broken fingers run along
    only. Where most streaks are chance, more is asked for; where hardly any is, less.

    Parameters
    ----------
    view : PanelView
        The panel.
    found : sequence of sequence of Finding
        Streaks along the fingers, by cell, with the usual demand.
    search : callable
        What found them; it is run again on some cells with rows and columns changed.
    settings : FingerInterruptionSettings
        How the demand follows from the share.
    """
    real = sum(_count(streaks, settings) for streaks, judged in zip(found, view.judged, strict=True) if judged)
    cells = _some(view.pictures.grid.layout)
    cells = cells[view.judged[cells]]
    if not real or not cells.size or not _hangs_on_it(found, settings):
        return 1.0
    across = _turned(view, cells)
    clear = _clear_of_busbars(view, settings.clear_of_busbar_mm)
    places = len(view.flat) * len(fields_of(view)) * view.inside.any(axis=0).sum()
    places_across = len(cells) * len(fields_of(across)) * clear.sum()
    if not places_across or places_across < settings.least_clear_share * places * len(cells) / len(view.flat):
        return 1.0
    scale = across.inside.shape[1] / across.pictures.full_current.shape[2]
    by_chance = 0
    for streaks in search(across, settings):
        columns = [round((float(one.outline[0, 1]) + 0.5) * scale - 0.5) for one in streaks]
        by_chance += _count([one for one, column in zip(streaks, columns, strict=True) if clear[column]], settings)
    weight = settings.chance_weight
    usual = settings.usual_chance
    share = (by_chance * places / places_across + usual * weight) / (real + weight)
    return float(np.clip((share / usual) ** settings.chance_power, *settings.demand_bounds))


def _hangs_on_it(found: Sequence[Sequence[Finding]], settings: FingerInterruptionSettings) -> bool:
    """Whether any streak is a finding with the least demand and none with the greatest."""
    least, most = (bound / (bound + 1 / settings.threshold - 1) for bound in settings.demand_bounds)
    return any(least <= one.score < most for streaks in found for one in streaks)


def _count(streaks: Sequence[Finding], settings: FingerInterruptionSettings) -> int:
    return sum(one.score >= settings.threshold for one in streaks)


def _turned(view: PanelView, cells: NDArray[np.intp]) -> PanelView:
    """Return some cells with rows and columns changed.

    They have busbars where the panel has them, so that streaks may be as long.
    """
    part = only(view, cells)
    inside = np.ascontiguousarray(view.inside.T)
    flat = np.ascontiguousarray(part.flat.transpose(0, 2, 1))
    bars = np.ones(len(inside), np.bool_)
    common = min(len(inside), len(view.busbar_rows))
    bars[:common] = view.busbar_rows[:common]
    return replace(part, flat=flat, inside=inside, busbar_rows=bars, streaks=streaks_of(flat * inside, inside))


def _some(layout: Layout) -> NDArray[np.intp]:
    """About every fourth cell, the same ones of a panel that is mirrored."""
    strings = np.flatnonzero(from_both_ends(layout.strings_per_block, 2))
    strings = (np.arange(layout.blocks)[:, None] * layout.strings_per_block + strings).ravel()
    positions = np.flatnonzero(from_both_ends(layout.cells_per_string, 3))
    return np.asarray((strings[:, None] * layout.cells_per_string + positions).ravel())


def _clear_of_busbars(view: PanelView, clear_mm: float) -> NDArray[np.bool_]:
    """Rows of the panel, which are the columns of the turned cells, in which no busbar is mistaken for a streak."""
    rows = np.asarray(view.inside.any(axis=1))
    bars = np.flatnonzero(view.busbar_rows)
    if not bars.size:
        return rows
    away = np.abs(np.arange(len(rows))[:, None] - bars).min(axis=1) * view.mm_per_px
    return np.asarray(rows & (away > clear_mm))
