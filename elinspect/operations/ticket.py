"""The rework ticket of a panel, from the log to paper."""

from pathlib import Path

from sqlalchemy import select

from elinspect.catalogue import words
from elinspect.errors import ImageFileError, LogError, told_as
from elinspect.imaging import single_exposure
from elinspect.operations.reviews import review_of
from elinspect.operations.versions import logged_criteria, logged_recipe
from elinspect.records import Answer, Disposition, Flag, FloatImage, PanelResult, Proposal
from elinspect.reports.ticket import Paper, Ticket, draw_ticket
from elinspect.review.session import Review
from elinspect.store.log import Log
from elinspect.store.schema import inspections
from elinspect.triage import plan_rework
from elinspect.triage.recheck import belongs_not


def write_ticket(
    log: Log, folder: Path, *, serial: str | None = None, inspection: str | None = None, paper: Paper = Paper.A4
) -> tuple[Path, Path]:
    """Write the rework ticket of a panel as PDF and PNG.

    Parameters
    ----------
    log : Log
        The log.
    folder : Path
        Where to; made if it is not there.
    serial : str, optional
        The panel: its latest inspection.
    inspection : str, optional
        One inspection, in place of the serial.
    paper : Paper
        What it is printed on.

    Returns
    -------
    tuple of Path
        PDF and PNG.

    Raises
    ------
    LogError
        If the log does not know the panel or its recipe, or nothing that stands asks for rework.
    """
    found = inspection or _latest(log, serial or "")
    ticket = ticket_of(log, found)
    with told_as("command.no_folder", folder=str(folder)):
        folder.mkdir(parents=True, exist_ok=True)
    # A serial is no path: the inspection's id names the file.
    return draw_ticket(ticket, paper).write(folder, f"ticket_{found}_{paper}")


def ticket_of(log: Log, inspection: str) -> Ticket:
    """Return what the ticket of an inspection says; errors as `write_ticket`."""
    with log.reading() as connection:
        review = review_of(connection, inspection)
    result = review.result
    recipe = logged_recipe(log, result.versions.recipe)
    if recipe is None:
        raise LogError("ticket.no_recipe", recipe=result.versions.recipe)
    whole = logged_criteria(log, result.versions.criteria)
    flags = standing_flags(review)
    decided = review.decision is not None and review.decision.disposition is Disposition.REWORK
    proposal = Proposal(Disposition.REWORK, result.proposal.reasons) if decided else result.proposal
    plan = result.rework
    if result.recheck is not None and belongs_not(result.recheck):
        # Marks of a picture that shows another panel, or another place, must not guide anybody's iron.
        flags = ()
    elif whole is not None:
        criteria = whole.in_force(recipe.name, recipe.cell.technology, result.customer)
        plan = plan_rework(flags, proposal, recipe, criteria, result.attempt)
    if plan is None or not (flags or result.rework):
        raise LogError("ticket.no_plan", serial=result.serial)
    return Ticket(result, recipe, plan, flags, _picture(result), _decided(review), inspection)


def standing_flags(review: Review) -> tuple[Flag, ...]:
    """Return the flags the bench must see to: above a limit and not dismissed."""
    dismissed = {name for name, verdict in review.verdicts.items() if verdict.answer is Answer.DISMISSED}
    return tuple(flag for flag in review.flags if flag.limit is not None and flag.id not in dismissed)


def _latest(log: Log, serial: str) -> str:
    newest = select(inspections.c.id).where(inspections.c.serial == serial, ~inspections.c.superseded)
    with log.reading() as connection:
        found = connection.execute(newest.order_by(inspections.c.event_id.desc()).limit(1)).scalar_one_or_none()
    if found is None:
        raise LogError("ticket.no_panel", serial=serial)
    return str(found)


def _decided(review: Review) -> str:
    if review.decision is None:
        return words("ticket.proposed")
    who = {"name": review.decision.inspector, "at": review.decision.decided_at}
    if review.decision.disposition is Disposition.REWORK:
        return words("ticket.decided", **who)
    return words("ticket.other_decision", disposition=review.decision.disposition.value, **who)


def _picture(result: PanelResult) -> FloatImage | None:
    try:
        exposure = single_exposure(Path(result.image.path)).full_current[0]
    except ImageFileError:
        return None
    return exposure.counts if exposure.sha256 == result.image.sha256 else None
