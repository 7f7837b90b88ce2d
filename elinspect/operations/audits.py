"""What an auditor would have decided."""

from elinspect.errors import LogError
from elinspect.records import Disposition, Stage
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.log import Log
from elinspect.store.reading import pictures_of
from elinspect.store.rules import inspection_row


def audit_panel(log: Log, station: str, person: str, serial: str, disposition: Disposition, note: str = "") -> bool:
    """Log an auditor's own disposition of a panel: of its newest picture at the gate that was decided.

    Returns
    -------
    bool
        Whether it agrees with the decision.

    Raises
    ------
    LogError
        If the panel has no decision, or the person is not signed in as auditor or quality engineer.
    """
    with log.reading() as connection:
        seen = pictures_of(connection, serial)
    decided = [row for row in seen if row.decision is not None and row.stage == Stage.BEFORE_LAMINATION]
    if not decided:
        raise LogError("log.nothing_to_audit")
    return log_audit_result(log, station, person, decided[0].id, disposition, note)


def log_audit_result(
    log: Log, station: str, person: str, inspection: str, disposition: Disposition, note: str = ""
) -> bool:
    """Log an auditor's own disposition of a decided panel; the decision itself stays.

    Parameters
    ----------
    person : str
        Id of the auditor, from `elinspect.operations.people.sign_in`.
    inspection : str
        What was audited.
    disposition : Disposition
        What the auditor would have decided.

    Returns
    -------
    bool
        Whether it agrees with the decision.

    Raises
    ------
    LogError
        If nothing was decided yet, or the person is not signed in as auditor or quality engineer.
    """
    with log.reading() as connection:
        row = inspection_row(connection, inspection)
    if row.decision is None:
        raise LogError("log.nothing_to_audit")
    agrees = bool(row.decision == disposition)
    data = {
        "inspection": inspection,
        "serial": row.serial,
        "disposition": disposition.value,
        "agrees": agrees,
        "note": note,
    }
    # A stream of its own: an audit must not disturb the review of the panel.
    log.append([NewEvent(EventKind.AUDIT_RESULT, f"audit:{inspection}", data, person)], station)
    return agrees
