"""From starved strings to findings of one kind: what the detectors of circuit states share."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from elinspect.catalogue import Value
from elinspect.circuit import partners_of
from elinspect.detectors.current import Starved, StringLight, starved, state_score, string_light
from elinspect.detectors.nearness import near
from elinspect.records import Detection, Finding, Kind, PanelView, read_only
from elinspect.settings import CircuitSettings


def detection_of(kind: Kind, view: PanelView, settings: CircuitSettings) -> Detection:
    """Return what is starved in the way of one kind; cells of a string share its score."""
    layout = view.pictures.grid.layout
    light = string_light(view, settings)
    scores = np.zeros(layout.n_cells, np.float32)
    findings = []
    for state in starved(view, settings):
        if state.kind is kind:
            score = state_score(state.remaining, settings)
            scores[list(state.cells)] = score
            if score >= settings.threshold:
                findings.append(_finding(state, view, score, _usual(state, view, light, settings)))
    return Detection(kind, read_only(scores), tuple(findings), _NEARNESS[kind](view, light, settings))


def _near_bridged(view: PanelView, light: StringLight, settings: CircuitSettings) -> NDArray[np.float32]:
    """A string that is a little dim is most likely a little bridged, and so are cells in a row within it."""
    whole = _missing(light.remaining, settings).repeat(view.pictures.grid.layout.cells_per_string)
    return np.maximum(whole, _missing_in_rows(light.cells, settings).ravel())


def _near_dark(view: PanelView, light: StringLight, settings: CircuitSettings) -> NDArray[np.float32]:
    """A string that is a little dim and whose parallel partner is brighter for it; 0 for one without a partner."""
    branches = view.circuit.branches
    others = max(len({branch.circuit for branch in branches}) - 1, 1)
    nearness = _missing(light.remaining, settings)
    for string in range(1, len(nearness) + 1):
        partners = np.array(partners_of(branches, string), np.intp) - 1
        surplus = float(np.median(light.remaining[partners])) - 1 if len(partners) else 0.0
        asked = settings.surplus_share * max(1 - float(light.remaining[string - 1]), 1e-6) / others
        nearness[string - 1] *= min(max(surplus / asked, 0), 1)
    return nearness.repeat(view.pictures.grid.layout.cells_per_string)


def _near_open(view: PanelView, light: StringLight, settings: CircuitSettings) -> NDArray[np.float32]:
    """Light that a circuit lacks against the others, or current that the supply lacks; 0 where neither is known."""
    n = view.pictures.grid.layout.cells_per_string
    nearness = np.zeros(len(light.remaining), np.float32)
    circuits = {branch.circuit for branch in view.circuit.branches}
    for circuit in circuits if len(circuits) > 1 else ():
        own = [string - 1 for branch in view.circuit.branches if branch.circuit == circuit for string in branch.strings]
        nearness[own] = _missing(np.median(light.remaining[own], keepdims=True), settings)
    share = view.circuit.current_share
    if share is not None:
        nearness = np.maximum(nearness, np.float32(min(settings.least_current / max(share, settings.least_current), 1)))
    return nearness.repeat(n)


_NEARNESS = {Kind.BRIDGED_STRING: _near_bridged, Kind.DARK_STRING: _near_dark, Kind.OPEN_CIRCUIT: _near_open}


def _missing(remaining: NDArray[np.float64], settings: CircuitSettings) -> NDArray[np.float32]:
    return near(np.array([state_score(float(share), settings) for share in remaining]), settings.threshold)


def _missing_in_rows(shares: NDArray[np.float64], settings: CircuitSettings) -> NDArray[np.float32]:
    """How near each cell comes to a bridged part: by the brightest of the darkest few cells in a row it belongs to."""
    size, columns = settings.shortest_part, shares.shape[1]
    if columns < size:
        return np.zeros(shares.shape, np.float32)
    brightest = np.lib.stride_tricks.sliding_window_view(shares, size, axis=1).max(axis=2)
    lit = np.ones_like(shares)
    for offset in range(size):
        part = lit[:, offset : offset + brightest.shape[1]]
        np.minimum(part, brightest, out=part)
    return near((1 - lit) ** 2, (1 - settings.part_share) ** 2)


def _usual(state: Starved, view: PanelView, light: StringLight, settings: CircuitSettings) -> float:
    """Return the counts of the other strings with the same current; of the usual one where none of them is lit."""
    n = view.pictures.grid.layout.cells_per_string
    own = {cell // n + 1 for cell in state.cells}
    same = {string for branch in view.circuit.branches if own & set(branch.strings) for string in branch.strings}
    lit = [string - 1 for string in same - own if light.remaining[string - 1] >= settings.dark_share]
    return float(np.median(view.luminance.reshape(-1, n)[lit])) if lit else light.usual


def _finding(state: Starved, view: PanelView, score: float, usual: float) -> Finding:
    n = view.pictures.grid.layout.cells_per_string
    rows, columns = view.pictures.full_current.shape[1:]
    outline = np.array([[0, 0], [0, columns - 1], [rows - 1, columns - 1], [rows - 1, 0]], dtype=np.float64)
    # What is seen in the picture, stray light included, is what a person can check; the cells' own light decided.
    seen = max(float(np.median(view.luminance[list(state.cells)])) / usual, 0.0)
    measured: dict[str, Value] = {
        "relative_luminance": round(seen, 3),
        "own_light": round(state.remaining, 3),
        "cells": len(state.cells),
    }
    if state.partner is not None:
        measured["partner_luminance"] = round(state.partner, 3)
    if len(state.cells) < n:
        measured.update(first_position=state.cells[0] % n + 1, last_position=state.cells[-1] % n + 1)
    if view.circuit.voltage_surplus_cells is not None:
        measured["voltage_surplus_cells"] = round(view.circuit.voltage_surplus_cells, 1)
    if view.circuit.current_share is not None:
        measured["current_share"] = round(view.circuit.current_share, 3)
    return Finding(state.kind, state.cells[0], score, outline, measurements=measured, cells=state.cells)


def not_among_starved(detection: Detection, states: Sequence[Detection]) -> Detection:
    """Leave out findings about single cells whose whole string, circuit or own current is what is wrong."""
    covered = {cell for state in states for finding in state.findings for cell in (finding.cells or (finding.cell,))}
    kept = tuple(finding for finding in detection.findings if finding.cell not in covered)
    return replace(detection, findings=kept)
