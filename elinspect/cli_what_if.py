"""The command that judges a period of the log again under other criteria."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from elinspect.catalogue import words
from elinspect.cli_console import LogOption, in_words, log_place, out, progress_bar
from elinspect.records import Disposition, Purpose

if TYPE_CHECKING:
    from elinspect.operations.what_if import WhatIf
    from elinspect.statistics.measured_loss import LossComparison

_SHOWN = 20


@in_words
def what_if(
    criteria: Annotated[Path, typer.Option(help="The other acceptance criteria (TOML).", metavar="FILE")],
    log: LogOption = None,
    since: Annotated[str | None, typer.Option(help="First day.", metavar="YYYY-MM-DD")] = None,
    until: Annotated[str | None, typer.Option(help="Last day.", metavar="YYYY-MM-DD")] = None,
    purpose: Annotated[Purpose, typer.Option(help="Only panels of this purpose.")] = Purpose.PRODUCTION,
) -> None:
    """Judge a period of the log again under other criteria: panels, cells, minutes and watts that change side.

    Nothing is written. With flash results in the log, predicted losses are compared with measured ones.
    """
    from elinspect.criteria import read_criteria
    from elinspect.operations.flash_comparison import compare_flash
    from elinspect.operations.what_if import what_if as judge_again
    from elinspect.store.log import open_log

    other = read_criteria(criteria)
    with open_log(log_place(log)) as opened, progress_bar() as progress:
        bar = progress.add_task(words("what_if.judging"), total=100)
        found = judge_again(
            opened,
            other,
            since=since,
            until=until,
            purpose=purpose,
            progress=lambda share: progress.update(bar, completed=round(100 * share)),
        )
        flashed = compare_flash(opened, since=since, until=until, purpose=purpose)
    _show(found)
    for product, comparison in flashed:
        _show_flash(product, comparison)


def _show(found: "WhatIf") -> None:
    out.print(words("what_if.judged", n=len(found.panels), criteria=found.criteria), markup=False)
    if found.not_replayed:
        out.print(words("what_if.not_replayed", n=found.not_replayed), markup=False)
    table = Table(title=words("what_if.title"), title_justify="left")
    for column in ("what_if.before", "what_if.after", "what_if.panels"):
        table.add_column(words(column), justify="right" if column.endswith("panels") else "left")
    for (before, after), count in sorted(found.moves.items()):
        table.add_row(_named(before), _named(after), str(count))
    out.print(table)
    for line in (
        words("what_if.sides", accepted=len(found.newly_accepted), refused=len(found.no_longer_accepted)),
        words("what_if.cells", freed=found.cells_freed, caught=found.cells_caught),
        _minutes(found),
        words(
            "what_if.watts",
            before=found.shipped_watts(after=False),
            after=found.shipped_watts(after=True),
            worst_before=found.shipped_watts(after=False, worst=True),
            worst_after=found.shipped_watts(after=True, worst=True),
        ),
    ):
        out.print(line, markup=False)
    changed = [panel for panel in found.panels if panel.changes_side]
    for panel in changed[:_SHOWN]:
        values = {"before": _named(panel.before.disposition), "after": _named(panel.after.disposition)}
        text = words("what_if.panel", serial=panel.serial, loss_w=panel.loss_w, inspection=panel.inspection, **values)
        out.print(text, markup=False)
    if len(changed) > _SHOWN:
        out.print(words("what_if.more", n=len(changed) - _SHOWN), markup=False)


def _minutes(found: "WhatIf") -> str:
    before, after = (found.rework_minutes(after=side) for side in (False, True))
    if before is None or after is None:
        return words("what_if.no_minutes")
    return words("what_if.minutes", before=before, after=after)


def _named(disposition: Disposition) -> str:
    return words(f"disposition.{disposition}")


def _show_flash(product: str, comparison: "LossComparison") -> None:
    out.print(words("what_if.flash", product=product, groups=len(comparison.groups)), markup=False)
    if comparison.range_w is None:
        out.print(words("what_if.flash_nothing", n=comparison.left_out), markup=False)
        return
    for group in comparison.groups:
        names = [name or words("common.unknown") for name in group.group[1:]]
        values = {"cell_class": names[0], "tester": names[1], "shift": names[2]}
        figures = {
            "predicted": group.predicted_w,
            "measured": group.measured_w,
            "error": group.standard_error_w,
            "smallest": group.smallest_detectable_w,
        }
        out.print(words("what_if.group", n=group.with_loss, m=group.without, **values, **figures), markup=False)
    low, high = comparison.range_w
    code = "what_if.flash_differs" if comparison.differs else "what_if.flash_agrees"
    text = words(
        code,
        difference=comparison.difference_w,
        error=comparison.standard_error_w,
        smallest=comparison.smallest_detectable_w,
        low=low,
        high=high,
    )
    out.print(text, markup=False)
