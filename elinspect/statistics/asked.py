"""What charts and reports there are: names the command line offers before anything heavy is loaded."""

from enum import StrEnum


class ChartOf(StrEnum):
    """What a chart shows."""

    FIRST_PASS_YIELD = "first_pass_yield"
    FLAGGED_CELLS = "flagged_cells"
    FLAGGED_CELLS_EWMA = "flagged_cells_ewma"
    FLAGGED_CELLS_CUSUM = "flagged_cells_cusum"
    REWORK_SUCCESS = "rework_success"
    ESCAPES = "escapes"
    UNUSABLE_PICTURES = "unusable_pictures"
    SIGNAL_TO_NOISE = "signal_to_noise"
    SHARPNESS = "sharpness_px"
    TAKT = "takt"


class ReportOf(StrEnum):
    """What a report is about."""

    SHIFT = "shift"
    DAY = "day"
    WEEK = "week"
    SUPPLIER = "supplier"
    STRINGER = "stringer"
    MODULE = "module"
