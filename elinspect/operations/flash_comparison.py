"""Predicted against flashed losses of the modules that were really laminated."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select

from elinspect.electrical import LossModel, loss_model, panel_loss
from elinspect.operations.reviews import review_of
from elinspect.operations.versions import logged_recipe
from elinspect.records import Answer, Disposition, Purpose, Stage
from elinspect.statistics.measured_loss import LossComparison, MeasuredPanel, compare_losses
from elinspect.store.log import Log
from elinspect.store.schema import context_rows, flash_results, inspections

LEAST_SHARE = 0.002
"""Predicted loss over the product's power from which a module counts as one with a loss; plant's choice: a fifth of a
percent is less than a flash tester tells from one module to the next."""

_SHIFT_STARTS = ((22, "night"), (14, "late"), (6, "early"), (0, "night"))
"""Hours at which shifts begin; common practice, no source."""


def compare_flash(
    log: Log, *, since: str | None = None, until: str | None = None, purpose: Purpose = Purpose.PRODUCTION
) -> tuple[tuple[str, LossComparison], ...]:
    """Compare what flags were predicted to cost with what the flash tester measured, product by product.

    Only panels that were accepted or conceded at the gate and flashed afterwards count, in groups of one product, cell
    class, tester and shift.

    Parameters
    ----------
    log : Log
        The log; nothing is written.
    since, until : str, optional
        First and last day of the inspection, ``YYYY-MM-DD``.
    purpose : Purpose
        Of the inspections.

    Returns
    -------
    tuple of (product, LossComparison)
        Products without electrical data are left out.
    """
    with log.reading() as connection:
        laminated = _laminated(connection, since, until, purpose)
        flashed = _latest_flash(connection, [row.serial for row in laminated])
        classes = _cell_classes(connection, list(flashed))
    by_product: dict[str, list[Any]] = defaultdict(list)
    for row in laminated:
        if row.serial in flashed:
            by_product[row.product].append(row)
    found = []
    for product, rows in sorted(by_product.items()):
        recipe = logged_recipe(log, product)
        model = loss_model(recipe) if recipe is not None else None
        if isinstance(model, LossModel):
            panels = [
                _measured(log, row, flashed[row.serial], classes.get(row.serial, ""), product, model) for row in rows
            ]
            found.append((product, compare_losses(panels, LEAST_SHARE * model.power_w)))
    return tuple(found)


def _measured(log: Log, row: Any, flash: Any, cell_class: str, product: str, model: LossModel) -> MeasuredPanel:
    with log.reading() as connection:
        review = review_of(connection, row.id)
    dismissed = {name for name, verdict in review.verdicts.items() if verdict.answer is Answer.DISMISSED}
    standing = [flag for flag in review.flags if flag.id not in dismissed]
    group = (product, cell_class, flash.tester, _shift(flash.measured_at))
    return MeasuredPanel(group, panel_loss(standing, model).loss_w, flash.power_w)


def _laminated(connection: Connection, since: str | None, until: str | None, purpose: Purpose) -> list[Any]:
    """Return the last gate inspection of every panel that went on to the press."""
    table = inspections.c
    asked = [table.purpose == purpose.value, table.stage == Stage.BEFORE_LAMINATION.value, ~table.superseded]
    asked += [table.serial.is_not(None)]
    asked += [table.day >= since] if since is not None else []
    asked += [table.day <= until] if until is not None else []
    columns = (table.id, table.serial, table.product, table.decision)
    last = {row.serial: row for row in connection.execute(select(*columns).where(*asked).order_by(table.event_id))}
    went_on = (Disposition.ACCEPT, Disposition.CONCESSION)
    return [row for row in last.values() if row.decision in went_on]


def _latest_flash(connection: Connection, serials: Sequence[str]) -> dict[str, Any]:
    found = {}
    table = flash_results.c
    for first in range(0, len(serials), 500):
        some = table.serial.in_(serials[first : first + 500])
        rows = connection.execute(
            select(flash_results).where(some, table.power_w.is_not(None)).order_by(table.measured_at)
        )
        found.update({row.serial: row for row in rows})
    return found


def _cell_classes(connection: Connection, serials: Sequence[str]) -> dict[str, str]:
    """Return the cell class of each panel: all classes in it, where strings differ."""
    found: dict[str, set[str]] = defaultdict(set)
    table = context_rows.c
    for first in range(0, len(serials), 500):
        some = table.serial.in_(serials[first : first + 500])
        for row in connection.execute(select(table.serial, table.cell_class).where(some, table.valid_to.is_(None))):
            if row.cell_class:
                found[row.serial].add(row.cell_class)
    return {serial: "/".join(sorted(classes)) for serial, classes in found.items()}


def _shift(measured_at: str) -> str:
    hour = datetime.fromisoformat(measured_at).hour
    return next(name for start, name in _SHIFT_STARTS if hour >= start)
