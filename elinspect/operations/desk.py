"""The inspector's desk on the log: open a panel, answer, decide."""

import json
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection

from elinspect.catalogue import words
from elinspect.errors import LogError
from elinspect.operations.people import sign_in
from elinspect.operations.versions import log_criteria
from elinspect.recipe import AcceptanceCriteria
from elinspect.records import Answer, Disposition, Flag, PanelResult, Purpose, Source
from elinspect.result_file import flag_as_dict, flag_from_dict, from_dict
from elinspect.review.desk import WaitingPanel
from elinspect.review.gate import Role
from elinspect.review.session import Decision, Review, Verdict
from elinspect.store.events import EventKind, NewEvent, panel_subject
from elinspect.store.locks import Lock, release, take
from elinspect.store.log import Log
from elinspect.store.people import name_of
from elinspect.store.reading import decided, flags_of, waiting
from elinspect.store.results import result_of
from elinspect.store.rules import Standing, event_count, inspection_row, missing_for
from elinspect.triage import with_limit

_DECIDED_SHOWN = 200


class ReviewDesk:
    """A desk bound to a log, a station and a signed-in inspector; keeps the locks of the panels it opened.

    Every method that writes returns only after the fact is on disk.
    """

    def __init__(
        self, log: Log, station: str, inspector_name: str, role: Role, criteria: AcceptanceCriteria, pin: str = ""
    ) -> None:
        self._log = log
        self._station = station
        self._criteria = criteria
        self._locks: dict[str, Lock] = {}
        self._name = inspector_name
        self._person = sign_in(log, station, inspector_name, role, pin)
        log_criteria(log, criteria, station)

    def close(self) -> None:
        """Give all locks back, so that another station need not wait for them to expire."""
        if self._locks:
            with self._log.writing() as connection:
                for lock in self._locks.values():
                    release(connection, lock)
            self._locks.clear()

    def queue(self) -> tuple[WaitingPanel, ...]:
        """Return all undecided panels and the last decided ones, each group in the order they were seen."""
        with self._log.reading() as connection:
            rows = (*waiting(connection), *decided(connection, _DECIDED_SHOWN))
        return tuple(
            WaitingPanel(
                row.id,
                row.serial,
                row.seen_at,
                Purpose(row.purpose),
                row.attempt,
                Disposition(row.proposal),
                row.above_limit,
                Disposition(row.decision) if row.decision is not None else None,
            )
            for row in rows
        )

    def look(self, inspection: str) -> PanelResult:
        """Return what the pipeline said about a panel, without locking it."""
        with self._log.reading() as connection:
            return from_dict(result_of(connection, inspection))

    def open(self, inspection: str) -> Review:
        """Return a review as the log has it, and lock the panel for this station while it is undecided.

        A panel that another station holds can be looked at; `missing` then says so.
        """
        with self._log.reading() as connection:
            row = inspection_row(connection, inspection)
        if row.decision is None:
            self._take_lock(row.subject)
        with self._log.reading() as connection:
            return _review(connection, inspection)

    def answer(self, review: Review, verdict: Verdict) -> Review:
        """Log a verdict, or with no answer its taking back."""
        changed = None
        if verdict.changed is not None:
            standing = self._limited(review, replace(verdict.changed, id=verdict.flag_id))
            verdict = replace(verdict, changed=standing)
            changed = flag_as_dict(standing, review.result.panel.layout)
        answer = verdict.answer.value if verdict.answer is not None else None
        data = {"flag": verdict.flag_id, "answer": answer, "changed": changed, "note": verdict.note}
        version = self._append(review, EventKind.VERDICT, {**data, "criteria": self._criteria.label})
        verdicts = {name: known for name, known in review.verdicts.items() if name != verdict.flag_id}
        if verdict.answer is not None:
            verdicts[verdict.flag_id] = verdict
        return replace(review, verdicts=verdicts, version=version)

    def add(self, review: Review, flag: Flag) -> Review:
        """Log a flag of the inspector, with an id of its own and its limit by the criteria in force."""
        taken = {known.id for known in review.flags}
        if not flag.id or flag.id in taken:
            flag = replace(flag, id=next(name for name in map("a{}".format, range(1, 9999)) if name not in taken))
        added = self._limited(review, replace(flag, source=Source.INSPECTOR))
        logged = flag_as_dict(added, review.result.panel.layout)
        version = self._append(review, EventKind.FLAG_ADDED, {"flag": logged, "criteria": self._criteria.label})
        return replace(review, added=(*review.added, added), version=version)

    def remove_added(self, review: Review, flag_id: str) -> Review:
        """Log that an added flag is taken back."""
        version = self._append(review, EventKind.FLAG_REMOVED, {"flag": flag_id})
        return replace(review, added=tuple(flag for flag in review.added if flag.id != flag_id), version=version)

    def decide(self, review: Review, disposition: Disposition, reason: str = "") -> Review:
        """Log the disposition; the gate rule is checked again inside the transaction.

        An acceptance or a concession also closes the flags below every limit that nobody answered.
        """
        data = {"disposition": disposition.value, "reason": reason}
        events = [self._event(review, EventKind.DISPOSITION, data)]
        left = [flag.flag_id for flag in review.standings if flag.answer is None and not flag.added]
        if left and disposition in (Disposition.ACCEPT, Disposition.CONCESSION):
            events.append(self._event(review, EventKind.NOT_ANSWERED_SINGLY, {"flags": left}))
        appended = self._log.append(events, self._station, review.version, self._locks.get(self._subject(review)))
        self._locks.pop(self._subject(review), None)
        decision = Decision(disposition, self._name, appended.events[0].at, reason)
        return replace(review, version=appended.version, decision=decision)

    def take_back(self, review: Review, reason: str) -> Review:
        """Log that the decision is taken back; possible until its release was sent to the line."""
        with self._log.reading() as connection:
            decision = inspection_row(connection, review.inspection).decision_id
        self._take_lock(self._subject(review))
        self._append(review, EventKind.TAKE_BACK, {"decision": decision, "reason": reason})
        with self._log.reading() as connection:
            return _review(connection, review.inspection)

    def missing(self, review: Review, disposition: Disposition) -> tuple[str, ...]:
        """Return in words what stands in the way of a disposition now; empty if it may be decided."""
        subject = self._subject(review)
        with self._log.reading() as connection:
            unchanged = event_count(connection, subject) == review.version
            standing = Standing(self._station, self._locks.get(subject), unchanged)
            missing = missing_for(connection, review.inspection, disposition, self._person, standing)
        return tuple(message.text for message in missing)

    def _take_lock(self, subject: str) -> None:
        try:
            with self._log.writing() as connection:
                self._locks[subject] = take(connection, subject, self._station)
        except LogError as error:
            if error.message.code != "log.locked_by_station":
                raise
            self._locks.pop(subject, None)

    def _subject(self, review: Review) -> str:
        return panel_subject(review.result.serial, review.inspection)

    def _event(self, review: Review, kind: EventKind, data: dict[str, Any]) -> NewEvent:
        return NewEvent(kind, self._subject(review), {"inspection": review.inspection, **data}, self._person)

    def _append(self, review: Review, kind: EventKind, data: dict[str, Any]) -> int:
        event = self._event(review, kind, data)
        lock = self._locks.get(event.subject)
        return self._log.append([event], self._station, review.version, lock).version

    def _limited(self, review: Review, flag: Flag) -> Flag:
        """Return the flag with the limit it reaches, together with the others of its kind on the cell."""
        dismissed = {name for name, verdict in review.verdicts.items() if verdict.answer is Answer.DISMISSED}
        others = [
            known
            for known in review.flags
            if (known.kind, known.string, known.position) == (flag.kind, flag.string, flag.position)
            and known.id != flag.id
            and known.id not in dismissed
        ]
        return with_limit(flag, self._criteria, len(others) + 1)


def _review(connection: Connection, inspection: str) -> Review:
    row = inspection_row(connection, inspection)
    verdicts, added = {}, []
    for flag in flags_of(connection, inspection):
        standing = flag_from_dict(json.loads(flag.standing)) if flag.standing is not None else None
        if flag.added and standing is not None:
            added.append(standing)
        elif flag.answer is not None:
            verdicts[flag.flag] = Verdict(flag.flag, Answer(flag.answer), standing, flag.note or "")
    decision = None
    if row.decision is not None:
        name = name_of(connection, row.decided_by) or words("log.erased_name")
        decision = Decision(Disposition(row.decision), name, row.decided_at, row.decision_reason or "")
    return Review(
        inspection,
        from_dict(result_of(connection, inspection)),
        event_count(connection, row.subject),
        verdicts,
        tuple(added),
        decision,
    )
