"""From starved strings to findings of one kind: what the detectors of circuit states share."""

from collections.abc import Sequence

import numpy as np

from elinspect.catalogue import Value
from elinspect.detectors.current import Starved, StringLight, starved, state_score, string_light
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
    if kind is Kind.BRIDGED_STRING:
        # Below the threshold a string that is a little dim is most likely a little bridged.
        dim = np.array([state_score(float(share), settings) for share in light.remaining], np.float32)
        dim = np.minimum(dim, np.float32(0.99 * settings.threshold)).repeat(layout.cells_per_string)
        scores = np.maximum(scores, dim)
    return Detection(kind, read_only(scores), tuple(findings))


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
    return Detection(detection.kind, detection.cell_scores, kept)
