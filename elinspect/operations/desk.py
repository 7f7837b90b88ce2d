"""The inspector's desk on the log: open a panel, answer, decide."""

import logging
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from elinspect.catalogue import Message
from elinspect.electrical import LossModel, flag_loss, loss_model, panel_loss
from elinspect.errors import LogError
from elinspect.operations.log_inspection import log_inspection, next_attempt
from elinspect.operations.people import sign_in, sign_in_here
from elinspect.operations.rechecking import rechecked
from elinspect.operations.reviews import hold_of, named, review_of
from elinspect.operations.versions import log_criteria, logged_recipe
from elinspect.recipe import AcceptanceCriteria, ProductRecipe
from elinspect.records import Answer, Disposition, Flag, PanelResult, Proposal, Purpose, Source, Stage
from elinspect.result_file import flag_as_dict, from_dict
from elinspect.review.desk import DECIDED_SHOWN, EarlierPicture, Person, ShiftFigures, UnreadFile, WaitingPanel
from elinspect.review.gate import ANSWERING, Role
from elinspect.review.session import Decision, Hold, Review, Verdict, answered
from elinspect.store.events import EventKind, NewEvent, panel_subject
from elinspect.store.locks import Lock, release, take
from elinspect.store.log import Log
from elinspect.store.people import person_named, pins_in_use
from elinspect.store.reading import answer_counts, decided, decided_since, held, pictures_of, waiting
from elinspect.store.refusals import refused_files
from elinspect.store.results import result_of
from elinspect.store.rules import Standing, event_count, inspection_row, missing_for
from elinspect.triage import plan_rework, that_count, with_limit

_log = logging.getLogger(__name__)


class ReviewDesk:
    """A desk bound to a log, a station and a signed-in inspector; keeps the locks of the panels it opened.

    Every method that writes returns only after the fact is on disk. Where people have PINs and none is given, nobody is
    signed in at first, and nothing can be answered or decided. `flag_stands` is told of every inspection of which a
    flag was confirmed or added just now.
    """

    def __init__(
        self,
        log: Log,
        station: str,
        inspector_name: str,
        role: Role,
        criteria: AcceptanceCriteria,
        pin: str = "",
        flag_stands: Callable[[str], None] | None = None,
    ) -> None:
        self._log = log
        self._flag_stands = flag_stands
        self._station = station
        self._criteria = criteria
        self._locks: dict[str, Lock] = {}
        self._recipes: dict[str, ProductRecipe | None] = {}
        self._signed: Person | None = None
        self._person: str | None = None
        if pin or not self.asks_pin():
            self._person = sign_in(log, station, inspector_name, role, pin)
            self._signed = Person(inspector_name, role)
        log_criteria(log, criteria, station)

    def close(self) -> None:
        """Give all locks back, so that another station need not wait for them to expire."""
        if self._locks:
            with self._log.writing() as connection:
                for lock in self._locks.values():
                    release(connection, lock)
            self._locks.clear()

    def queue(self) -> tuple[WaitingPanel, ...]:
        """Return undecided panels, those on hold, and the last decided ones, each group in the order they were seen."""
        with self._log.reading() as connection:
            rows = held(connection)
            on_hold = {row.id: Hold(named(connection, row.owner), row.since) for row in rows}
            found = (*waiting(connection), *rows, *decided(connection, DECIDED_SHOWN))
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
                row.station,
                on_hold.get(row.id),
            )
            for row in found
        )

    def look(self, inspection: str) -> PanelResult:
        """Return what the pipeline said about a panel, without locking it."""
        with self._log.reading() as connection:
            return from_dict(result_of(connection, inspection))

    def open(self, inspection: str) -> Review:
        """Return a review as the log has it, and lock the panel for this station while it is undecided or on hold.

        A panel that another station holds can be looked at; `missing` then says so.
        """
        with self._log.reading() as connection:
            row = inspection_row(connection, inspection)
        if row.decision in (None, Disposition.HOLD):
            self._take_lock(row.subject)
        with self._log.reading() as connection:
            return review_of(connection, inspection)

    def answer(self, review: Review, verdict: Verdict) -> Review:
        """Log a verdict, or with no answer its taking back."""
        changed = None
        verdict = _no_longer_doubtful(review, verdict)
        if verdict.changed is not None:
            standing = self._limited(review, replace(verdict.changed, id=verdict.flag_id, doubtful=False))
            verdict = replace(verdict, changed=standing)
            changed = flag_as_dict(standing, review.result.panel.layout)
        answer = verdict.answer.value if verdict.answer is not None else None
        data = {"flag": verdict.flag_id, "answer": answer, "changed": changed, "note": verdict.note}
        version = self._append(review, EventKind.VERDICT, {**data, "criteria": self._criteria.label})
        if verdict.answer in (Answer.CONFIRMED, Answer.CHANGED):
            self._tell(review)
        return replace(answered(review, verdict), version=version)

    def add(self, review: Review, flag: Flag) -> Review:
        """Log a flag of the inspector, with an id of its own and its limit by the criteria in force."""
        taken = {known.id for known in review.flags}
        if not flag.id or flag.id in taken:
            flag = replace(flag, id=next(name for name in map("a{}".format, range(1, 9999)) if name not in taken))
        added = self._limited(review, replace(flag, source=Source.INSPECTOR))
        logged = flag_as_dict(added, review.result.panel.layout)
        version = self._append(review, EventKind.FLAG_ADDED, {"flag": logged, "criteria": self._criteria.label})
        self._tell(review)
        return replace(review, added=(*review.added, added), version=version)

    def remove_added(self, review: Review, flag_id: str) -> Review:
        """Log that an added flag is taken back."""
        version = self._append(review, EventKind.FLAG_REMOVED, {"flag": flag_id})
        return replace(review, added=tuple(flag for flag in review.added if flag.id != flag_id), version=version)

    def decide(self, review: Review, disposition: Disposition, reason: str = "", owner: str = "") -> Review:
        """Log the disposition; the gate rule is checked again inside the transaction.

        An acceptance or a concession also closes the flags below every limit that nobody answered. A hold has an owner.
        """
        data: dict[str, Any] = {"disposition": disposition.value, "reason": reason}
        if disposition is Disposition.HOLD:
            data["owner"] = self._owner(owner)
        events = [self._event(review, EventKind.DISPOSITION, data)]
        left = [flag.flag_id for flag in review.standings if flag.answer is None and not flag.added]
        if left and disposition in (Disposition.ACCEPT, Disposition.CONCESSION):
            events.append(self._event(review, EventKind.NOT_ANSWERED_SINGLY, {"flags": left}))
        appended = self._log.append(events, self._station, review.version, self._locks.get(self._subject(review)))
        self._locks.pop(self._subject(review), None)
        with self._log.reading() as connection:
            hold = hold_of(connection, review.inspection) if disposition is Disposition.HOLD else None
        decision = Decision(
            disposition, self._signed.name if self._signed is not None else "", appended.events[0].at, reason
        )
        return replace(review, version=appended.version, decision=decision, hold=hold)

    def _owner(self, name: str) -> str | None:
        """Return the id of the owner of a hold: events hold no names."""
        if not name.strip():
            return self._person
        with self._log.writing() as connection:
            return person_named(connection, name.strip())

    def take_back(self, review: Review, reason: str) -> Review:
        """Log that the decision is taken back; possible until its release was sent to the line."""
        with self._log.reading() as connection:
            decision = inspection_row(connection, review.inspection).decision_id
        self._take_lock(self._subject(review))
        self._append(review, EventKind.TAKE_BACK, {"decision": decision, "reason": reason})
        with self._log.reading() as connection:
            return review_of(connection, review.inspection)

    def earlier(self, review: Review) -> tuple[EarlierPicture, ...]:
        """Return the other pictures of the same serial that were logged before this one, the newest first."""
        serial = review.result.serial
        if serial is None:
            return ()
        with self._log.reading() as connection:
            rows = pictures_of(connection, serial)
        place = next((i for i, row in enumerate(rows) if row.id == review.inspection), -1)
        return tuple(
            EarlierPicture(
                row.id,
                row.seen_at,
                Stage(row.stage),
                row.attempt,
                Disposition(row.decision) if row.decision is not None else None,
            )
            for row in rows[place + 1 :]
        )

    def unread(self) -> tuple[UnreadFile, ...]:
        """Return the files that could not be inspected, the newest first."""
        with self._log.reading() as connection:
            found = refused_files(connection)
        return tuple(UnreadFile(refused.station, refused.file, refused.reason, refused.at) for refused in found)

    def shift(self, since: str) -> ShiftFigures:
        """Return what was done at this seat since a time."""
        with self._log.reading() as connection:
            rows = decided_since(connection, since, self._station)
            answers = answer_counts(connection, [row.id for row in rows])
        made = Counter(Disposition(row.decision) for row in rows)
        return ShiftFigures(since, made, sum(row.decision != row.proposal for row in rows), answers)

    def plan(self, review: Review) -> tuple[Message, ...]:
        """Return what the bench would have to do about the flags as they stand; dismissed ones need nothing."""
        result = review.result
        recipe = self._recipe(result.versions.recipe)
        if recipe is None or not result.panel.found:
            return tuple(step.text for step in result.rework.steps) if result.rework is not None else ()
        dismissed = {name for name, verdict in review.verdicts.items() if verdict.answer is Answer.DISMISSED}
        standing = [flag for flag in review.flags if flag.id not in dismissed and flag.limit is not None]
        if not standing:
            return ()
        criteria = self._criteria.in_force(recipe.name, recipe.cell.technology, result.customer)
        asked = Proposal(Disposition.REWORK, result.proposal.reasons)
        plan = plan_rework(standing, asked, recipe, criteria, result.attempt)
        return tuple(step.text for step in plan.steps) if plan is not None else ()

    def give_serial(self, review: Review, serial: str) -> Review:
        """Log the panel under a serial its picture came without; answers to flags are asked anew.

        The picture becomes an inspection of its own under the serial; the one without leaves the queue.
        """
        self._check_role()
        result = review.result
        if result.serial is not None:
            raise LogError("log.has_serial", serial=result.serial)
        with self._log.reading() as connection:
            if inspection_row(connection, review.inspection).decision == Disposition.HOLD:
                raise LogError("log.held_without_serial")
            known = [
                row
                for row in pictures_of(connection, serial)
                if (row.stage, row.purpose) == (result.stage, result.purpose)
            ]
        if known and known[0].decision in (Disposition.ACCEPT, Disposition.CONCESSION, Disposition.SCRAP):
            raise LogError("log.serial_decided", serial=serial, disposition=known[0].decision)
        attempt = next_attempt(self._log, serial, result.stage, result.purpose)
        checked = rechecked(self._log, replace(_under_serial(result, serial), attempt=attempt))
        inspection = log_inspection(self._log, checked, self._station)
        self._append(review, EventKind.SERIAL_GIVEN, {"serial": serial, "new": inspection})
        return self.open(inspection)

    def recall(self, inspection: str) -> Review:
        """Return a review as the log has it without locking the panel."""
        with self._log.reading() as connection:
            return review_of(connection, inspection)

    @property
    def person(self) -> Person | None:
        """Who is signed in."""
        return self._signed

    @property
    def person_id(self) -> str | None:
        """Id under which what the person does is logged; None while nobody is signed in."""
        return self._person

    def asks_pin(self) -> bool:
        """Return whether people here sign in with a PIN or badge."""
        with self._log.reading() as connection:
            return pins_in_use(connection)

    def sign_in(self, name: str, pin: str) -> Person:
        """Sign another person in; locks on panels stay with the seat."""
        self._person, shown, role = sign_in_here(self._log, self._station, name, pin)
        self._signed = Person(shown, role)
        return self._signed

    def missing(self, review: Review, disposition: Disposition) -> tuple[str, ...]:
        """Return in words what stands in the way of a disposition now; empty if it may be decided."""
        subject = self._subject(review)
        with self._log.reading() as connection:
            unchanged = event_count(connection, subject) == review.version
            standing = Standing(self._station, self._locks.get(subject), unchanged)
            missing = missing_for(connection, review.inspection, disposition, self._person, standing)
        return tuple(message.text for message in missing)

    def _tell(self, review: Review) -> None:
        """Say that a flag stands, so that its lane can be looked at. The answer is on disk: nothing may undo that."""
        if self._flag_stands is None:
            return
        try:
            self._flag_stands(review.inspection)
        except LogError:
            return  # the log is busy: the next flag, or the technician's page, finds what there is
        except Exception:
            # A fault of ours in the figures must not look to the inspector as if the answer had not been logged.
            _log.exception("the lanes of inspection %s could not be looked at", review.inspection)

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
        self._check_role()
        event = self._event(review, kind, data)
        lock = self._locks.get(event.subject)
        return self._log.append([event], self._station, review.version, lock).version

    def _check_role(self) -> None:
        if self._signed is None or self._signed.role not in ANSWERING:
            raise LogError("gate.role_answer")

    def _limited(self, review: Review, flag: Flag) -> Flag:
        """Return the flag with the limit it reaches, together with the others that stand on the panel."""
        dismissed = {name for name, verdict in review.verdicts.items() if verdict.answer is Answer.DISMISSED}
        others = [known for known in review.flags if known.id != flag.id and known.id not in dismissed]
        recipe = self._recipe(review.result.versions.recipe)
        if recipe is None:
            return with_limit(flag, self._criteria, others)
        criteria = self._criteria.in_force(recipe.name, recipe.cell.technology, review.result.customer)
        model = loss_model(recipe)
        if not isinstance(model, LossModel):
            return with_limit(flag, criteria, others)
        flag = replace(flag, loss_w=flag_loss(flag, model))
        return with_limit(flag, criteria, others, panel_loss(that_count((flag, *others), criteria), model))

    def _recipe(self, label: str) -> ProductRecipe | None:
        if label not in self._recipes:
            self._recipes[label] = logged_recipe(self._log, label)
        return self._recipes[label]


def _no_longer_doubtful(review: Review, verdict: Verdict) -> Verdict:
    """Let a doubtful flag that is confirmed be measured against the limits after all."""
    flag = next((flag for flag in review.result.flags if flag.id == verdict.flag_id), None)
    if verdict.answer is not Answer.CONFIRMED or flag is None or not flag.doubtful:
        return verdict
    return replace(verdict, changed=flag)


def _under_serial(result: PanelResult, serial: str) -> PanelResult:
    """Return the result under a serial, without the reasons that spoke of its missing one."""
    kept = tuple(reason for reason in result.proposal.reasons if not reason.code.startswith("station."))
    judged = result.panel.found and result.quality.usable
    above = any(flag.limit is not None for flag in result.flags)
    # What the criteria suggested stands behind the reasons that are left; without any, nothing reached a limit.
    proposed = Disposition.REWORK if above else Disposition.ACCEPT
    proposal = Proposal(proposed if judged else Disposition.HOLD, kept or (Message("proposal.no_flags"),))
    return replace(result, serial=serial, proposal=proposal)
