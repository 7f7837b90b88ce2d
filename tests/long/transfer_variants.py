"""Variants of detectors, to be ranked on real and on simulated cells (see transfer.py beside this file).

The rule by which they are chosen was fixed before any of them was ranked on simulated cells, and is the same for all
kinds: the default settings; so many as `DRAWN` says in which every number is multiplied by a factor of its own, drawn
between a quarter and four (shares raised to such a power; counts and the threshold as they are); and plain methods of a
few lines. Only that limits keep their order was added later, when new settings had put three variants upside down.
Settings changed one at a time differ by less than chance between the few dozen real cells that show an inactive area:
the two halves of the real panels rank them alike by 0.1 to 0.5 only.
"""

import zlib
from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from elinspect.detectors.crack import detect as detect_cracks
from elinspect.detectors.finger_interruption import detect as detect_fingers
from elinspect.detectors.inactive_area import detect as detect_areas
from elinspect.records import Kind, PanelView
from elinspect.settings import CrackSettings, FingerInterruptionSettings, InactiveAreaSettings
from elinspect.vision import cv2

DRAWN = {Kind.CRACK: 6, Kind.INACTIVE_AREA: 12, Kind.FINGER_INTERRUPTION: 12}
"""As many as the time allows."""
FACTOR = 4.0
_SHARES = (
    "share",
    "quantile",
    "steadiness",
    "least_mean_depth",
    "black_depth",
    "followed_from",
    "unfollowed",
    "explained",
)
_IN_ORDER = (
    ("core_share", "rim_share"), ("smooth_core_share", "smooth_rim_share"), ("smooth_texture", "grainy_texture"),
    ("smooth_unevenness", "textured_unevenness"), ("mode_c_share", "mode_b_share"),
)  # fmt: skip
"""Where two limits change places by their factors, they are exchanged."""
_NARROWEST_PX = 1.05
"""The crack detector's filters can be no narrower."""
Pictures = NDArray[np.float32]
Score = Callable[[PanelView, "Seen"], NDArray[np.float64]]


class Seen:
    """The pictures of one panel's cells for the plain methods, each prepared once.

    Attributes
    ----------
    levels, flat : ndarray of float32, shape (cells, rows, columns)
        Over the cell's median, the rim left out; and the logarithm of that over its slow background, busbars taken out.
    """

    def __init__(self, pictures: Pictures) -> None:
        over = [picture / max(float(np.median(picture)), 1e-6) for picture in pictures]
        self.levels = np.stack(over)[:, 20:-20, 20:-20]
        self.flat = np.stack([_flattened(one) for one in over])


def _flattened(picture: Pictures) -> Pictures:
    height = np.log(np.maximum(picture, 0.02)).astype(np.float32)
    slow = cv2.medianBlur((height * 40 + 128).clip(0, 255).astype(np.uint8), 41).astype(np.float32)
    height = height - (slow - 128) / 40
    return np.asarray((height - np.median(height, axis=1, keepdims=True))[20:-20, 20:-20], np.float32)


def drawn_settings(settings: Any, number: int) -> Any:
    """Return settings with every number changed; the same number and name of a setting give the same factor."""
    changed: dict[str, Any] = {}
    for name in (field.name for field in fields(settings)):
        value = getattr(settings, name)
        rng = np.random.default_rng([number, zlib.crc32(name.encode())])
        factor = float(FACTOR ** rng.uniform(-1, 1))
        if name == "threshold":
            continue
        if isinstance(value, float):
            changed[name] = value**factor if name.endswith(_SHARES) else value * factor
        elif name == "widths_px":
            changed[name] = tuple(max(one * factor, _NARROWEST_PX) for one in value)
        elif isinstance(value, tuple):
            changed[name] = tuple(one * factor for one in value)
    for low, high in _IN_ORDER:
        if low in changed and high in changed:
            changed[low], changed[high] = sorted((changed[low], changed[high]))
    return replace(settings, **changed)


def variants() -> dict[Kind, dict[str, Score]]:
    """Return the variants of each kind by name."""
    darkest = {"plain: darkest percentile": _of_flat(lambda flat: -float(np.percentile(flat, 1)))}
    spread = {"plain: spread": _of_flat(lambda flat: float(flat.std()))}
    return {
        Kind.CRACK: _settings(Kind.CRACK, detect_cracks, CrackSettings()) | _PLAIN_CRACKS | darkest | spread,
        Kind.INACTIVE_AREA: _settings(Kind.INACTIVE_AREA, detect_areas, InactiveAreaSettings())
        | _PLAIN_AREAS | darkest | spread,
        Kind.FINGER_INTERRUPTION: _settings(Kind.FINGER_INTERRUPTION, detect_fingers, FingerInterruptionSettings())
        | _PLAIN_FINGERS | darkest | spread,
    }  # fmt: skip


def _settings(kind: Kind, detect: Callable[..., Any], default: Any) -> dict[str, Score]:
    def with_settings(settings: Any) -> Score:
        return lambda view, _seen: np.asarray(detect(view, settings).cell_scores, np.float64)

    drawn = {f"drawn {number}": with_settings(drawn_settings(default, number)) for number in range(DRAWN[kind])}
    return {"default": with_settings(default)} | drawn


def _of_flat(score: Callable[[Pictures], float]) -> Score:
    return lambda _view, seen: np.array([score(one) for one in seen.flat])


def _of_levels(score: Callable[[Pictures], float]) -> Score:
    return lambda _view, seen: np.array([score(one) for one in seen.levels])


def _hat(size: int) -> Callable[[Pictures], float]:
    kernel = np.ones((size, size), np.uint8)
    return lambda flat: float(np.quantile(cv2.morphologyEx(flat, cv2.MORPH_BLACKHAT, kernel), 0.995))


def _gradient(flat: Pictures) -> float:
    soft = cv2.GaussianBlur(flat, (0, 0), 1.5)
    return float(np.quantile(np.hypot(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)), 0.99))


def _blocks(picture: Pictures, size: int = 20) -> Pictures:
    return np.asarray(cv2.resize(picture, None, fx=1 / size, fy=1 / size, interpolation=cv2.INTER_AREA), np.float32)


def _column_lines(flat: Pictures) -> float:
    """Return how far the darkest short upright line stands out of its neighbours."""
    upright = cv2.blur(flat, (1, 41))
    beside = (np.roll(upright, 6, 1) + np.roll(upright, -6, 1)) / 2
    return float(np.quantile(beside - upright, 0.998) / max(float(np.std(beside - upright)), 1e-6))


_PLAIN_CRACKS: dict[str, Score] = {
    "plain: black hat 7 px": _of_flat(_hat(7)),
    "plain: black hat 15 px": _of_flat(_hat(15)),
    "plain: gradient": _of_flat(_gradient),
    "plain: skewness": _of_flat(lambda flat: -float(((flat - flat.mean()) ** 3).mean() / flat.std() ** 3)),
}
_PLAIN_AREAS: dict[str, Score] = {
    "plain: share below 0.4": _of_levels(lambda one: float((one < 0.4).mean())),
    "plain: share below 0.7": _of_levels(lambda one: float((one < 0.7).mean())),
    "plain: darkest block": _of_levels(lambda one: -float(_blocks(one).min())),
    "plain: spread of blocks": _of_levels(lambda one: float(_blocks(one).std())),
}
_PLAIN_FINGERS: dict[str, Score] = {
    "plain: upright lines": _of_flat(_column_lines),
    "plain: spread of columns": _of_flat(lambda flat: float(flat.mean(axis=0).std())),
}
