"""Voltage from the picture, the finished module's curve, and what flags could cost in watts."""

from elinspect.electrical.loss import LossModel, flag_loss, loss_model, panel_loss
from elinspect.electrical.voltage import panel_voltages, relative_voltages, temperature_of

__all__ = [
    "LossModel",
    "flag_loss",
    "loss_model",
    "panel_loss",
    "panel_voltages",
    "relative_voltages",
    "temperature_of",
]
