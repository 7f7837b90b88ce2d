"""Time to read, correct and judge a 21.6 MP 16-bit exposure, beside the floor and OpenCV's own decoding."""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from elinspect.errors import ImageFileError
from elinspect.geometry import cut_cells
from elinspect.imaging import Camera, Lens, TileSetup, assess, blank_reason, read_image, set_scene
from elinspect.recipe import CellFormat, Product, ProductRecipe, QualityLimits
from elinspect.records import CellGrid, CellPictures, Exposures, Layout, Orientation, Tile
from elinspect.settings import GeometrySettings
from elinspect.vision import cv2

ROUNDS = 3


def timed(name: str, work: Callable[[], object]) -> None:
    best = min(_once(work) for _ in range(ROUNDS))
    print(f"{name:44s} {best * 1000:8.1f} ms")


def _once(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def main() -> None:
    layout, cell, gap, margin = Layout(1, 6, 10), 560, 6, 150
    rng = np.random.default_rng(0)
    picture = np.full((3600, 6000), 300, np.float32)
    quads = []
    for row in range(6):
        for column in range(10):
            top, left = margin + row * (cell + gap) - 50, margin + column * (cell + gap)
            picture[top : top + cell, left : left + cell] = rng.uniform(15000, 25000)
            quads.append([(left, top), (left + cell, top), (left + cell, top + cell), (left, top + cell)])
    stored = np.clip(cv2.GaussianBlur(picture, (0, 0), 1.0) + rng.normal(0, 150, picture.shape), 0, 65535).astype(
        np.uint16
    )
    corners = np.array(quads, np.float64) - 0.5
    outline = np.array([corners[0, 0], corners[9, 1], corners[59, 2], corners[50, 3]])
    grid = CellGrid(layout, Orientation(), corners, outline, 1.0)
    pictures = CellPictures(
        grid,
        np.zeros((60, 300, 300), np.float32),
        None,
        np.tile(np.eye(3), (60, 1, 1)),
        0.52,
        True,
        65535.0,
        np.zeros(60, np.intp),
        (None,),
        np.zeros(60, np.bool_),
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "panel.png"
        cv2.imwrite(str(path), stored)
        timed("OpenCV decodes the PNG", lambda: cv2.imread(str(path), cv2.IMREAD_UNCHANGED))
        timed("read_image", lambda: read_image(path))
        image = read_image(path)
        timed("blank_reason", lambda: blank_reason(image))
        timed("assess", lambda: assess(Exposures((image,)), (Tile(image),), pictures, QualityLimits()))
        print(assess(Exposures((image,)), (Tile(image),), pictures, QualityLimits()))
        timed("floor: read, warp, Gaussians, black-hat", lambda: _floor(path))
        dark = rng.normal(300, 3, picture.shape).astype(np.float32)
        flat = np.linspace(0.6, 1.1, picture.size, dtype=np.float32).reshape(picture.shape)
        bad = rng.integers(0, 3600, (2000, 2)).astype(np.int32)
        product = Product(ProductRecipe("bench", "1", layout, CellFormat(156.0, 156.0)))
        alone = Exposures((image,))
        for name, k1 in (("no lens", None), ("lens of 2 %", -0.06), ("lens of 10 %", -0.3)):
            lens = None if k1 is None else _lens(k1)
            setup = TileSetup(Camera("gate", "", 6000, 3600, dark, flat, bad, lens))
            timed(f"set_scene: dark, flat, bad pixels, {name}", lambda setup=setup: set_scene(alone, [setup]))
            scene = set_scene(alone, [setup])
            timed(f"cut_cells, {name}", lambda tiles=scene.tiles: cut_cells(tiles, grid, product, GeometrySettings()))
        shot = Exposures((image,), repeat=(image,))
        timed("assess with a repeat exposure", lambda: assess(shot, (Tile(image),), pictures, QualityLimits()))
        huge = Path(folder) / "huge.png"
        header = bytearray(path.read_bytes()[:64])
        header[16:24] = (40000).to_bytes(4, "big") * 2
        huge.write_bytes(header)
        timed("a header of 40,000 x 40,000 refused", lambda: _refused(huge))


def _lens(k1: float) -> Lens:
    return Lens(np.array([[6000.0, 0, 2999.5], [0, 6000, 1799.5], [0, 0, 1]]), np.array([k1, 0, 0, 0, 0.0]), 6000, 3600)


def _floor(path: Path) -> None:
    """Do what no inspection can do without (the design's floor)."""
    counts = cv2.imread(str(path), cv2.IMREAD_UNCHANGED).astype(np.float32)
    flat = cv2.warpPerspective(counts, np.eye(3), (6000, 3600), flags=cv2.INTER_LINEAR)
    for sigma in (1, 2, 4):
        cv2.GaussianBlur(flat, (0, 0), sigma)
    cv2.morphologyEx(flat, cv2.MORPH_BLACKHAT, np.ones((15, 15), np.uint8))


def _refused(path: Path) -> None:
    try:
        read_image(path)
    except ImageFileError:
        return
    raise AssertionError("not refused")


if __name__ == "__main__":
    main()
