"""The result file: a `PanelResult` as JSON and back. Schema ``elinspect.panel-result/1``.

Under version 1 fields may be added, none removed or redefined. Every image, quality and panel value is null where the
file could not be read or the panel not found; NaN never occurs.
"""

import base64
import json
import math
from collections.abc import Mapping
from dataclasses import fields
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from elinspect.catalogue import Message
from elinspect.frames import block_of
from elinspect.records import (
    Address,
    AddressScheme,
    CellLoss,
    CellResult,
    Corner,
    CrackMode,
    Disposition,
    ExposureFile,
    ExposureRole,
    Fingerprints,
    Flag,
    ImageFacts,
    ImageQuality,
    Kind,
    Layout,
    Numbering,
    Outcome,
    PanelFacts,
    PanelLoss,
    PanelMeasures,
    PanelResult,
    Proposal,
    Purpose,
    Recheck,
    RecheckedFlag,
    ReworkAction,
    ReworkPlan,
    ReworkStep,
    Source,
    Stage,
    Unjudged,
    Versions,
    ViewSide,
    read_only,
)

SCHEMA = "elinspect.panel-result/1"

Json = dict[str, Any]


def schema() -> Json:
    """Return the JSON schema of the result file."""
    text = resources.files("elinspect").joinpath("data/panel-result-1.schema.json").read_text(encoding="utf-8")
    return dict(json.loads(text))


def write_result(path: Path, result: PanelResult) -> None:
    """Write a result file; the file appears whole or not at all."""
    text = json.dumps(as_dict(result), ensure_ascii=False, allow_nan=False, indent=1)
    partial = path.with_name(path.name + ".part")
    partial.write_text(text + "\n", encoding="utf-8")
    partial.replace(path)


def read_result(path: Path) -> PanelResult:
    """Read a result file back."""
    return from_dict(json.loads(path.read_text(encoding="utf-8")))


def as_dict(result: PanelResult) -> Json:
    """Return the result as plain JSON values; `from_dict` is the inverse."""
    layout = result.panel.layout
    return {
        "schema": SCHEMA,
        "serial": result.serial,
        "stage": result.stage.value,
        "purpose": result.purpose.value,
        "attempt": result.attempt,
        "image": _image_as_dict(result.image),
        "versions": {
            "elinspect": result.versions.elinspect,
            "recipe": result.versions.recipe,
            "criteria": result.versions.criteria,
            "model": result.versions.model,
            "camera": result.versions.camera,
        },
        "quality": _quality_as_dict(result.quality),
        "panel": _panel_as_dict(result.panel),
        "cells": [_cell_as_dict(cell, layout) for cell in result.cells],
        "flags": [flag_as_dict(flag, layout) for flag in result.flags],
        "proposal": {
            "disposition": result.proposal.disposition.value,
            "reasons": [message_as_dict(reason) for reason in result.proposal.reasons],
        },
        "timing_s": {name: round(seconds, 4) for name, seconds in result.timing_s.items()},
        "measures": _measures_as_dict(result.measures) if result.measures is not None else None,
        "fingerprints": _fingerprints_as_dict(result.fingerprints) if result.fingerprints is not None else None,
        "customer": result.customer,
        "loss": _loss_as_dict(result.loss) if result.loss is not None else None,
        "rework": _rework_as_dict(result.rework) if result.rework is not None else None,
        "recheck": _recheck_as_dict(result.recheck) if result.recheck is not None else None,
    }


def from_dict(data: Mapping[str, Any]) -> PanelResult:
    """Return the result that `as_dict` was given.

    Raises
    ------
    ValueError
        If the schema is another one.
    """
    if data.get("schema") != SCHEMA:
        raise ValueError(f"schema {data.get('schema')!r} is not {SCHEMA!r}")
    quality = data["quality"]
    return PanelResult(
        serial=data["serial"],
        stage=Stage(data["stage"]),
        purpose=Purpose(data["purpose"]),
        attempt=data["attempt"],
        image=_image_from_dict(data["image"]),
        versions=Versions(**data["versions"]),
        quality=ImageQuality(**{**quality, "notes": tuple(_message(note) for note in quality["notes"])}),
        panel=_panel_from_dict(data["panel"]),
        cells=tuple(_cell_from_dict(cell) for cell in data["cells"]),
        flags=tuple(flag_from_dict(flag) for flag in data["flags"]),
        proposal=Proposal(
            Disposition(data["proposal"]["disposition"]),
            tuple(_message(reason) for reason in data["proposal"]["reasons"]),
        ),
        timing_s=dict(data["timing_s"]),
        fingerprints=fingerprints_from_dict(data["fingerprints"]) if data.get("fingerprints") is not None else None,
        measures=_measures_from_dict(data["measures"]) if data.get("measures") is not None else None,
        customer=data.get("customer"),
        loss=_loss_from_dict(data["loss"]) if data.get("loss") is not None else None,
        rework=_rework_from_dict(data["rework"]) if data.get("rework") is not None else None,
        recheck=_recheck_from_dict(data["recheck"]) if data.get("recheck") is not None else None,
    )


def message_as_dict(message: Message) -> Json:
    """Return code, values and, for people and other programs, the text in words."""
    return {"code": message.code, "values": dict(message.values), "text": message.text}


def _message(data: Mapping[str, Any]) -> Message:
    return Message(data["code"], dict(data["values"]))


def flag_as_dict(flag: Flag, layout: Layout) -> Json:
    """Return one flag as in the result file."""
    return {
        "id": flag.id,
        "kind": flag.kind.value,
        "block": block_of(layout, flag.string) if flag.string is not None else None,
        "string": flag.string,
        "position": flag.position,
        "score": round(flag.score, 4),
        "outline_px": [list(point) for point in flag.outline_px],
        "box_px": list(flag.box_px),
        "length_mm": _rounded(flag.length_mm, 2),
        "area_fraction": _rounded(flag.area_fraction, 5),
        "mode": flag.mode.value if flag.mode is not None else None,
        "loss_w": _rounded(flag.loss_w, 3),
        "source": flag.source.value,
        "measurements": dict(flag.measurements),
        "parent": flag.parent,
        "tile": flag.tile,
        "limit": flag.limit,
        "probability": _rounded(flag.probability, 4),
        "evidence": flag.evidence,
        "doubtful": flag.doubtful,
        "message": {"code": flag.message.code, "values": dict(flag.message.values)},
        "text": flag.message.text,
    }


def flag_from_dict(data: Mapping[str, Any]) -> Flag:
    """Return the flag that `flag_as_dict` was given."""
    return Flag(
        id=data["id"],
        kind=Kind(data["kind"]),
        string=data["string"],
        position=data["position"],
        score=data["score"],
        outline_px=_points(data["outline_px"]),
        box_px=tuple(data["box_px"]),
        message=_message(data["message"]),
        length_mm=data["length_mm"],
        area_fraction=data["area_fraction"],
        mode=CrackMode(data["mode"]) if data["mode"] is not None else None,
        loss_w=data["loss_w"],
        source=Source(data["source"]),
        measurements=dict(data["measurements"]),
        parent=data["parent"],
        tile=data["tile"],
        limit=data["limit"],
        probability=data.get("probability"),
        evidence=data.get("evidence"),
        doubtful=data.get("doubtful", False),
    )


def _image_as_dict(image: ImageFacts) -> Json:
    return {
        "path": image.path,
        "sha256": image.sha256,
        "width_px": image.width_px,
        "height_px": image.height_px,
        "bit_depth": image.bit_depth,
        "tiles": list(image.tiles),
        "companions": list(image.companions),
        "files": [{"path": file.path, "sha256": file.sha256, "role": file.role.value} for file in image.files],
    }


def _image_from_dict(data: Mapping[str, Any]) -> ImageFacts:
    files = data.get("files", ())  # older files do not have them
    return ImageFacts(
        **{
            **data,
            "tiles": tuple(data["tiles"]),
            "companions": tuple(data["companions"]),
            "files": tuple(ExposureFile(file["path"], file["sha256"], ExposureRole(file["role"])) for file in files),
        }
    )


def _quality_as_dict(quality: ImageQuality) -> Json:
    return {
        "usable": quality.usable,
        "signal_to_noise": _rounded(quality.signal_to_noise, 3),
        "sharpness_px": _rounded(quality.sharpness_px, 3),
        "saturated_fraction": _rounded(quality.saturated_fraction, 6),
        "mm_per_px": _rounded(quality.mm_per_px, 5),
        "notes": [message_as_dict(note) for note in quality.notes],
        "signal_to_noise_from": quality.signal_to_noise_from,
        "sharpness_mm": _rounded(quality.sharpness_mm, 3),
        "dark_fraction": _rounded(quality.dark_fraction, 6),
        "shortest_crack_mm": _rounded(quality.shortest_crack_mm, 2),
        "narrowest_crack_mm": _rounded(quality.narrowest_crack_mm, 3),
        "exposure_factor": _rounded(quality.exposure_factor, 3),
        "grey_steps": _rounded(quality.grey_steps, 1),
    }


def _panel_as_dict(panel: PanelFacts) -> Json:
    return {
        "found": panel.found,
        "reason": message_as_dict(panel.reason) if panel.reason is not None else None,
        "layout": str(panel.layout),
        "view_side": panel.view_side.value if panel.view_side is not None else None,
        "origin_corner": panel.origin_corner.value if panel.origin_corner is not None else None,
        "mirrored": panel.mirrored,
        "rotation_deg": panel.rotation_deg,
        "corners_px": [list(corner) for corner in panel.corners_px] if panel.corners_px is not None else None,
        "addresses": _addresses_as_dict(panel.addresses) if panel.addresses is not None else None,
    }


def _addresses_as_dict(scheme: AddressScheme) -> Json:
    return {
        "origin_corner": scheme.origin_corner.value,
        "strings": scheme.strings.value,
        "positions": scheme.positions.value,
        "string_first": scheme.string_first,
        "separator": scheme.separator,
    }


def _addresses_from_dict(data: Mapping[str, Any]) -> AddressScheme:
    return AddressScheme(
        Corner(data["origin_corner"]),
        Numbering(data["strings"]),
        Numbering(data["positions"]),
        data["string_first"],
        data["separator"],
    )


def _panel_from_dict(data: Mapping[str, Any]) -> PanelFacts:
    return PanelFacts(
        found=data["found"],
        reason=_message(data["reason"]) if data["reason"] is not None else None,
        layout=Layout.parse(data["layout"]),
        view_side=ViewSide(data["view_side"]) if data["view_side"] is not None else None,
        origin_corner=Corner(data["origin_corner"]) if data["origin_corner"] is not None else None,
        mirrored=data["mirrored"],
        rotation_deg=data["rotation_deg"],
        corners_px=_points(data["corners_px"]) if data["corners_px"] is not None else None,
        addresses=_addresses_from_dict(data["addresses"]) if data.get("addresses") is not None else None,
    )


def _cell_as_dict(cell: CellResult, layout: Layout) -> Json:
    return {
        "block": block_of(layout, cell.address.string),
        "string": cell.address.string,
        "position": cell.address.position,
        "corners_px": [list(corner) for corner in cell.corners_px],
        "relative_luminance": _rounded(cell.relative_luminance, 4),
        "kind_scores": {kind: round(score, 4) for kind, score in cell.kind_scores.items()},
        "defect_score": _rounded(cell.defect_score, 4),
        "judged": cell.judged,
        "unjudged": cell.unjudged.value if cell.unjudged is not None else None,
        "tile": cell.tile,
        "voltage_difference_mv": _rounded(cell.voltage_difference_mv, 2),
        "voltage_v": _rounded(cell.voltage_v, 5),
    }


def _cell_from_dict(data: Mapping[str, Any]) -> CellResult:
    return CellResult(
        address=Address(data["string"], data["position"]),
        corners_px=_points(data["corners_px"]),
        relative_luminance=data["relative_luminance"],
        kind_scores=dict(data["kind_scores"]),
        defect_score=data["defect_score"],
        judged=data["judged"],
        tile=data["tile"],
        unjudged=Unjudged(data["unjudged"]) if data.get("unjudged") is not None else None,
        voltage_difference_mv=data.get("voltage_difference_mv"),
        voltage_v=data.get("voltage_v"),
    )


def _measures_as_dict(measures: PanelMeasures) -> Json:
    return {field.name: _plain(getattr(measures, field.name)) for field in fields(PanelMeasures)}


def _plain(figures: Any) -> Any:
    """Return figures as lists and numbers, hundredths kept, NaN as null."""
    if isinstance(figures, float):
        return round(figures, 2) if math.isfinite(figures) else None
    return [_plain(part) for part in (figures.tolist() if isinstance(figures, np.ndarray) else figures)]


def _measures_from_dict(data: Mapping[str, Any]) -> PanelMeasures:
    read: dict[str, Any] = {}
    for field in fields(PanelMeasures):
        value = data[field.name]
        if field.type is float:
            read[field.name] = value
        elif field.type == tuple[float, float]:
            read[field.name] = tuple(math.nan if part is None else part for part in value)
        else:
            array = np.array(value, np.float64)
            n_cells = len(data["along_mm"])
            of_ribbons = field.name in ("ribbon_offset_mm", "ribbon_bow_mm")
            read[field.name] = read_only(array.reshape(n_cells, -1) if of_ribbons else array)
    return PanelMeasures(**read)


def _fingerprints_as_dict(prints: Fingerprints) -> Json:
    return {
        "rows": prints.shape[0],
        "columns": prints.shape[1],
        "codes": [base64.b64encode(code).decode("ascii") for code in prints.codes],
    }


def fingerprints_from_dict(data: Mapping[str, Any]) -> Fingerprints:
    """Return the fingerprints of a result as plain JSON values."""
    return Fingerprints((data["rows"], data["columns"]), tuple(base64.b64decode(code) for code in data["codes"]))


def _loss_as_dict(loss: PanelLoss) -> Json:
    return {
        "power_w": round(loss.power_w, 3),
        "no_loss_fraction": round(loss.no_loss_fraction, 5),
        "loss_w": round(loss.loss_w, 3),
        "worst_loss_w": round(loss.worst_loss_w, 3),
        "cells": [
            {
                "string": cell.string,
                "position": cell.position or None,
                "loss_w": round(cell.loss_w, 3),
                "worst_loss_w": round(cell.worst_loss_w, 3),
                "dissipated_w": round(cell.dissipated_w, 2),
                "hot_spot": cell.hot_spot,
            }
            for cell in loss.cells
        ],
        "assumptions": [message_as_dict(assumption) for assumption in loss.assumptions],
    }


def _rework_as_dict(plan: ReworkPlan) -> Json:
    return {
        "minutes": plan.minutes,
        "reworks_left": plan.reworks_left,
        "steps": [
            {
                "action": step.action.value,
                "string": step.string,
                "position": step.position,
                "flags": list(step.flags),
                "text": message_as_dict(step.text),
                "minutes": step.minutes,
            }
            for step in plan.steps
        ],
    }


def _rework_from_dict(data: Mapping[str, Any]) -> ReworkPlan:
    steps = tuple(
        ReworkStep(
            ReworkAction(step["action"]),
            step["string"],
            step["position"],
            tuple(step["flags"]),
            _message(step["text"]),
            step["minutes"],
        )
        for step in data["steps"]
    )
    return ReworkPlan(steps, data["minutes"], data["reworks_left"])


def _recheck_as_dict(recheck: Recheck) -> Json:
    return {
        "attempt_before": recheck.attempt_before,
        "flags": [
            {
                "flag": flag.flag,
                "kind": flag.kind.value,
                "string": flag.string,
                "position": flag.position,
                "outcome": flag.outcome.value,
                "now": flag.now,
            }
            for flag in recheck.flags
        ],
        "new": list(recheck.new),
        "damage": list(recheck.damage),
        "match": recheck.match,
        "messages": [message_as_dict(message) for message in recheck.messages],
    }


def _recheck_from_dict(data: Mapping[str, Any]) -> Recheck:
    flags = tuple(
        RecheckedFlag(
            flag["flag"], Kind(flag["kind"]), flag["string"], flag["position"], Outcome(flag["outcome"]), flag["now"]
        )
        for flag in data["flags"]
    )
    messages = tuple(_message(message) for message in data["messages"])
    return Recheck(data["attempt_before"], flags, tuple(data["new"]), tuple(data["damage"]), data["match"], messages)


def _loss_from_dict(data: Mapping[str, Any]) -> PanelLoss:
    cells = tuple(CellLoss(**{**cell, "position": cell["position"] or 0}) for cell in data["cells"])
    assumptions = tuple(_message(assumption) for assumption in data["assumptions"])
    return PanelLoss(**{**data, "cells": cells, "assumptions": assumptions})


def _points(data: list[list[float]]) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in data)


def _rounded(value: float | None, digits: int) -> float | None:
    return round(float(value), digits) if value is not None else None
