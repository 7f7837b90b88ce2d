"""A desk in memory that really applies the review and the gate rule, for tests of the window."""

from dataclasses import dataclass, field, replace

from elinspect.errors import LogError
from elinspect.recipe import default_criteria
from elinspect.records import Disposition, Flag, PanelResult, Source
from elinspect.review.desk import WaitingPanel
from elinspect.review.gate import GateFacts, Role, missing_conditions
from elinspect.review.session import Decision, Review, Verdict, answered
from elinspect.triage import with_limit


@dataclass
class MemoryDesk:
    """Keeps reviews by inspection; `broken` makes the next calls fail as a log does."""

    results: dict[str, PanelResult] = field(default_factory=dict)
    role: Role = Role.INSPECTOR
    broken: set[str] = field(default_factory=set)
    calls: list[tuple[str, object]] = field(default_factory=list)
    logged: dict[str, Review] = field(default_factory=dict)

    def arrive(self, inspection: str, result: PanelResult) -> None:
        self.results[inspection] = result
        self.logged[inspection] = Review(inspection, result)

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

    def decide(self, review: Review, disposition: Disposition, reason: str = "") -> Review:
        self._call("decide", (disposition, reason))
        missing = missing_conditions(self._facts(review), disposition)
        if missing:
            raise LogError(missing[0].code, **missing[0].values)
        decision = Decision(disposition, "tester", "2026-03-02T07:00:00+01:00", reason)
        return self._log(review, replace(review, decision=decision, version=review.version + 1))

    def missing(self, review: Review, disposition: Disposition) -> tuple[str, ...]:
        self._call("missing", disposition)
        return tuple(message.text for message in missing_conditions(self._facts(review), disposition))

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
