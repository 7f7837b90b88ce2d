"""Cells that give no light of their own while their string carries current: put in the wrong way round, or shorted.

A cell in reverse blocks the current up to its breakdown voltage, so the supply shows several volts more than usual; a
shorted cell takes a cell's voltage away. Without a voltage the picture alone cannot tell the two, and says so.
"""

import numpy as np

from elinspect.catalogue import Value
from elinspect.detectors.current import starved, string_light
from elinspect.records import Detection, Finding, Kind, PanelView, read_only
from elinspect.settings import CircuitSettings

_UNKNOWN, _SURE, _SHORTED = 0.6, 0.95, 0.3


def detect(view: PanelView, settings: CircuitSettings) -> Detection:
    """Find black cells in strings that carry current.

    Returns
    -------
    Detection
        Scores say how black a cell is; a voltage that is known raises or lowers them.
    """
    layout = view.pictures.grid.layout
    shares = string_light(view, settings).cells.ravel()
    taken = {cell for state in starved(view, settings) for cell in state.cells}
    candidate = np.array([cell not in taken for cell in range(layout.n_cells)]) & view.judged
    # Alone, a cell shows nothing that says that a current flows.
    if layout.n_cells == 1:
        candidate[:] = False
    surplus = view.circuit.voltage_surplus_cells
    top = _UNKNOWN if surplus is None else _SURE if surplus >= settings.reverse_cells else _SHORTED
    half = settings.threshold / top if top > settings.threshold else 0.5
    blackness = (settings.black_share / np.maximum(shares, 1e-6)) ** 2
    scores = np.where(candidate, top * blackness / (blackness + (1 - half) / half), 0.0)
    measured: dict[str, Value] = {} if surplus is None else {"voltage_surplus_cells": round(surplus, 1)}
    rows, columns = view.pictures.full_current.shape[1:]
    outline = np.array([[0, 0], [0, columns - 1], [rows - 1, columns - 1], [rows - 1, 0]], dtype=np.float64)
    findings = tuple(
        Finding(
            Kind.REVERSED_CELL,
            int(cell),
            float(scores[cell]),
            outline,
            measurements={"own_light": round(float(shares[cell]), 3), **measured},
        )
        for cell in np.flatnonzero(scores >= settings.threshold)
    )
    return Detection(Kind.REVERSED_CELL, read_only(scores.astype(np.float32)), findings, seen=layout.n_cells > 1)
