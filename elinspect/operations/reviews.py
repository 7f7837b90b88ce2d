"""An inspection with all that was answered and decided, read back from the log."""

import json

from sqlalchemy import Connection

from elinspect.catalogue import words
from elinspect.records import Answer, Disposition
from elinspect.result_file import flag_from_dict, from_dict
from elinspect.review.session import Decision, Hold, Review, Verdict
from elinspect.store.people import name_of
from elinspect.store.reading import flags_of
from elinspect.store.results import result_of
from elinspect.store.rows import row_by
from elinspect.store.rules import event_count, inspection_row
from elinspect.store.schema import holds


def review_of(connection: Connection, inspection: str) -> Review:
    """Return an inspection with every verdict, added flag and decision the log has."""
    row = inspection_row(connection, inspection)
    verdicts, added = {}, []
    for flag in flags_of(connection, inspection):
        standing = flag_from_dict(json.loads(flag.standing)) if flag.standing is not None else None
        if flag.added and standing is not None:
            added.append(standing)
        if flag.answer is not None or flag.note:
            changed = standing if not flag.added else None
            answer = Answer(flag.answer) if flag.answer is not None else None
            verdicts[flag.flag] = Verdict(flag.flag, answer, changed, flag.note or "")
    decision = None
    if row.decision is not None:
        name = named(connection, row.decided_by)
        decision = Decision(Disposition(row.decision), name, row.decided_at, row.decision_reason or "")
    return Review(
        inspection,
        from_dict(result_of(connection, inspection)),
        event_count(connection, row.subject),
        verdicts,
        tuple(added),
        decision,
        hold_of(connection, inspection) if row.decision == Disposition.HOLD else None,
    )


def hold_of(connection: Connection, inspection: str) -> Hold:
    """Return the hold an inspection is or was in."""
    row = row_by(connection, holds, inspection=inspection)
    return Hold(named(connection, row.owner), row.since)


def named(connection: Connection, person: str | None) -> str:
    """Return a person's name as it is shown; words for one that was erased."""
    return name_of(connection, person) or words("log.erased_name")
