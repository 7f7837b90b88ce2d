"""Commands for the bench: print a rework ticket, log what was done."""

from pathlib import Path
from typing import Annotated

import typer

from elinspect.catalogue import words
from elinspect.cli_console import LogOption, in_words, log_place, out

BENCH = "bench"
"""Name under which the bench logs."""


@in_words
def ticket(
    serial: Annotated[str | None, typer.Argument(help="Serial of the panel.", metavar="SERIAL")] = None,
    inspection: Annotated[str | None, typer.Option(help="One inspection, in place of the serial.")] = None,
    folder: Annotated[Path, typer.Option("--out", help="Folder for the ticket.", metavar="DIR")] = Path(),
    paper: Annotated[str, typer.Option(help="a4, letter or label.")] = "a4",
    log: LogOption = None,
) -> None:
    """Write the rework ticket of a panel as PDF and PNG: the map as the bench sees it, steps, pictures, cautions."""
    from elinspect.operations.ticket import write_ticket
    from elinspect.reports.ticket import Paper
    from elinspect.store.log import open_log

    if (serial is None) == (inspection is None):
        raise typer.BadParameter("give either SERIAL or --inspection", param_hint="SERIAL")
    if paper not in list(Paper):
        raise typer.BadParameter("one of " + ", ".join(Paper), param_hint="--paper")
    with open_log(log_place(log)) as opened:
        written = write_ticket(opened, folder, serial=serial, inspection=inspection, paper=Paper(paper))
    for path in written:
        out.print(words("command.written", file=str(path)), markup=False)


@in_words
def bench(
    serial: Annotated[str, typer.Argument(help="Serial of the panel.", metavar="SERIAL")],
    by: Annotated[str, typer.Option("--by", help="Who did it; where PINs are in use, yours is asked for.")],
    did: Annotated[
        list[str] | None,
        typer.Option(
            help="What was done, and where as on the ticket: cell_replaced:A-2, string_replaced:C, resoldered:B-7, "
            "cell_turned:A-1, realigned:A-3, foreign_body_removed:D-4, cleaned, nothing_done, other. Repeat it.",
            metavar="WORK:PLACE",
        ),
    ] = None,
    planned: Annotated[bool, typer.Option("--as-planned", help="Every step of the ticket was done.")] = False,
    new_string: Annotated[
        list[str] | None, typer.Option(help="Id of a string put in: C=S-0123. Repeat it.", metavar="PLACE=ID")
    ] = None,
    removed: Annotated[
        str | None, typer.Option(help="What became of what was taken out: scrapped, reused or kept.")
    ] = None,
    minutes: Annotated[float | None, typer.Option(help="How long it took.", min=0)] = None,
    note: Annotated[str, typer.Option(help="Anything else.")] = "",
    log: LogOption = None,
) -> None:
    """Log what was done to a panel at the bench, so that its next picture is compared with what should be new.

    What was replaced is no longer charged to the stringer that made it.
    """
    from elinspect.operations.bench import Fate, log_rework_done
    from elinspect.operations.bench_entry import asks_pin, lines_of, sign_in_at_bench, work_as_planned, work_as_written
    from elinspect.store.log import open_log

    if bool(did) == planned:
        raise typer.BadParameter("give either --did or --as-planned", param_hint="--did / --as-planned")
    if removed is not None and (removed not in list(Fate) or not removed):
        raise typer.BadParameter("one of " + ", ".join(filter(None, Fate)), param_hint="--removed")
    pairs = [text.partition("=") for text in new_string or ()]
    if any(not place or not name for place, _, name in pairs):
        raise typer.BadParameter("PLACE=ID, such as C=S-0123", param_hint="--new-string")
    fate = Fate(removed or "")
    with open_log(log_place(log), new=False) as opened:
        if planned:
            done = work_as_planned(opened, serial, fate)
        else:
            done = work_as_written(opened, serial, did or (), {place: name for place, _, name in pairs}, fate)
        if asks_pin(opened):
            by = sign_in_at_bench(opened, BENCH, by, typer.prompt(words("command.pin_of", name=by), hide_input=True))
        log_rework_done(opened, BENCH, by, serial, done, minutes=minutes, note=note)
        for line in lines_of(opened, serial, done):
            out.print(line, markup=False)
    out.print(words("bench.logged", serial=serial), markup=False)
