"""What somebody at the bench writes down, read in the plant's own addresses, and checked against the panel."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import select

from elinspect.catalogue import words
from elinspect.errors import LogError, SettingsFileError
from elinspect.operations.bench import BenchWork, Fate, WorkDone
from elinspect.operations.people import sign_in_here
from elinspect.operations.ticket import ticket_of
from elinspect.operations.versions import logged_recipe
from elinspect.recipe import ProductRecipe, assumed_product, read_address, write_address
from elinspect.records import Layout, ReworkAction
from elinspect.review.gate import Role
from elinspect.store.log import Log
from elinspect.store.people import pins_in_use
from elinspect.store.schema import inspections

_DONE_BY_PLAN = {
    ReworkAction.REMOVE_FOREIGN_BODY: BenchWork.FOREIGN_BODY_REMOVED,
    ReworkAction.SWAP_STRING: BenchWork.STRING_REPLACED,
    ReworkAction.REPLACE_CELL: BenchWork.CELL_REPLACED,
    ReworkAction.TURN_CELL: BenchWork.CELL_TURNED,
    ReworkAction.RESOLDER_RIBBON: BenchWork.RESOLDERED,
    ReworkAction.RESOLDER_BUSSING_JOINT: BenchWork.RESOLDERED,
    ReworkAction.REALIGN: BenchWork.REALIGNED,
}
_TAKES_OUT = frozenset({BenchWork.CELL_REPLACED, BenchWork.STRING_REPLACED})


def work_as_written(
    log: Log, serial: str, written: Sequence[str], new_strings: Mapping[str, str], fate: Fate = Fate.NONE_REMOVED
) -> tuple[WorkDone, ...]:
    """Read what was done to a panel.

    Parameters
    ----------
    log : Log
        Where the panel's product is known from.
    serial : str
        The panel.
    written : sequence of str
        Each ``work`` or ``work:place``: ``cell_replaced:A-2``, ``string_replaced:C``, ``cleaned``; places as on the
        ticket.
    new_strings : mapping from str to str
        Place of a string to the id of the new one.
    fate : Fate
        What became of what was taken out.

    Raises
    ------
    LogError
        If the log does not know the panel, or something written is no work or no place of it.
    """
    recipe = _recipe_of(log, serial)
    ids: dict[tuple[int | None, int | None], str] = {}
    ids.update((_place(recipe, place), name) for place, name in new_strings.items())
    done = []
    for text in written:
        name, _, place = text.partition(":")
        if name.strip() not in list(BenchWork):
            raise LogError("bench.work", given=name, known=", ".join(BenchWork))
        work = BenchWork(name.strip())
        string, position = _place(recipe, place) if place.strip() else (None, None)
        new = ids.pop((string, position), "") if work is BenchWork.STRING_REPLACED else ""
        done.append(WorkDone(work, string, position, new, fate if work in _TAKES_OUT else Fate.NONE_REMOVED))
    if ids:
        raise LogError("bench.new_string", places=", ".join(new_strings))
    return tuple(done)


def work_as_planned(log: Log, serial: str, fate: Fate = Fate.NONE_REMOVED) -> tuple[WorkDone, ...]:
    """Return the steps of a panel's ticket as done.

    Raises
    ------
    LogError
        If the log does not know the panel, or its ticket plans nothing that the bench does.
    """
    steps = ticket_of(log, _latest(log, serial).id).plan.steps
    if not steps or any(step.action not in _DONE_BY_PLAN for step in steps):
        raise LogError("bench.no_plan", serial=serial)
    done = [(_DONE_BY_PLAN[step.action], step.string, step.position) for step in steps]
    return tuple(
        WorkDone(work, string, position, fate=fate if work in _TAKES_OUT else Fate.NONE_REMOVED)
        for work, string, position in done
    )


def lines_of(log: Log, serial: str, done: Sequence[WorkDone]) -> tuple[str, ...]:
    """Write work in words, places as the plant writes them."""
    recipe = _recipe_of(log, serial)
    places = [write_address(recipe.addresses, item.string, item.position) or serial for item in done]
    said = [words(f"bench.did.{item.work}") for item in done]
    return tuple(words("bench.line", place=place, did=did) for place, did in zip(places, said, strict=True))


def asks_pin(log: Log) -> bool:
    """Return whether who logs work has to sign in."""
    with log.reading() as connection:
        return pins_in_use(connection)


def sign_in_at_bench(log: Log, station: str, name: str, pin: str) -> str:
    """Sign somebody in who is to log work; return the name as the log knows it.

    Raises
    ------
    LogError
        If name and PIN do not belong together, or the person may only read.
    """
    _, known, role = sign_in_here(log, station, name, pin)
    if role is Role.AUDITOR:
        raise LogError("bench.role")
    return known


def _latest(log: Log, serial: str) -> Any:
    newest = select(inspections).where(inspections.c.serial == serial, ~inspections.c.superseded)
    with log.reading() as connection:
        found = connection.execute(newest.order_by(inspections.c.event_id.desc()).limit(1)).one_or_none()
    if found is None:
        raise LogError("bench.unknown_panel", serial=serial)
    return found


def _recipe_of(log: Log, serial: str) -> ProductRecipe:
    """Return the panel's recipe; where the log has none, one that knows the layout and plain addresses."""
    row = _latest(log, serial)
    return logged_recipe(log, row.product) or assumed_product(Layout.parse(row.layout)).recipe


def _place(recipe: ProductRecipe, text: str) -> tuple[int, int | None]:
    wanted = text.strip().casefold()
    for string in range(1, recipe.layout.n_strings + 1):
        if write_address(recipe.addresses, string, None).casefold() == wanted:
            return string, None
    try:
        return read_address(recipe, text)
    except SettingsFileError as error:
        raise LogError("bench.no_such_place", given=text, layout=str(recipe.layout)) from error
