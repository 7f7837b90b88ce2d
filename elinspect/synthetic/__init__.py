"""Simulated cells, panels and plants with known truth."""

from elinspect.synthetic.camera import CameraSettings, draw_any_camera, draw_camera
from elinspect.synthetic.chance import DefectRates, draw_crack, draw_crack_at, draw_defects
from elinspect.synthetic.context_csv import StringContext, write_context_csv
from elinspect.synthetic.defects import (
    BridgedString,
    BussingJointFault,
    ChippedCell,
    Crack,
    DarkCell,
    DarkString,
    Defect,
    FingerInterruption,
    ForeignBody,
    InactiveArea,
    MisplacedCell,
    OpenString,
    ReversedCell,
    RibbonOffset,
    ShuntedCell,
    SolderFault,
)
from elinspect.synthetic.folder import simulate_to_folder
from elinspect.synthetic.look import Look, draw_look
from elinspect.synthetic.overlays import Overlaid, Overlays, draw_overlays
from elinspect.synthetic.panel import SimulatedPanel, simulate_panel
from elinspect.synthetic.plant import LaneCause, Plant, PlantPanel, demo_panels, simulate_plant
from elinspect.synthetic.products import PRODUCTS, product_recipe
from elinspect.synthetic.samples import write_samples
from elinspect.synthetic.training import TRAINING_RATES, TrainingCell, cut_cell, draw_cells
from elinspect.synthetic.truth import TrueDefect
from elinspect.synthetic.truth_file import truth_of, write_panel

__all__ = [
    "PRODUCTS",
    "TRAINING_RATES",
    "BridgedString",
    "BussingJointFault",
    "CameraSettings",
    "ChippedCell",
    "Crack",
    "DarkCell",
    "DarkString",
    "Defect",
    "DefectRates",
    "FingerInterruption",
    "ForeignBody",
    "InactiveArea",
    "LaneCause",
    "Look",
    "MisplacedCell",
    "OpenString",
    "Overlaid",
    "Overlays",
    "Plant",
    "PlantPanel",
    "ReversedCell",
    "RibbonOffset",
    "ShuntedCell",
    "SimulatedPanel",
    "SolderFault",
    "StringContext",
    "TrainingCell",
    "TrueDefect",
    "cut_cell",
    "demo_panels",
    "draw_any_camera",
    "draw_camera",
    "draw_cells",
    "draw_crack",
    "draw_crack_at",
    "draw_defects",
    "draw_look",
    "draw_overlays",
    "product_recipe",
    "simulate_panel",
    "simulate_plant",
    "simulate_to_folder",
    "truth_of",
    "write_context_csv",
    "write_panel",
    "write_samples",
]
