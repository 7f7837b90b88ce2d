"""Words with a fixed set of values: kinds of flag, stages, purposes, dispositions, modes."""

from enum import StrEnum


class Kind(StrEnum):
    """Kinds of flag."""

    CRACK = "crack"
    INACTIVE_AREA = "inactive_area"
    DARK_CELL = "dark_cell"
    FINGER_INTERRUPTION = "finger_interruption"
    SOLDER_FAULT = "solder_fault"
    RIBBON_OFFSET = "ribbon_offset"
    CHIPPED_CELL = "chipped_cell"
    MISPLACED_CELL = "misplaced_cell"
    REVERSED_CELL = "reversed_cell"
    FOREIGN_BODY = "foreign_body"
    MATERIAL_PATTERN = "material_pattern"
    DARK_STRING = "dark_string"
    BRIDGED_STRING = "bridged_string"
    OPEN_CIRCUIT = "open_circuit"
    BUSSING_JOINT_FAULT = "bussing_joint_fault"
    OTHER = "other"


STRING_KINDS = frozenset({Kind.DARK_STRING, Kind.BRIDGED_STRING})
"""Kinds that belong to a whole string (no position)."""


PANEL_KINDS = frozenset({Kind.OPEN_CIRCUIT, Kind.BUSSING_JOINT_FAULT})
"""Kinds that belong to the panel or a joint outside the strings (no string, no position)."""


class Stage(StrEnum):
    """Where in the making of a module the picture was taken."""

    STRING = "string"
    BEFORE_LAMINATION = "before_lamination"
    AFTER_LAMINATION = "after_lamination"
    FINAL = "final"


class Purpose(StrEnum):
    """Why the picture was taken; only production can release anything or count in yield."""

    PRODUCTION = "production"
    AUDIT = "audit"
    REFERENCE = "reference"
    ENGINEERING = "engineering"
    REHEARSAL = "rehearsal"
    DEMO = "demo"
    ARCHIVE = "archive"


class Disposition(StrEnum):
    """What is decided about a panel."""

    ACCEPT = "accept"
    REWORK = "rework"
    HOLD = "hold"
    CONCESSION = "concession"
    SCRAP = "scrap"


class Answer(StrEnum):
    """The inspector's verdict on a flag."""

    CONFIRMED = "confirmed"
    DISMISSED = "dismissed"
    CHANGED = "changed"


class Unjudged(StrEnum):
    """Why a cell could not be judged."""

    MASKED = "masked"
    NO_LIGHT = "no_light"
    SATURATED = "saturated"
    NOISY = "noisy"
    SOFT = "soft"


class Source(StrEnum):
    """Who made a flag."""

    MACHINE = "machine"
    INSPECTOR = "inspector"


class CrackMode(StrEnum):
    """What a crack does to the current (IEA-PVPS T13-01:2014, as quoted in Parikh et al. 2020, Appl. Sci. 10:8834)."""

    A = "A"
    B = "B"
    C = "C"


class CrackPattern(StrEnum):
    """How a crack runs, as seen from left to right.

    Six categories of Köntges et al. 2013 (names from memory), and cross cracks after Morlier et al. 2015.
    """

    ALONG_BUSBARS = "along_busbars"
    ACROSS_BUSBARS = "across_busbars"
    RISING = "rising"
    FALLING = "falling"
    SEVERAL_DIRECTIONS = "several_directions"
    DENDRITIC = "dendritic"
    CROSS = "cross"


class Technology(StrEnum):
    """What the cell's conducting layers do to the picture."""

    PERC_LIKE = "perc_like"
    TOPCON_LIKE = "topcon_like"
    HJT_LIKE = "hjt_like"
