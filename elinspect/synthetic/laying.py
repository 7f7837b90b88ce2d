"""Defects laid on a cell's network: which conductors each of them breaks."""

import math

import numpy as np
from numpy.typing import NDArray

from elinspect.records import Points
from elinspect.synthetic.defects import (
    BussingJointFault,
    Crack,
    FingerInterruption,
    InactiveArea,
    ShuntedCell,
    SolderFault,
)
from elinspect.synthetic.network import CellNetwork, Conducting
from elinspect.synthetic.wandering import path_points
from elinspect.vision import cv2

_SAMPLE_MM = 0.1
_NARROWEST = 0.003, 0.3
"""What a torn finger that still touches conducts, over what a millimetre of it does: 0.1 to 10 ohms."""


def lay_crack(network: CellNetwork, conducting: Conducting, crack: Crack, rng: np.random.Generator) -> None:
    """Cut the emitter along a crack, and as many of the fingers it crosses as it severs."""
    left = _finger_shares(network, crack, rng)
    for path in crack.paths:
        across, along = _crossed(network, path_points(path, network.cell.along_mm, network.cell.across_mm))
        conducting.emitter_across[across] = 0.0
        conducting.emitter_along[along] = 0.0
        conducting.finger[across] = np.minimum(conducting.finger[across], left[across[1]])


def lay_fingers(network: CellNetwork, conducting: Conducting, broken: FingerInterruption) -> None:
    """Break neighbouring fingers at one height."""
    row, columns = finger_place(network, broken)
    # What is left is a resistance: at a half severed finger that of its own length from busbar to busbar.
    nodes = network.rows / max(len(network.busbar_rows), 1)
    left = 0.0 if broken.severed == 1 else 1 / (1 + nodes * broken.severed / (1 - broken.severed))
    conducting.finger[row, columns] *= left


def finger_place(network: CellNetwork, broken: FingerInterruption) -> tuple[int, slice]:
    """Return the row of edges and the columns where fingers are broken."""
    first = int(np.argmin(np.abs(network.x_mm - broken.place.u * network.cell.along_mm)))
    edges = (network.y_mm[1:] + network.y_mm[:-1]) / 2
    row = int(np.argmin(np.abs(edges - broken.place.v * network.cell.across_mm)))
    return row, slice(first, min(first + broken.fingers, network.columns))


def lay_area(network: CellNetwork, conducting: Conducting, area: InactiveArea) -> NDArray[np.bool_]:
    """Cut a piece off all around; returns its nodes."""
    outline = path_points(area.outline, network.cell.along_mm, network.cell.across_mm)
    inside = nodes_inside(network, outline)
    conducting.finger[inside[1:] != inside[:-1]] = 0.0
    conducting.emitter_across[inside[1:] != inside[:-1]] = 0.0
    conducting.emitter_along[inside[:, 1:] != inside[:, :-1]] = 0.0
    conducting.joint[inside[network.busbar_rows]] = 0.0
    return inside


def nodes_inside(network: CellNetwork, outline_mm: Points) -> NDArray[np.bool_]:
    """Return the nodes inside a polygon."""
    at = (outline_mm - (network.x_mm[0], network.y_mm[0])) / (
        network.x_mm[1] - network.x_mm[0], network.y_mm[1] - network.y_mm[0]
    )  # fmt: skip
    ink = np.zeros(network.shape, np.uint8)
    cv2.fillPoly(ink, [np.round(at * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
    return ink > 0


def lay_solder_fault(network: CellNetwork, conducting: Conducting, fault: SolderFault) -> None:
    """Take a stretch of a ribbon off its busbar.

    Raises
    ------
    ValueError
        If the cell has no such busbar.
    """
    bars = len(network.busbar_rows)
    if not 1 <= fault.busbar <= bars:
        raise ValueError(f"busbar must lie in 1..{bars}, not {fault.busbar}")
    share = network.x_mm / network.cell.along_mm
    conducting.joint[fault.busbar - 1, (share >= fault.start) & (share <= fault.end)] = 0.0


def lay_bussing_fault(network: CellNetwork, conducting: Conducting, fault: BussingJointFault) -> None:
    """Take a ribbon off the bussing ribbon.

    Raises
    ------
    ValueError
        If the cell has no such ribbon.
    """
    bars = len(network.busbar_rows)
    if not 1 <= fault.ribbon <= bars:
        raise ValueError(f"ribbon must lie in 1..{bars}, not {fault.ribbon}")
    conducting.ribbon[fault.ribbon - 1] = 0.0


def lay_shunt(network: CellNetwork, conducting: Conducting, shunted: ShuntedCell) -> None:
    """Put a resistance across the junction at one place."""
    row = int(np.argmin(np.abs(network.y_mm - shunted.place.v * network.cell.across_mm)))
    column = int(np.argmin(np.abs(network.x_mm - shunted.place.u * network.cell.along_mm)))
    conducting.shunt_s[row, column] += 1 / shunted.ohm


def _finger_shares(network: CellNetwork, crack: Crack, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return what each finger still conducts where the crack crosses it, shape (columns,): neighbours are alike."""
    alike = cv2.GaussianBlur(rng.standard_normal((1, network.columns)), (0, 0), 1.2)[0]
    rank = _rank(alike)
    low, high = (math.log(value) for value in _NARROWEST)
    if crack.alike_mm > 0:
        pitch = network.cell.along_mm / network.columns
        own, touch = (_wave(rng, network.columns, crack.alike_mm / pitch) for _ in range(2))
        usual, spread = rng.uniform(low, high), rng.uniform(0.2, 1.0)
        left = np.where(_rank(touch) < crack.touching, np.exp(np.clip(usual + spread * own, low, high)), 0.0)
        return np.where(rank < crack.severed, left, 1.0)
    left = np.where(rng.random(network.columns) < crack.touching, np.exp(rng.uniform(low, high, network.columns)), 0.0)
    return np.where(rank < crack.severed, left, 1.0)


def _rank(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.argsort(np.argsort(values)) / len(values), np.float64)


def _wave(rng: np.random.Generator, count: int, scale: float) -> NDArray[np.float64]:
    """Return noise of about unit spread that changes over `scale` places, shape (count,)."""
    smooth = cv2.GaussianBlur(rng.standard_normal((1, count)), (0, 0), max(scale / 2, 0.3))[0]
    return np.asarray(smooth / max(float(smooth.std()), 1e-6), np.float64)


def _crossed(
    network: CellNetwork, line_mm: Points
) -> tuple[tuple[NDArray[np.intp], NDArray[np.intp]], tuple[NDArray[np.intp], NDArray[np.intp]]]:
    """Return the edges a line crosses: those along fingers, and those from finger to finger, as (rows, columns)."""
    reach = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line_mm, axis=0).T))])
    at = np.linspace(0, reach[-1], max(2, math.ceil(reach[-1] / _SAMPLE_MM)))
    x, y = (np.interp(at, reach, line_mm[:, axis]) for axis in (0, 1))
    # Between which nodes the line is; from one sample to the next it changes by one at most.
    column = np.floor((x - network.x_mm[0]) / (network.x_mm[1] - network.x_mm[0])).astype(np.intp)
    row = np.floor((y - network.y_mm[0]) / (network.y_mm[1] - network.y_mm[0])).astype(np.intp)
    past_finger = np.flatnonzero(np.diff(column))
    past_row = np.flatnonzero(np.diff(row))
    rows, columns = network.shape
    finger = row[past_finger], np.maximum(column[past_finger], column[past_finger + 1])
    # Where both change within one sample, the line is taken to pass the finger first: the cut has no leak.
    beside = np.maximum(row[past_row], row[past_row + 1]), column[past_row + 1]
    on = (finger[0] >= 0) & (finger[0] < rows - 1) & (finger[1] >= 0) & (finger[1] < columns)
    by = (beside[0] >= 0) & (beside[0] < rows) & (beside[1] >= 0) & (beside[1] < columns - 1)
    return (finger[0][on], finger[1][on]), (beside[0][by], beside[1][by])
