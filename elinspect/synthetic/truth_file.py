"""A simulated panel as files: the picture, and its truth as JSON beside it.

The truth file ``<stem>.truth.json`` holds ``schema`` (``elinspect.truth/1``), the ``image`` (file name, ``width_px``,
``height_px``, ``bit_depth``), the ``recipe`` (name, version), ``layout``, the ``orientation`` that brings the stored
picture to the gate view (``rotation_deg`` clockwise, then ``mirrored``), ``camera`` (the settings by name),
``panel_corners_px``, ``file_from_plane`` (homography from mm of the gate view to file pixels), ``turned_strings``,
``cells`` (``string``, ``position``, ``corners_px``) and ``defects`` (``kind``, ``string``, ``position``,
``outlines_px``, ``paths_px``, ``contrast``, ``length_mm``, ``area_fraction``, ``mode``, ``step``, ``line``,
``caused_by``, ``dim_fraction``), and ``patterns``, with the same keys: what is seen on cells and is no defect;
``low_current`` (``file``, ``current`` as a share of the full one) where there is such a picture, ``tiles`` (``file``,
``left``, ``top``) where the panel was taken in several exposures, and ``overlaid`` (``what``, ``outline_px``), what
lies over the panel. Points are
(x, y) of the stored file, x right, y down, (0, 0) the centre of the top left pixel; corners of a cell run from the top
left, clockwise *as the gate view shows it*. What does not apply is null.
"""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from elinspect.errors import told_as
from elinspect.frames import address_of
from elinspect.records import Points
from elinspect.synthetic.panel import SimulatedPanel
from elinspect.synthetic.sensor import Picture, dark_frame, flat_field
from elinspect.synthetic.truth import TrueDefect
from elinspect.vision import cv2

TRUTH_SCHEMA = "elinspect.truth/1"


def write_panel(folder: Path, stem: str, panel: SimulatedPanel, suffix: str = ".png") -> Path:
    """Write a panel's picture and its truth.

    Parameters
    ----------
    folder : Path
        Where to; made if it is missing.
    stem : str
        File name without its ending. What must not stand in a file name is replaced by ``_``.
    panel : SimulatedPanel
        What to write.
    suffix : {'.png', '.tif'}
        Format; 12 and 16 bits are stored in 16.

    Returns
    -------
    Path
        The picture; the truth lies beside it as ``<stem>.truth.json``, a picture at low current as
        ``<stem>.low.png``, single exposures as ``<stem>.tile0.png`` and so on.

    Raises
    ------
    ElinspectError
        If the files cannot be written.
    """
    name = _file_stem(stem)
    picture = folder / f"{name}{suffix}"
    with told_as("command.not_written", file=str(picture)):
        folder.mkdir(parents=True, exist_ok=True)
        truth = truth_of(panel, picture.name)
        picture.write_bytes(_encoded(panel.picture, suffix))
        if panel.low_picture is not None:
            (folder / truth["low_current"]["file"]).write_bytes(_encoded(panel.low_picture, suffix))
        for tile, of_tile in zip(panel.tiles, truth["tiles"], strict=True):
            (folder / of_tile["file"]).write_bytes(_encoded(tile.picture, suffix))
        text = json.dumps(truth, separators=(",", ":"), allow_nan=False)
        (folder / f"{name}.truth.json").write_text(text + "\n", encoding="utf-8")
    return picture


def write_frames(folder: Path, stem: str, panel: SimulatedPanel, count: int, rng: np.random.Generator) -> None:
    """Write pictures that the panel's camera takes without light and of an even one, for a camera file.

    They lie in ``<stem>.dark`` and ``<stem>.flat``, numbered from 0.

    Parameters
    ----------
    folder, stem : Path, str
        As `write_panel`.
    panel : SimulatedPanel
        Whose camera.
    count : int
        Of each.
    rng : numpy.random.Generator
        Noise.

    Raises
    ------
    ElinspectError
        If the files cannot be written.
    """
    if count < 1:
        return
    for kind, taken in (("dark", dark_frame), ("flat", flat_field)):
        own = folder / f"{_file_stem(stem)}.{kind}"
        with told_as("command.not_written", file=str(own)):
            own.mkdir(parents=True, exist_ok=True)
            for number in range(count):
                frame = taken(panel.camera, panel.picture.shape, rng)
                (own / f"{number:02d}.png").write_bytes(_encoded(frame, ".png"))


def _file_stem(stem: str) -> str:
    """Replace what must not stand in a file name."""
    return "".join(mark if mark.isalnum() or mark in "-_." else "_" for mark in stem).lstrip(".") or "_"


def truth_of(panel: SimulatedPanel, file_name: str) -> dict[str, Any]:
    """Return the truth as plain values; keys as described at the top of this module."""
    height, width = panel.picture.shape
    layout = panel.recipe.layout
    addresses = [address_of(layout, index) for index in range(layout.n_cells)]
    camera = asdict(panel.camera)
    del camera["orientation"]
    return {
        "schema": TRUTH_SCHEMA,
        "image": {"file": file_name, "width_px": width, "height_px": height, "bit_depth": panel.camera.bit_depth},
        "recipe": {"name": panel.recipe.name, "version": panel.recipe.version},
        "layout": str(layout),
        "orientation": asdict(panel.orientation),
        "camera": camera,
        "panel_corners_px": _plain(panel.panel_corners_px),
        "file_from_plane": panel.file_from_plane.tolist(),
        "turned_strings": [string + 1 for string, turned in enumerate(panel.turned) if turned],
        "cells": [
            {"string": at.string, "position": at.position, "corners_px": _plain(corners)}
            for at, corners in zip(addresses, panel.corners_px, strict=True)
        ],
        "defects": [_defect(defect) for defect in panel.defects],
        "patterns": [_defect(pattern) for pattern in panel.patterns],
        "low_current": None
        if panel.low_picture is None
        else {"file": _beside(file_name, "low"), "current": panel.low_current},
        "tiles": [
            {"file": _beside(file_name, f"tile{number}"), "left": tile.left, "top": tile.top}
            for number, tile in enumerate(panel.tiles)
        ],
        "overlaid": [{"what": one.what, "outline_px": _plain(one.outline)} for one in panel.overlaid],
    }


def _beside(file_name: str, what: str) -> str:
    path = Path(file_name)
    return f"{path.stem}.{what}{path.suffix}"


def _encoded(picture: Picture, suffix: str) -> bytes:
    if suffix not in (".png", ".tif"):
        raise ValueError(f"suffix must be .png or .tif, not {suffix}")
    # Noise does not compress: the lowest level is three times as fast and hardly larger.
    options = [cv2.IMWRITE_PNG_COMPRESSION, 1] if suffix == ".png" else []
    done, coded = cv2.imencode(suffix, picture, options)
    assert done
    return coded.tobytes()


def _plain(points: Points) -> list[list[float]]:
    listed: list[list[float]] = np.round(points, 3).tolist()
    return listed


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 5)


def _defect(defect: TrueDefect) -> dict[str, Any]:
    return {
        "kind": defect.kind.value,
        "string": defect.string,
        "position": defect.position,
        "outlines_px": [_plain(outline) for outline in defect.outlines_px],
        "paths_px": [_plain(path) for path in defect.paths_px],
        "contrast": _rounded(defect.contrast),
        "length_mm": _rounded(defect.length_mm),
        "area_fraction": _rounded(defect.area_fraction),
        "mode": None if defect.mode is None else defect.mode.value,
        "step": _rounded(defect.step),
        "line": _rounded(defect.line),
        "caused_by": defect.caused_by,
        "dim_fraction": _rounded(defect.dim_fraction),
    }
