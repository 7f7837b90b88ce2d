"""Adapt the classifier to the plant: answers from the log, new heads, a new version kept beside the old ones."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Select, Table, and_, case, func, select

from elinspect.catalogue import Message
from elinspect.classifier import ModelCard, read_card
from elinspect.classifier.adaptation import Adaptation, AnsweredFlag, adapt_heads, rebased
from elinspect.classifier.heads import LinearHead, doubtful_limit
from elinspect.classifier.model_file import HeadTable
from elinspect.classifier.scoring import finding_probability, unpack
from elinspect.operations.site_models import card_in_force, install
from elinspect.operations.versions import labels_of_network
from elinspect.records import Answer, Kind, Purpose, Stage
from elinspect.store.log import Log
from elinspect.store.people import name_of
from elinspect.store.results import result_of
from elinspect.store.schema import flagged_cells, flags, inspected_counts, inspections, kept_counts

_KEPT_CONFIRMED = 0.99
"""Share of the confirmed flags that must stay above the limit of doubt."""


@dataclass(frozen=True, slots=True, eq=False)
class Adapted:
    """What `adapt` did.

    Attributes
    ----------
    adaptation : Adaptation
        Outcomes on the panels held out, and what was left out.
    answers : int
        Answered flags found in the log.
    card : Path or None
        The version installed; None if nothing was better.
    left_out : tuple of Message
        Answers in the log that do not teach, and why.
    changes : tuple of Message
        What else is other in it: limits of doubt, the share of defective cells.
    """

    adaptation: Adaptation
    answers: int
    card: Path | None
    left_out: tuple[Message, ...] = ()
    changes: tuple[Message, ...] = ()


def adapt(log: Log, folder: Path, seed: int = 0) -> Adapted:
    """Learn from the log and install a new version if it is better on panels held out.

    Parameters
    ----------
    log : Log
        The plant's log.
    folder : Path
        The station's models.
    seed : int
        Of the intervals.

    Raises
    ------
    ModelFileError
        If the model in force cannot be read, or the new one not written.
    """
    in_force = card_in_force(folder)
    card = read_card(in_force)
    answered = list(answered_flags(log, card))
    adaptation = adapt_heads(card, answered, np.random.default_rng(seed))
    adaptation = replace(adaptation, notes=with_names(log, adaptation.notes))
    if not adaptation.heads:
        return Adapted(adaptation, len(answered), None, tuple(_left_out(log, card)))
    share = _confirmed_share(log)
    heads = {**card.finding_heads, **{kind: _table(head) for kind, head in adaptation.heads.items()}}
    new = replace(
        card,
        version=next_version(folder, card),
        finding_heads=heads,
        cell_head=_table(_rebased(card, share)),
        doubtful_below=_doubtful_below(card, adaptation.heads, answered),
        made={
            **card.made,
            "defective_share": share or card.made.get("defective_share"),
            "adapted": _description(card, adaptation),
        },
    )
    installed = install(folder, new, in_force.with_name(card.network))
    return Adapted(adaptation, len(answered), installed, tuple(_left_out(log, card)), tuple(_changes(card, new)))


def with_names(log: Log, notes: Iterable[Message]) -> tuple[Message, ...]:
    """Return notes that name inspectors as people know them; the log's events hold an id only."""
    with log.reading() as connection:
        return tuple(
            Message(note.code, {**note.values, "inspector": name_of(connection, str(code)) or code})
            if (code := note.values.get("inspector"))
            else note
            for note in notes
        )


def _changes(old: ModelCard, new: ModelCard) -> Iterator[Message]:
    for kind, limit in new.doubtful_below.items():
        earlier = old.doubtful_below.get(kind, 0.0)
        if limit != earlier:
            yield Message("adapt.limit", {"kind": kind.value, "before": earlier, "after": limit})
    before, after = (card.made.get("defective_share") for card in (old, new))
    if isinstance(before, float) and isinstance(after, float) and before != after:
        yield Message("adapt.base_rate", {"before": 100 * before, "after": 100 * after})


def answered_flags(log: Log, card: ModelCard) -> Iterator[AnsweredFlag]:
    """Yield the machine flags of production panels that an inspector answered one by one.

    Only flags that this card's network saw: evidence of another network means something else.
    """
    labels = labels_of_network(log, card.sha256)
    with log.reading() as connection:
        of_cell = and_(
            flagged_cells.c.inspection == flags.c.inspection,
            flagged_cells.c.string == flags.c.string,
            flagged_cells.c.position == flags.c.position,
        )
        chosen = (
            select(
                inspections.c.id, inspections.c.serial, flags.c.flag, flags.c.answer, flags.c.answered_by,
                flagged_cells.c.stringer, flagged_cells.c.lane,
            )
            .join_from(inspections, flags, flags.c.inspection == inspections.c.id)
            .outerjoin(flagged_cells, of_cell)
            .where(
                inspections.c.purpose == Purpose.PRODUCTION,
                inspections.c.stage == Stage.BEFORE_LAMINATION,
                inspections.c.model.in_(labels),
                flags.c.answer.is_not(None),
                ~flags.c.added,
                ~flags.c.closed,
            )
            .order_by(inspections.c.event_id)
        )  # fmt: skip
        result_flags: dict[str, dict[str, dict[str, object]]] = {}
        for row in connection.execute(chosen):
            if row.id not in result_flags:
                result_flags = {row.id: {flag["id"]: flag for flag in result_of(connection, row.id)["flags"]}}
            flag = result_flags[row.id].get(row.flag)
            if flag is None or not flag.get("evidence"):
                continue
            lane = "/".join(name for name in (row.stringer, row.lane) if name)
            yield AnsweredFlag(
                Kind(str(flag["kind"])), unpack(str(flag["evidence"])), row.answer != Answer.DISMISSED,
                row.serial or row.id, row.answered_by or "", lane,
            )  # fmt: skip


def _left_out(log: Log, card: ModelCard) -> Iterator[Message]:
    """Yield how many flags of the machine were answered but do not teach, by the first reason."""
    elsewhere = (inspections.c.purpose != Purpose.PRODUCTION) | (inspections.c.stage != Stage.BEFORE_LAMINATION)
    reason = case(
        (flags.c.closed, "adapt.left_closed"),
        (elsewhere, "adapt.left_elsewhere"),
        (inspections.c.model.not_in(labels_of_network(log, card.sha256)), "adapt.left_network"),
        (inspections.c.model.is_(None), "adapt.left_network"),
    ).label("reason")
    counted = (
        select(reason, func.count())
        .join_from(inspections, flags, flags.c.inspection == inspections.c.id)
        .where(flags.c.answer.is_not(None) | flags.c.closed, ~flags.c.added)
        .group_by(reason)
        .order_by(reason)
    )
    with log.reading() as connection:
        for code, count in connection.execute(counted):
            if code is not None:
                yield Message(code, {"n": count})


def _rebased(card: ModelCard, here: float | None) -> LinearHead:
    """Move the cell's head to the share of confirmed cells at the plant; as it is while nothing was confirmed."""
    head = card.cell_head.head()
    there = card.made.get("defective_share")
    return rebased(head, there, here) if isinstance(there, float) and here is not None else head


def _confirmed_share(log: Log) -> float | None:
    """Return the share of production cells that were confirmed as defective; None while that is none, or all."""
    with log.reading() as connection:
        cells = int(connection.execute(_of_production(inspected_counts, "cells")).scalar() or 0)
        confirmed = int(connection.execute(_of_production(kept_counts, "confirmed")).scalar() or 0)
    return confirmed / cells if 0 < confirmed < cells else None


def _of_production(table: Table, column: str) -> Select[Any]:
    chosen = (table.c.purpose == Purpose.PRODUCTION, table.c.stage == Stage.BEFORE_LAMINATION)
    return select(func.sum(table.c[column])).where(*chosen)


def _doubtful_below(card: ModelCard, heads: dict[Kind, LinearHead], answered: list[AnsweredFlag]) -> dict[Kind, float]:
    """Return the probability below which findings are doubtful: one in a hundred confirmed ones may lie there."""
    limits = dict(card.doubtful_below)
    for kind, head in heads.items():
        rows = np.stack([flag.evidence for flag in answered if flag.kind is kind and flag.true])
        limits[kind] = doubtful_limit(finding_probability(head, rows), _KEPT_CONFIRMED)
    return limits


def _table(head: LinearHead) -> HeadTable:
    return HeadTable({name: round(w, 6) for name, w in zip(head.names, head.weights, strict=True)}, round(head.bias, 6))


def next_version(folder: Path, card: ModelCard) -> str:
    """Return the next free version of this model at this station."""
    base = card.version.split("+")[0]
    pattern = re.compile(re.escape(f"{card.name}-{base}+site.") + r"(\d+)\.json$")
    taken = [int(found[1]) for path in folder.glob("*.json") if (found := pattern.match(path.name))]
    return f"{base}+site.{max(taken, default=0) + 1}"


def _description(card: ModelCard, adaptation: Adaptation) -> dict[str, object]:
    return {
        "from": card.label,
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
        "outcomes": [
            {
                "kind": outcome.kind.value,
                "learnt": outcome.learnt,
                "held_out": outcome.held_out,
                "loss_before": round(outcome.loss_before, 4),
                "loss_after": round(outcome.loss_after, 4),
                "gain": [round(end, 4) for end in outcome.gain],
            }
            for outcome in adaptation.outcomes
        ],
    }


def told(adapted: Adapted) -> Iterator[Message]:
    """Yield what a person should know about an adaptation."""
    yield Message("adapt.answers", {"n": adapted.answers})
    yield from adapted.left_out
    yield from adapted.adaptation.notes
    for outcome in adapted.adaptation.outcomes:
        values = {
            "kind": outcome.kind.value,
            "learnt": outcome.learnt,
            "held_out": outcome.held_out,
            "before": outcome.loss_before,
            "after": outcome.loss_after,
            "low": outcome.gain[0],
            "high": outcome.gain[1],
        }
        yield Message("adapt.better" if outcome.better else "adapt.not_better", values)
    if adapted.card is None:
        yield Message("adapt.nothing")
    else:
        yield from adapted.changes
        yield Message("adapt.installed", {"file": str(adapted.card)})
