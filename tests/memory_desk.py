"""A desk in memory that really applies the review and the gate rule, for tests of the window."""

from collections import Counter
from dataclasses import dataclass, field, replace

from elinspect.catalogue import Message
from elinspect.errors import LogError
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition, Flag, PanelResult, Source
from elinspect.review.desk import EarlierPicture, Person, ShiftFigures, UnreadFile, WaitingPanel
from elinspect.review.gate import GateFacts, Role, missing_conditions
from elinspect.review.session import Decision, Hold, Review, Verdict, answered
from elinspect.triage import with_limit


@dataclass
class MemoryDesk:
    """Keeps reviews by inspection; `broken` makes the next calls fail as a log does."""

    results: dict[str, PanelResult] = field(default_factory=dict)
    role: Role = Role.INSPECTOR
    name: str = "tester"
    pins: dict[str, tuple[str, Role]] = field(default_factory=dict)
    sent: set[str] = field(default_factory=set)
    unread_files: list[UnreadFile] = field(default_factory=list)
    broken: set[str] = field(default_factory=set)
    calls: list[tuple[str, object]] = field(default_factory=list)
    logged: dict[str, Review] = field(default_factory=dict)

    def arrive(self, inspection: str, result: PanelResult) -> None:
        self.results[inspection] = result
        self.logged[inspection] = Review(inspection, result)

    def answers(self, inspection: str) -> dict[str, Answer]:
        """What was answered to each flag so far."""
        return {name: verdict.answer for name, verdict in self.logged[inspection].verdicts.items()}

    def _call(self, name: str, what: object) -> None:
        self.calls.append((name, what))
        if name in self.broken:
            raise LogError("settings.unreadable", what="log", file="gate.sqlite", cause="disk full")

    def queue(self) -> tuple[WaitingPanel, ...]:
        self._call("queue", None)
        lines = []
        for number, (inspection, result) in enumerate(self.results.items()):
            decision = self.logged[inspection].decision
            lines.append(
                WaitingPanel(
                    inspection,
                    result.serial,
                    f"2026-03-02T06:{number // 60:02d}:{number % 60:02d}+01:00",
                    result.purpose,
                    result.attempt,
                    result.proposal.disposition,
                    sum(flag.limit is not None for flag in result.flags),
                    decision.disposition if decision is not None else None,
                    "EL 1",
                    self.logged[inspection].hold,
                )
            )
        return tuple(sorted(lines, key=lambda line: line.decision is not None))

    def look(self, inspection: str) -> PanelResult:
        self._call("look", inspection)
        return self.results[inspection]

    def open(self, inspection: str) -> Review:
        self._call("open", inspection)
        return self.logged[inspection]

    def answer(self, review: Review, verdict: Verdict) -> Review:
        self._call("answer", verdict)
        if verdict.changed is not None:
            verdict = replace(verdict, changed=with_limit(verdict.changed, default_criteria()))
        return self._log(review, answered(review, verdict))

    def add(self, review: Review, flag: Flag) -> Review:
        self._call("add", flag)
        assert flag.id not in {known.id for known in review.flags}
        added = with_limit(replace(flag, source=Source.INSPECTOR), default_criteria())
        return self._log(review, replace(review, added=(*review.added, added), version=review.version + 1))

    def remove_added(self, review: Review, flag_id: str) -> Review:
        self._call("remove_added", flag_id)
        assert flag_id in {flag.id for flag in review.added}
        kept = tuple(flag for flag in review.added if flag.id != flag_id)
        return self._log(review, replace(review, added=kept, version=review.version + 1))

    def decide(self, review: Review, disposition: Disposition, reason: str = "", owner: str = "") -> Review:
        self._call("decide", (disposition, reason))
        missing = self._missing(review, disposition)
        if missing:
            raise LogError(missing[0].code, **missing[0].values)
        at = "2026-03-02T07:00:00+01:00"
        hold = Hold(owner or self.name, at) if disposition is Disposition.HOLD else None
        decision = Decision(disposition, self.name, at, reason)
        return self._log(review, replace(review, decision=decision, hold=hold, version=review.version + 1))

    def take_back(self, review: Review, reason: str) -> Review:
        self._call("take_back", reason)
        if review.inspection in self.sent:
            raise LogError("log.release_sent")
        if review.hold is not None:
            raise LogError("log.hold_stays")
        return self._log(review, replace(review, decision=None, version=review.version + 1))

    def earlier(self, review: Review) -> tuple[EarlierPicture, ...]:
        self._call("earlier", review.inspection)
        older = list(self.results)[: list(self.results).index(review.inspection)]
        same = [name for name in older if self.results[name].serial == review.result.serial]
        at = "2026-03-01T06:00:00+01:00"
        found = [(name, self.results[name], self.logged[name].decision) for name in reversed(same)]
        return tuple(
            EarlierPicture(name, at, old.stage, old.attempt, made.disposition if made is not None else None)
            for name, old, made in found
        )

    def plan(self, review: Review) -> tuple[Message, ...]:
        dismissed = {name for name, verdict in review.verdicts.items() if verdict.answer is Answer.DISMISSED}
        standing = [flag for flag in review.flags if flag.limit is not None and flag.id not in dismissed]
        return tuple(
            Message("rework.replace_cell", {"address": f"{flag.string}-{flag.position}", "kind": flag.kind.value})
            for flag in standing
        )

    def give_serial(self, review: Review, serial: str) -> Review:
        self._call("give_serial", serial)
        if review.result.serial is not None:
            raise LogError("log.has_serial", serial=review.result.serial)
        del self.results[review.inspection], self.logged[review.inspection]
        self.arrive(f"{review.inspection}+", replace(review.result, serial=serial))
        return self.logged[f"{review.inspection}+"]

    def recall(self, inspection: str) -> Review:
        self._call("recall", inspection)
        return self.logged[inspection]

    def unread(self) -> tuple[UnreadFile, ...]:
        return tuple(self.unread_files)

    def shift(self, since: str) -> ShiftFigures:
        made = [review for review in self.logged.values() if review.decision is not None]
        counts = Counter(review.decision.disposition for review in made if review.decision is not None)
        against = sum(
            review.decision is not None and review.decision.disposition is not review.result.proposal.disposition
            for review in made
        )
        answers = Counter(v.answer.value for review in made for v in review.verdicts.values() if v.answer is not None)
        return ShiftFigures(since, counts, against, answers)

    @property
    def person(self) -> Person:
        return Person(self.name, self.role)

    def asks_pin(self) -> bool:
        return bool(self.pins)

    def sign_in(self, name: str, pin: str) -> Person:
        known = next((who for who, (secret, _) in self.pins.items() if secret == pin and name in ("", who)), None)
        if known is None and (self.pins or not name):
            raise LogError("people.wrong_pin")
        self.name = known or name
        self.role = self.pins[known][1] if known is not None else Role.INSPECTOR
        return self.person

    def missing(self, review: Review, disposition: Disposition) -> tuple[str, ...]:
        self._call("missing", disposition)
        return tuple(message.text for message in self._missing(review, disposition))

    def _missing(self, review: Review, disposition: Disposition) -> tuple[Message, ...]:
        held = review.hold is not None and disposition is Disposition.ACCEPT
        return (*((Message("gate.held"),) if held else ()), *missing_conditions(self._facts(review), disposition))

    def _facts(self, review: Review) -> GateFacts:
        return GateFacts(
            review.standings,
            usable=review.result.quality.usable,
            panel_found=review.result.panel.found,
            layout_agrees=True,
            serial=review.result.serial,
            lock_held=True,
            version_unchanged=review.version == self.logged[review.inspection].version,
            role=self.role,
        )

    def _log(self, before: Review, after: Review) -> Review:
        if before.version != self.logged[before.inspection].version:
            raise LogError("gate.version")
        self.logged[before.inspection] = after
        return after
