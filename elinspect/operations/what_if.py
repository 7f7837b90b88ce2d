"""What if other criteria had been in force: a period of the log judged again, and what changes side."""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from statistics import fmean
from typing import Any

from sqlalchemy import Connection, select

from elinspect.criteria import AcceptanceCriteria, QualityLimits
from elinspect.electrical import LossModel, loss_model, panel_loss
from elinspect.operations.reviews import review_of
from elinspect.operations.versions import logged_criteria, logged_recipe
from elinspect.recipe import ProductRecipe
from elinspect.records import Answer, Disposition, Flag, NotFound, PanelResult, Purpose, Stage
from elinspect.review.session import Review
from elinspect.store.log import Log
from elinspect.store.schema import inspections, reworks
from elinspect.triage import plan_rework, propose, that_count, with_limits

Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class Judged:
    """One panel under one set of criteria.

    Attributes
    ----------
    disposition : Disposition
        What the criteria suggest, dismissed flags left out.
    cells : frozenset of (string, position)
        Places with a flag above a limit.
    minutes : float or None
        Of the rework, by the plant's figures in the new criteria.
    """

    disposition: Disposition
    cells: frozenset[tuple[int | None, int | None]]
    minutes: float | None


@dataclass(frozen=True, slots=True)
class Replayed:
    """One inspection judged again.

    Attributes
    ----------
    inspection, serial : str
        Which; serial None where it had none.
    before, after : Judged
        Under the criteria it was inspected by, and under the new ones.
    loss_w, worst_loss_w : float or None
        What its flags could cost; None where the product has no electrical data.
    """

    inspection: str
    serial: str | None
    before: Judged
    after: Judged
    loss_w: float | None
    worst_loss_w: float | None

    @property
    def changes_side(self) -> bool:
        """Whether the panel goes on to the press under one set of criteria only."""
        return (self.before.disposition is Disposition.ACCEPT) != (self.after.disposition is Disposition.ACCEPT)


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A period judged again.

    Attributes
    ----------
    criteria : str
        Name and version of the new criteria.
    panels : tuple of Replayed
        Every inspection that could be judged again, in the order they were seen.
    not_replayed : int
        Inspections whose recipe or criteria the log does not have.
    minutes_per_rework : float or None
        What a rework took, by what the bench logged in all the log; stands in where the new criteria give no minutes.
    """

    criteria: str
    panels: tuple[Replayed, ...]
    not_replayed: int
    minutes_per_rework: float | None

    @property
    def moves(self) -> Mapping[tuple[Disposition, Disposition], int]:
        """How many panels go from one disposition to another."""
        return Counter((panel.before.disposition, panel.after.disposition) for panel in self.panels)

    @property
    def newly_accepted(self) -> tuple[Replayed, ...]:
        """Panels that would go on to the press and did not."""
        return tuple(p for p in self.panels if p.changes_side and p.after.disposition is Disposition.ACCEPT)

    @property
    def no_longer_accepted(self) -> tuple[Replayed, ...]:
        """Panels that would not go on to the press any more."""
        return tuple(p for p in self.panels if p.changes_side and p.before.disposition is Disposition.ACCEPT)

    @property
    def cells_freed(self) -> int:
        """Cells that would no longer be above a limit."""
        return sum(len(panel.before.cells - panel.after.cells) for panel in self.panels)

    @property
    def cells_caught(self) -> int:
        """Cells that would newly be above a limit."""
        return sum(len(panel.after.cells - panel.before.cells) for panel in self.panels)

    def rework_minutes(self, *, after: bool) -> float | None:
        """Return the minutes of all reworks under the one or the other criteria; None where nobody gave minutes."""
        total = 0.0
        for panel in self.panels:
            judged = panel.after if after else panel.before
            if judged.disposition is not Disposition.REWORK:
                continue
            minutes = judged.minutes if judged.minutes is not None else self.minutes_per_rework
            if minutes is None:
                return None
            total += minutes
        return total

    def shipped_watts(self, *, after: bool, worst: bool = False) -> float:
        """Return what the flags of the panels that go on to the press could cost, W; panels without data left out."""
        return sum(
            (panel.worst_loss_w if worst else panel.loss_w) or 0.0
            for panel in self.panels
            if (panel.after if after else panel.before).disposition is Disposition.ACCEPT
        )


def what_if(
    log: Log,
    criteria: AcceptanceCriteria,
    *,
    since: str | None = None,
    until: str | None = None,
    purpose: Purpose = Purpose.PRODUCTION,
    progress: Progress | None = None,
) -> WhatIf:
    """Judge a period of the log again under other criteria.

    Flags stand as the inspectors left them: dismissed ones are left out, changed and added ones count. Looser limits of
    image quality bring back no image that was held for it; stricter ones are applied to the figures in the log. Flags
    of kinds that were not judgeable then are not in the log.

    Parameters
    ----------
    log : Log
        The log; nothing is written.
    criteria : AcceptanceCriteria
        The other criteria.
    since, until : str, optional
        First and last day, ``YYYY-MM-DD``.
    purpose : Purpose
        Only inspections of this purpose, at the gate.
    progress : callable, optional
        Told the share done, 0..1.
    """
    with log.reading() as connection:
        rows = _rows(connection, since, until, purpose)
        logged = connection.execute(select(reworks.c.event_id, reworks.c.minutes).distinct()).all()
    known = [row.minutes for row in logged if row.minutes is not None]
    products: dict[str, tuple[ProductRecipe, LossModel | None] | None] = {}
    earlier: dict[str, AcceptanceCriteria | None] = {}
    panels, missing = [], 0
    for number, row in enumerate(rows):
        if row.product not in products:
            products[row.product] = _product(log, row.product)
        if row.criteria not in earlier:
            earlier[row.criteria] = logged_criteria(log, row.criteria)
        product, old = products[row.product], earlier[row.criteria]
        if product is None or old is None:
            missing += 1
        else:
            with log.reading() as connection:
                review = review_of(connection, row.id)
            panels.append(_replayed(review, *product, old, criteria))
        if progress is not None:
            progress((number + 1) / len(rows))
    return WhatIf(criteria.label, tuple(panels), missing, fmean(known) if known else None)


def _rows(connection: Connection, since: str | None, until: str | None, purpose: Purpose) -> list[Any]:
    table = inspections.c
    asked = [table.purpose == purpose.value, table.stage == Stage.BEFORE_LAMINATION.value, ~table.superseded]
    asked += [table.day >= since] if since is not None else []
    asked += [table.day <= until] if until is not None else []
    columns = (table.id, table.product, table.criteria)
    return list(connection.execute(select(*columns).where(*asked).order_by(table.event_id)).all())


def _product(log: Log, label: str) -> tuple[ProductRecipe, LossModel | None] | None:
    recipe = logged_recipe(log, label)
    if recipe is None:
        return None
    model = loss_model(recipe)
    return recipe, model if isinstance(model, LossModel) else None


def _replayed(
    review: Review, recipe: ProductRecipe, model: LossModel | None, old: AcceptanceCriteria, new: AcceptanceCriteria
) -> Replayed:
    result = review.result
    dismissed = {name for name, verdict in review.verdicts.items() if verdict.answer is Answer.DISMISSED}
    flags = tuple(flag for flag in review.flags if flag.id not in dismissed)
    loss = panel_loss(flags, model) if model is not None else None
    # The same minutes on both sides: what is compared are the limits.
    before = _judged(result, flags, recipe, replace(old, rework=new.rework), model)
    after = _judged(result, flags, recipe, new, model)
    watts = (loss.loss_w, loss.worst_loss_w) if loss is not None else (None, None)
    return Replayed(review.inspection, result.serial, before, after, *watts)


def _judged(
    result: PanelResult,
    flags: tuple[Flag, ...],
    recipe: ProductRecipe,
    criteria: AcceptanceCriteria,
    model: LossModel | None,
) -> Judged:
    in_force = criteria.in_force(recipe.name, recipe.cell.technology, result.customer)
    loss = panel_loss(that_count(flags, in_force), model) if model is not None else None
    limited = with_limits(flags, in_force, loss)
    quality = replace(result.quality, usable=_usable(result, in_force.quality))
    not_found = NotFound(result.panel.reason) if result.panel.reason is not None else None
    proposal = propose(limited, quality, not_found, recipe, in_force, loss)
    plan = plan_rework(limited, proposal, recipe, in_force, result.attempt)
    places = frozenset((flag.string, flag.position) for flag in limited if flag.limit is not None)
    return Judged(proposal.disposition, places, plan.minutes if plan is not None else 0.0)


def _usable(result: PanelResult, limits: QualityLimits) -> bool:
    quality = result.quality
    enough = quality.signal_to_noise is None or quality.signal_to_noise >= limits.min_signal_to_noise
    saturated = quality.saturated_fraction is not None and quality.saturated_fraction > limits.max_saturated_fraction
    coarse = quality.mm_per_px is not None and quality.mm_per_px > limits.max_mm_per_px
    few_steps = quality.grey_steps is not None and quality.grey_steps < limits.min_grey_steps
    unjudged = sum(not cell.judged for cell in result.cells)
    seen_well = enough and not (saturated or coarse or few_steps)
    return quality.usable and seen_well and unjudged <= limits.max_unjudged_cells
