"""The command that prints rework tickets."""

from pathlib import Path
from typing import Annotated

import typer

from elinspect.catalogue import words
from elinspect.cli_console import LogOption, in_words, log_place, out


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
