"""Commands about people: PINs, badges, and names that are to be forgotten."""

from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from elinspect.catalogue import words
from elinspect.cli_console import LogOption, in_words, log_place, out
from elinspect.review.gate import Role

if TYPE_CHECKING:
    from elinspect.operations.people import Administrator

people_app = typer.Typer(
    no_args_is_help=True,
    help=(
        "Who may do what. As long as nobody has a PIN, names and roles are taken on trust; the first PIN is an "
        "administrator's, and from then on everybody signs in with their own."
    ),
)

NameArgument = Annotated[str, typer.Argument(help="Name of the person, as on the screen.", metavar="NAME")]
ByOption = Annotated[
    str | None,
    typer.Option("--by", help="Name of the administrator who does it; the PIN is asked for.", metavar="NAME"),
]


@people_app.command("list")
@in_words
def list_people(log: LogOption = None) -> None:
    """List the people the log has a name for."""
    from elinspect.operations.people import known_people
    from elinspect.store.log import open_log

    with open_log(log_place(log), new=False) as opened:
        known = known_people(opened)
    if not known:
        out.print(words("command.nobody"))
        return
    table = Table(*(words(f"command.people_{column}") for column in ("name", "role", "pin", "badge")))
    for person in known:
        role = words(f"role.{person.role}") if person.role is not None else words("command.no_role")
        table.add_row(person.name, role, *(words(f"command.{has}") for has in _yes(person.has_pin, person.has_badge)))
    out.print(table)


def _yes(*answers: bool) -> tuple[str, ...]:
    return tuple("yes" if answer else "no" for answer in answers)


@people_app.command()
@in_words
def pin(
    name: NameArgument,
    role: Annotated[Role, typer.Option(help="What the person may do.")],
    by: ByOption = None,
    log: LogOption = None,
) -> None:
    """Give a person a role and a PIN; asks for the PIN twice and does not show it."""
    from elinspect.operations.people import give_pin
    from elinspect.store.log import open_log

    with open_log(log_place(log)) as opened:
        administrator = _administrator(by)
        new = typer.prompt(words("command.new_pin", name=name), hide_input=True, confirmation_prompt=True)
        give_pin(opened, name, role, new, administrator)
    out.print(words("command.pin_given", name=name, role=words(f"role.{role}")), markup=False)


@people_app.command()
@in_words
def badge(name: NameArgument, by: ByOption = None, log: LogOption = None) -> None:
    """Give a person with a PIN a badge; scan it when asked."""
    from elinspect.operations.people import give_badge
    from elinspect.store.log import open_log

    with open_log(log_place(log)) as opened:
        administrator = _administrator(by)
        scanned = typer.prompt(words("command.scan_badge", name=name), hide_input=True)
        give_badge(opened, name, scanned, administrator)
    out.print(words("command.badge_given", name=name), markup=False)


@people_app.command()
@in_words
def forget(name: NameArgument, by: ByOption = None, log: LogOption = None) -> None:
    """Erase a person's name, PIN and badge; what they did stays, under an id that leads to nobody."""
    from elinspect.operations.people import erase_name
    from elinspect.store.log import open_log

    with open_log(log_place(log), new=False) as opened:
        erase_name(opened, name, _administrator(by))
    out.print(words("command.forgotten", name=name), markup=False)


def _administrator(by: str | None) -> "Administrator | None":
    from elinspect.operations.people import Administrator

    if by is None:
        return None
    return Administrator(by, typer.prompt(words("command.pin_of", name=by), hide_input=True))
