"""Small results made by hand, for tests of whatever comes after the pipeline."""

from elinspect.catalogue import Message
from elinspect.records import (
    Address,
    AddressScheme,
    CellResult,
    Corner,
    CrackMode,
    Disposition,
    Flag,
    ImageFacts,
    ImageQuality,
    Kind,
    Layout,
    PanelFacts,
    PanelResult,
    Proposal,
    Purpose,
    Stage,
    Versions,
    ViewSide,
)

SHA = "0123456789abcdef" * 4


def flag(flag_id: str = "m1", kind: Kind = Kind.CRACK, limit: str | None = "crack.any", **changes: object) -> Flag:
    """A flag on string 1, position 2."""
    values: dict[str, object] = {
        "id": flag_id,
        "kind": kind,
        "string": 1,
        "position": 2,
        "score": 0.75,
        "outline_px": ((110.0, 20.0), (150.0, 60.5)),
        "box_px": (110.0, 20.0, 40.0, 40.5),
        "message": Message("flag.crack_length", {"kind": kind.value, "address": "1-2", "length_mm": 56.5, "mode": "B"}),
        "length_mm": 56.5,
        "mode": CrackMode.B,
        "measurements": {"contrast": 0.1},
        "limit": limit,
    }
    return Flag(**{**values, **changes})  # type: ignore[arg-type]


def cells(layout: Layout) -> tuple[CellResult, ...]:
    """One cell result per cell, 100 px apart."""
    return tuple(
        CellResult(
            Address(string, position),
            tuple((position * 100.0 + dx, string * 100.0 + dy) for dx, dy in ((0, 0), (95, 0), (95, 95), (0, 95))),
            1.0,
            {"crack": 0.125, "inactive_area": 0.0},
            None,
            True,
        )
        for string in range(1, layout.n_strings + 1)
        for position in range(1, layout.cells_per_string + 1)
    )


def result(*flags: Flag, serial: str | None = "000123", layout: str = "2x3", **changes: object) -> PanelResult:
    """A panel that was found, with the given flags."""
    parsed = Layout.parse(layout)
    reached = any(item.limit for item in flags)
    values: dict[str, object] = {
        "serial": serial,
        "stage": Stage.BEFORE_LAMINATION,
        "purpose": Purpose.PRODUCTION,
        "attempt": 1,
        "image": ImageFacts("panel.png", SHA, 400, 300, 12),
        "versions": Versions("0.1.0", "layout 2x3 assumed", "shipped default 2"),
        "quality": ImageQuality(
            True, 40.0, 1.2, 0.0, 0.5, (Message("quality.assumed_size", {"along_mm": 156.0, "across_mm": 156.0}),)
        ),
        "panel": PanelFacts(
            True,
            None,
            parsed,
            ViewSide.FRONT,
            Corner.TOP_LEFT,
            False,
            0,
            ((0.0, 0.0), (399.0, 0.0), (399.0, 299.0), (0.0, 299.0)),
            AddressScheme(),
        ),
        "cells": cells(parsed),
        "flags": flags,
        "proposal": Proposal(
            Disposition.REWORK,
            (
                Message(
                    "reason.plain",
                    {"kind": "crack", "address": "1-2", "limit": "crack.any", "disposition": "rework", "rule": ""},
                ),
            ),
        )
        if reached
        else Proposal(Disposition.ACCEPT, (Message("proposal.no_flags"),)),
        "timing_s": {"total": 0.5},
    }
    return PanelResult(**{**values, **changes})  # type: ignore[arg-type]
