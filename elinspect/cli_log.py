"""Commands about the log: imports, verify, rebuild, backup, restore, old pictures."""

from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from elinspect.catalogue import words
from elinspect.cli_console import LogOption, err, in_words, log_place, out, progress_bar

if TYPE_CHECKING:
    from elinspect.operations.importing import ImportReport

context_app = typer.Typer(no_args_is_help=True, help="Production context: which stringer and lane made which string.")
maintenance_app = typer.Typer(no_args_is_help=True, help="Maintenance of stringers and other machines.")
flash_app = typer.Typer(no_args_is_help=True, help="Flash-test results of finished modules.")
log_app = typer.Typer(no_args_is_help=True, help="Look after the log: check it, back it up, make room.")

_KEPT_SHOWN = 20
"""Pictures that stay and are named one by one; the rest is counted by reason."""

TableFile = Annotated[Path, typer.Argument(help="CSV file or workbook (XLSX).", metavar="FILE")]


def _import(file: Path, log: str | None, run: "Callable[..., ImportReport]") -> None:
    from elinspect.store.log import open_log

    with open_log(log_place(log)) as opened, progress_bar() as progress:
        bar = progress.add_task(words("command.importing"), total=100)
        report = run(opened, file, lambda share: progress.update(bar, completed=round(100 * share)))
    out.print(words("command.imported", added=report.added, known=report.known, bad=len(report.bad)))
    if report.ignored_columns:
        out.print(words("command.ignored_columns", columns=", ".join(report.ignored_columns)), markup=False)
    for bad in report.bad:
        err.print(bad.text, markup=False)
    if report.bad:
        raise typer.Exit(1)


@context_app.command("import")
@in_words
def import_context(file: TableFile, log: LogOption = None) -> None:
    """Import the production context of strings, one row per string.

    Every bad row is reported with its line and reason, good rows are kept; importing a file twice changes nothing. Exit
    code 1 if any row was bad.
    """
    from elinspect.operations.context import import_context as run

    _import(file, log, run)


@maintenance_app.command("import")
@in_words
def import_maintenance(file: TableFile, log: LogOption = None) -> None:
    """Import maintenance events, one row per event; bad rows are reported, good ones kept."""
    from elinspect.operations.maintenance import import_maintenance as run

    _import(file, log, run)


@flash_app.command("import")
@in_words
def import_flash(file: TableFile, log: LogOption = None) -> None:
    """Import flash-test results, one row per measurement; bad rows are reported, good ones kept."""
    from elinspect.operations.flash_results import import_flash_results as run

    _import(file, log, run)


@log_app.command()
@in_words
def verify(
    log: LogOption = None,
    anchor: Annotated[
        list[Path] | None, typer.Option(help="Anchor file (*.anchor.json); may be given several times.", metavar="FILE")
    ] = None,
) -> None:
    """Check that no record was changed.

    Every record of every chain is checked; exit code 1 names those that were edited, removed, inserted or cut off.
    Each export and backup has an anchor file beside it: with one, an end that was cut off or written anew is found too.
    """
    from elinspect.operations.upkeep import verify_log

    place = log_place(log)
    faults, heads = verify_log(place, anchor or ())
    for fault in faults:
        err.print(fault.text, style="bold red", markup=False)
    if faults:
        err.print(words("command.damaged", n=len(faults)), markup=False)
        raise typer.Exit(1)
    if not heads:
        out.print(words("command.empty_log", place=place), markup=False)
        return
    for head in heads:
        out.print(words("command.chain", station=head.station, number=head.number, hash=head.hash), markup=False)
    out.print(words("command.verified"))
    if not anchor:
        out.print(words("command.no_anchor"))


@log_app.command()
@in_words
def rebuild(log: LogOption = None) -> None:
    """Make all tables for reading anew from the records.

    Do it while no station works: others cannot write until it is done.
    """
    from elinspect.operations.upkeep import rebuild_log

    with progress_bar() as progress:
        bar = progress.add_task(words("command.rebuilding"), total=100)
        applied = rebuild_log(log_place(log), lambda share: progress.update(bar, completed=round(100 * share)))
    out.print(words("command.rebuilt", n=applied))


@log_app.command()
@in_words
def backup(
    target: Annotated[Path, typer.Argument(help="The backup; must not exist.", metavar="FILE")],
    log: LogOption = None,
) -> None:
    """Write a backup, while stations go on.

    The ends of the chains go into a second file beside it, FILE.anchor.json; keep that one elsewhere.
    """
    from elinspect.operations.upkeep import backup_log

    backup_log(log_place(log), target)
    out.print(words("command.written", file=str(target)), markup=False)


@log_app.command()
@in_words
def restore(
    source: Annotated[Path, typer.Argument(help="A backup.", metavar="FILE")],
    log: LogOption = None,
) -> None:
    """Bring a backup back to where no log is yet.

    The backup is checked first; one that is damaged or was changed is not restored.
    """
    from elinspect.operations.upkeep import restore_log

    place = log_place(log)
    restore_log(source, place)
    out.print(words("command.restored", file=str(source), place=place), markup=False)


@log_app.command("remove-pictures")
@in_words
def remove_pictures(
    days: Annotated[int, typer.Option("--older-than", help="Days that pictures are kept.", min=1, metavar="DAYS")],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask first.")] = False,
    log: LogOption = None,
) -> None:
    """Remove the picture files of old inspections; the log keeps every fact.

    A picture goes only if its panel is decided for good, or was photographed again, and the file is still the one that
    was logged. What stays is named with the reason.
    """
    from elinspect.operations.retention import remove_old_pictures
    from elinspect.store.log import open_log

    if not yes and not typer.confirm(words("command.remove_pictures", days=days)):
        raise typer.Exit(1)
    with open_log(log_place(log), new=False) as opened:
        report = remove_old_pictures(opened, days, "pictures")
    out.print(words("command.pictures_removed", n=report.removed, megabytes=report.freed_bytes / 1e6))
    for kept in report.kept[:_KEPT_SHOWN]:
        out.print(words("command.picture_kept", file=kept.path, reason=kept.reason.text), markup=False)
    for reason, number in Counter(kept.reason.text for kept in report.kept[_KEPT_SHOWN:]).items():
        out.print(words("command.pictures_kept", n=number, reason=reason), markup=False)
