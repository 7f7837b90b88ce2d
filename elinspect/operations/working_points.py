"""The classifier's working point with its consequences in money: from the log's answers and the plant's costs."""

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import ConfigDict, Field, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as validated
from sqlalchemy import func, select

from elinspect.catalogue import Message, Value, words
from elinspect.classifier import ModelCard, read_card
from elinspect.classifier.adaptation import trusted_answers
from elinspect.classifier.heads import LinearHead
from elinspect.classifier.scoring import finding_probability
from elinspect.errors import ElinspectError, SettingsFileError
from elinspect.operations.adapting import answered_flags, next_version, with_names
from elinspect.operations.bench_figures import BenchFigures, bench_figures
from elinspect.operations.site_models import card_in_force, install
from elinspect.records import Kind, Purpose, Stage
from elinspect.statistics.intervals import exact
from elinspect.statistics.working_point import FlagCosts, PointCost, cheapest, cost_curve
from elinspect.store.log import Log
from elinspect.store.schema import inspections

THRESHOLDS = (0.0, 0.01, 0.02, 0.03, 0.05, 0.07, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
LEAST_ANSWERS = 50
"""Fewest answered flags from which a working point is worth looking at."""

LEAST_REWORKS = 30
"""Fewest reworks from which the log's own figures are taken. Plant's choice, a start."""

_STRICT = ConfigDict(extra="forbid", allow_inf_nan=False)
_Money = Annotated[float, Field(ge=0)]
_Share = Annotated[float, Field(ge=0, le=1)]


@validated(frozen=True, slots=True, config=_STRICT)
class Rework:
    """What a rework costs that nobody needed.

    Attributes
    ----------
    minutes : float or None
        Bench time; as the log has it if not given.
    minute_cost, material : float
        Money per minute; of the string or cell.
    new_crack : float or None
        Chance that the rework itself cracks a cell, 0..1; costs as much as an escape caught after lamination. As the
        log has it if not given.
    falsely : float
        Share of false flags that are reworked all the same.
    """

    minute_cost: _Money
    material: _Money
    falsely: _Share
    minutes: _Money | None = None
    new_crack: _Share | None = None


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

    def flag_costs(self, bench: BenchFigures) -> FlagCosts:
        """Return the costs per flag; what the sheet leaves out is taken from the log.

        Raises
        ------
        ElinspectError
            If something is left out of which the log knows too little.
        """
        rework = self.rework
        minutes = rework.minutes if rework.minutes is not None else _logged(bench, "minutes", bench.minutes)
        new_crack = rework.new_crack if rework.new_crack is not None else _logged(bench, "new_crack", bench.new_crack)
        false_rework = minutes * rework.minute_cost + rework.material
        false_rework += new_crack * self.escapes.after_lamination_cost
        return FlagCosts(self.answer_seconds / 60 * rework.minute_cost, false_rework, rework.falsely, self.escapes.mean)


def _logged(bench: BenchFigures, key: str, value: float | None) -> float:
    if value is None or bench.reworks < LEAST_REWORKS:
        raise ElinspectError("model.bench_unknown", key=f"rework.{key}", n=bench.reworks, needed=LEAST_REWORKS)
    return value


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
    costs : FlagCosts
        Per flag, as they went in.
    bench : BenchFigures
        What the log knows of reworks.
    notes : tuple of Message
        Whose answers were left out and why.
    """

    kind: Kind
    points: tuple[PointCost, ...]
    in_force: PointCost
    cheapest: PointCost
    panels: int
    flags: int
    currency: str
    costs: FlagCosts
    bench: BenchFigures
    notes: tuple[Message, ...]


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

    The answers of an inspector who dismisses everything, unlike the others, are left out: they would make every escape
    look like a false alarm.

    Raises
    ------
    ElinspectError
        If the model does not know the kind, fewer than `LEAST_ANSWERS` of its flags were answered, or the sheet leaves
        out what the log does not know either.
    """
    card = read_card(card_in_force(folder))
    head = _head_of(card, kind)
    trusted, notes = trusted_answers(list(answered_flags(log, card)))
    own = [flag for flag in trusted if flag.kind is kind]
    if len(own) < LEAST_ANSWERS:
        raise ElinspectError("model.too_few_answers", kind=kind.value, n=len(own), needed=LEAST_ANSWERS)
    bench = bench_figures(log)
    per_flag = costs.flag_costs(bench)
    probability = finding_probability(head, np.stack([flag.evidence for flag in own]))
    true = np.array([flag.true for flag in own])
    points = cost_curve(probability, true, per_flag, THRESHOLDS)
    (in_force,) = cost_curve(probability, true, per_flag, [card.doubtful_below.get(kind, 0.0)])
    return WorkingPoints(
        kind, points, in_force, cheapest(points), _panels(log), len(own), costs.currency, per_flag, bench,
        with_names(log, notes),
    )  # fmt: skip


def told_costs(points: WorkingPoints) -> Iterator[Message]:
    """Yield what the costs are, and what the log says of reworks beside them."""
    costs, bench = points.costs, points.bench
    yield Message(
        "model.points_costs",
        {
            "look": costs.answer, "rework": costs.false_rework, "falsely": 100 * costs.reworked_falsely,
            "escape": costs.escape, "currency": points.currency,
        },
    )  # fmt: skip
    best = points.cheapest
    true = best.kept_true + best.escaped
    if true:
        high = float(exact(best.escaped, true).high)
        values: dict[str, Value] = {"limit": best.threshold, "n": best.escaped, "true": true, "percent": 100 * high}
        yield Message("model.points_escapes", values)
    if not bench.reworks:
        yield Message("model.points_no_bench")
        return
    minutes = f"{bench.minutes:.1f}" if bench.minutes is not None else "?"
    share = f"{bench.new_crack:.3f}"
    yield Message(
        "model.points_bench",
        {"n": bench.reworks, "minutes": minutes, "cracks": bench.new_cracks, "share": share},
    )


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
