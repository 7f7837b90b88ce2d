"""Read exposures, correct them, and say how good they are. `elinspect.imaging.calibration` makes camera files."""

from elinspect.imaging.camera import Camera, correct, read_camera_file, write_camera_file
from elinspect.imaging.capture import CameraSet, PanelFiles, read_camera_set, read_panel
from elinspect.imaging.lens import Lens
from elinspect.imaging.noise import signal_to_noise_from_pair
from elinspect.imaging.quality import assess, blank_reason
from elinspect.imaging.reading import read_exposures, read_image, single_exposure
from elinspect.imaging.scene import Scene, TileSetup, set_scene
from elinspect.imaging.stored import ReadingLimits
from elinspect.imaging.vignetting import Vignetting, estimate_vignetting

__all__ = [
    "Camera",
    "CameraSet",
    "Lens",
    "PanelFiles",
    "ReadingLimits",
    "Scene",
    "TileSetup",
    "Vignetting",
    "assess",
    "blank_reason",
    "correct",
    "estimate_vignetting",
    "read_camera_file",
    "read_camera_set",
    "read_exposures",
    "read_image",
    "read_panel",
    "set_scene",
    "signal_to_noise_from_pair",
    "single_exposure",
    "write_camera_file",
]
