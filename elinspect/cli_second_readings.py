"""Commands about second readings and audits: what tells how much the machine and the inspectors miss."""

from typing import Annotated

import typer

from elinspect.catalogue import words
from elinspect.cli_console import LogOption, in_words, log_place, out
from elinspect.records import Disposition, Kind, Purpose
from elinspect.review.gate import Role

readings_app = typer.Typer(
    no_args_is_help=True,
    help=(
        "Second readings: panels in which nobody saw anything, drawn at random and read again, blind, by somebody "
        "else. They tell the machine's recall, which no other figure can."
    ),
)
_STATION = "second readings"

ByOption = Annotated[str, typer.Option("--by", help="Who you are; where PINs are in use, yours is asked for.")]
RoleOption = Annotated[Role, typer.Option(help="In which role.")]


@readings_app.command()
@in_words
def ask(
    by: ByOption,
    panels: Annotated[int, typer.Option(help="How many panels.", min=1)] = 30,
    role: RoleOption = Role.QUALITY_ENGINEER,
    purpose: Annotated[Purpose, typer.Option(help="Which panels.")] = Purpose.PRODUCTION,
    since: Annotated[str | None, typer.Option(help="First day; by default the newest.", metavar="YYYY-MM-DD")] = None,
    until: Annotated[str | None, typer.Option(help="Last day; by default the newest.", metavar="YYYY-MM-DD")] = None,
    product: Annotated[str | None, typer.Option(help="Only this product.")] = None,
    log: LogOption = None,
) -> None:
    """Draw panels for a second reading: accepted at once, nothing flagged above a limit, nothing added."""
    from elinspect.operations.second_readings import ask_second_readings
    from elinspect.store.log import open_log

    with open_log(log_place(log), new=False) as opened:
        person = _signed_in(opened, by, role)
        drawn = ask_second_readings(
            opened, _STATION, person, panels, purpose, since=since, until=until, product=product
        )
    out.print(words("readings.asked", n=drawn), markup=False)


def _signed_in(opened: object, name: str, role: Role) -> str:
    from elinspect.operations.people import sign_in
    from elinspect.store.log import Log
    from elinspect.store.people import pins_in_use

    assert isinstance(opened, Log)
    with opened.reading() as connection:
        guarded = pins_in_use(connection)
    pin = typer.prompt(words("command.pin_of", name=name), hide_input=True) if guarded else ""
    return sign_in(opened, _STATION, name, role, pin)


@readings_app.command("list")
@in_words
def list_readings(log: LogOption = None) -> None:
    """List the panels that wait for a second reading, each with its picture."""
    from elinspect.operations.second_readings import readings_waiting
    from elinspect.store.log import open_log

    with open_log(log_place(log), new=False) as opened:
        waiting = readings_waiting(opened)
    for panel in waiting:
        out.print(f"{panel.serial}  {panel.path or ''}".rstrip(), markup=False, soft_wrap=True)
    if not waiting:
        out.print(words("readings.nobody_waits"), markup=False)


@readings_app.command()
@in_words
def read(
    serial: Annotated[str, typer.Argument(help="Serial of the panel.", metavar="SERIAL")],
    by: ByOption,
    cell: Annotated[
        list[str] | None,
        typer.Option(
            help="A cell you hold for defective: number of its string through the panel, of the cell in it, and what "
            "it is, such as 3-7:crack. Repeat it.",
            metavar="STRING-CELL:KIND",
        ),
    ] = None,
    nothing: Annotated[bool, typer.Option("--nothing", help="You saw nothing.")] = False,
    role: RoleOption = Role.INSPECTOR,
    note: Annotated[str, typer.Option(help="Anything else.")] = "",
    log: LogOption = None,
) -> None:
    """Log what you saw in a panel that waits for a second reading; who decided a panel cannot read it again."""
    if nothing == bool(cell):
        raise typer.BadParameter("give the cells you saw, or --nothing", param_hint="--cell / --nothing")
    cells = [_seen(given) for given in cell or ()]
    from elinspect.operations.second_readings import SeenCell, log_second_reading, readings_waiting
    from elinspect.store.log import open_log

    with open_log(log_place(log), new=False) as opened:
        found = [waiting for waiting in readings_waiting(opened) if waiting.serial == serial]
        if not found:
            raise typer.BadParameter(words("readings.not_asked", serial=serial), param_hint="SERIAL")
        person = _signed_in(opened, by, role)
        log_second_reading(opened, _STATION, person, found[0], [SeenCell(*seen) for seen in cells], note)
    out.print(words("readings.logged", serial=serial, n=len(cells)), markup=False)


def _seen(given: str) -> tuple[int, int, Kind]:
    place, _, kind = given.partition(":")
    string, _, position = place.partition("-")
    try:
        return int(string), int(position), Kind(kind)
    except ValueError as error:
        raise typer.BadParameter(f"'{given}' is not like 3-7:crack", param_hint="--cell") from error


@in_words
def audit(
    serial: Annotated[str, typer.Argument(help="Serial of the panel.", metavar="SERIAL")],
    disposition: Annotated[Disposition, typer.Argument(help="What you would have decided.")],
    by: ByOption,
    role: RoleOption = Role.AUDITOR,
    note: Annotated[str, typer.Option(help="Why.")] = "",
    log: LogOption = None,
) -> None:
    """Log what an auditor would have decided about a panel; the decision itself stays."""
    from elinspect.operations.audits import audit_panel
    from elinspect.store.log import open_log

    with open_log(log_place(log), new=False) as opened:
        person = _signed_in(opened, by, role)
        agrees = audit_panel(opened, _STATION, person, serial, disposition, note)
    out.print(words("audit.agrees" if agrees else "audit.differs", serial=serial), markup=False)
