"""The classifier's working point with its consequences in money: from the log's answers and the plant's costs."""

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import ConfigDict, Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as validated
from sqlalchemy import func, select

from elinspect.catalogue import words
from elinspect.classifier import ModelCard, read_card
from elinspect.classifier.heads import LinearHead
from elinspect.classifier.scoring import finding_probability
from elinspect.errors import ElinspectError, SettingsFileError
from elinspect.operations.adapting import answered_flags, next_version
from elinspect.operations.site_models import card_in_force, install
from elinspect.records import Kind, Purpose, Stage
from elinspect.statistics.working_point import FlagCosts, PointCost, cheapest, cost_curve
from elinspect.store.log import Log
from elinspect.store.schema import inspections

THRESHOLDS = (0.0, 0.01, 0.02, 0.03, 0.05, 0.07, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
LEAST_ANSWERS = 50
"""Fewest answered flags from which a working point is worth looking at."""

_STRICT = ConfigDict(extra="forbid", allow_inf_nan=False)
_Money = Annotated[float, Field(ge=0)]
_Share = Annotated[float, Field(ge=0, le=1)]


@validated(frozen=True, slots=True, config=_STRICT)
class Rework:
    """What a rework costs that nobody needed.

    Attributes
    ----------
    minutes : float
        Bench time.
    minute_cost, material : float
        Money per minute; of the string or cell.
    new_crack : float
        Chance that the rework itself cracks a cell, 0..1; costs as much as an escape caught after lamination.
    falsely : float
        Share of false flags that are reworked all the same.
    """

    minutes: _Money
    minute_cost: _Money
    material: _Money
    new_crack: _Share
    falsely: _Share


@validated(frozen=True, slots=True, config=_STRICT)
class Escapes:
    """Where escapes are caught, as shares that sum to 1, and what each costs."""

    after_lamination_share: _Share
    after_lamination_cost: _Money
    final_share: _Share
    final_cost: _Money
    customer_share: _Share
    customer_cost: _Money

    def __post_init__(self) -> None:
        total = self.after_lamination_share + self.final_share + self.customer_share
        if abs(total - 1) > 1e-6:
            raise ValueError(f"the three shares must sum to 1, not {total:g}")

    @property
    def mean(self) -> float:
        """Money per escape."""
        return (
            self.after_lamination_share * self.after_lamination_cost
            + self.final_share * self.final_cost
            + self.customer_share * self.customer_cost
        )


@validated(frozen=True, slots=True, config=_STRICT)
class CostSheet:
    """The plant's own figures; the program ships none."""

    currency: Annotated[str, Field(min_length=1, max_length=12)]
    answer_seconds: _Money
    rework: Rework
    escapes: Escapes
    schema: Literal["elinspect.flag-costs/1"] = "elinspect.flag-costs/1"

    def flag_costs(self) -> FlagCosts:
        """Return the costs per flag."""
        rework = self.rework
        false_rework = rework.minutes * rework.minute_cost + rework.material
        false_rework += rework.new_crack * self.escapes.after_lamination_cost
        return FlagCosts(self.answer_seconds / 60 * rework.minute_cost, false_rework, rework.falsely, self.escapes.mean)


@dataclass(frozen=True, slots=True, eq=False)
class WorkingPoints:
    """What each threshold would have cost on the flags of one kind.

    Attributes
    ----------
    kind : Kind
        Of the flags.
    points : tuple of PointCost
        Over all panels of the log that were scored by this network.
    in_force, cheapest : PointCost
        The threshold in force, and the cheapest one.
    panels, flags : int
        What it rests on.
    currency : str
        Of the costs.
    """

    kind: Kind
    points: tuple[PointCost, ...]
    in_force: PointCost
    cheapest: PointCost
    panels: int
    flags: int
    currency: str


def read_costs(path: Path) -> CostSheet:
    """Read a cost sheet.

    Raises
    ------
    SettingsFileError
        If the file is missing or wrong; the text names file, table and key.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        return TypeAdapter(CostSheet).validate_python(table)
    except OSError as error:
        cause = error.strerror or str(error)
        raise SettingsFileError(
            "settings.unreadable", what=words("what.cost_sheet"), file=str(path), cause=cause
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsFileError(
            "settings.not_toml", what=words("what.cost_sheet"), file=str(path), cause=str(error)
        ) from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the top level"
        raise SettingsFileError(
            "settings.invalid", what=words("what.cost_sheet"), file=str(path), where=where, cause=first["msg"]
        ) from error


def working_points(log: Log, folder: Path, costs: CostSheet, kind: Kind) -> WorkingPoints:
    """Return what thresholds would have cost on the answered flags of a kind in the log.

    Raises
    ------
    ElinspectError
        If the model does not know the kind, or fewer than `LEAST_ANSWERS` of its flags were answered.
    """
    card = read_card(card_in_force(folder))
    head = _head_of(card, kind)
    answered = [flag for flag in answered_flags(log, card) if flag.kind is kind]
    if len(answered) < LEAST_ANSWERS:
        raise ElinspectError("model.too_few_answers", kind=kind.value, n=len(answered), needed=LEAST_ANSWERS)
    probability = finding_probability(head, np.stack([flag.evidence for flag in answered]))
    true = np.array([flag.true for flag in answered])
    points = cost_curve(probability, true, costs.flag_costs(), THRESHOLDS)
    (in_force,) = cost_curve(probability, true, costs.flag_costs(), [card.doubtful_below.get(kind, 0.0)])
    return WorkingPoints(kind, points, in_force, cheapest(points), _panels(log), len(answered), costs.currency)


def _head_of(card: ModelCard, kind: Kind) -> LinearHead:
    if kind not in card.finding_heads:
        raise ElinspectError("model.kind_unknown", kind=kind.value, model=card.label)
    return card.finding_heads[kind].head()


def _panels(log: Log) -> int:
    production = (inspections.c.purpose == Purpose.PRODUCTION, inspections.c.stage == Stage.BEFORE_LAMINATION)
    with log.reading() as connection:
        return int(
            connection.execute(
                select(func.count()).select_from(inspections).where(*production, inspections.c.decision.is_not(None))
            ).scalar()
            or 0
        )


def set_working_point(folder: Path, kind: Kind, threshold: float) -> Path:
    """Install a version of the model in force with another threshold for a kind; the earlier one is kept.

    Raises
    ------
    ElinspectError
        If the model does not know the kind, or the new version cannot be written.
    ValueError
        If the threshold is no probability.
    """
    if not 0 <= threshold <= 1:
        raise ValueError(f"a threshold must lie in 0..1, not {threshold}")
    in_force = card_in_force(folder)
    card = read_card(in_force)
    _head_of(card, kind)
    made = {**card.made, "working_point": {"from": card.label, "kind": kind.value, "doubtful_below": threshold}}
    limits = {**card.doubtful_below, kind: threshold}
    new = replace(card, version=next_version(folder, card), doubtful_below=limits, made=made)
    return install(folder, new, in_force.with_name(card.network))
