"""The one place that imports OpenCV.

The wheel of opencv-python points Qt's plugin and font folders (and the library path) at its own copies when it is
imported. A Qt window opened later in the same process would then load the wrong platform plugin and abort, so the
environment is put back at once.
"""

import os

_TOUCHED = ("QT_QPA_PLATFORM_PLUGIN_PATH", "QT_QPA_FONTDIR", "LD_LIBRARY_PATH")
_before = {name: os.environ.get(name) for name in _TOUCHED}

import cv2 as cv2  # noqa: E402

for _name, _value in _before.items():
    if _value is None:
        os.environ.pop(_name, None)
    else:
        os.environ[_name] = _value

__all__ = ["cv2"]
