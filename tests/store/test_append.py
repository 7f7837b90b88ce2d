"""Appending: all or nothing, the gate rule inside the transaction, whoever calls."""

import multiprocessing
import multiprocessing.synchronize
from dataclasses import replace
from pathlib import Path

import pytest
from log_places import BACKENDS, fresh_place
from logged_panels import crack, exposure_set, make_result, recipe_for
from sqlalchemy import func, select

from elinspect.errors import LogError
from elinspect.operations.bench import BenchWork, WorkDone, log_rework_done
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.versions import log_recipe
from elinspect.records import Purpose
from elinspect.result_file import as_dict, flag_as_dict
from elinspect.review.gate import Role
from elinspect.store import Log, open_log
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.locks import Lock, take
from elinspect.store.people import person_named
from elinspect.store.reading import flags_of, held, waiting
from elinspect.store.rebuild import rebuild
from elinspect.store.rules import event_count
from elinspect.store.schema import holds, outbox
from elinspect.store.verify import verify

SUBJECT = "panel:000123"


@pytest.fixture
def log(log: Log) -> Log:
    """A log that knows the recipe, without which nothing is released."""
    log_recipe(log, recipe_for(), "engineering")
    return log


def _signed_in(log: Log, role: Role = Role.INSPECTOR, station: str = "gate 1") -> str:
    with log.writing() as connection:
        person = person_named(connection, f"{role} of {station}", role)
    log.append([NewEvent(EventKind.SIGN_IN, f"person:{person}", {"role": role.value}, person)], station)
    return person


def _locked(log: Log, station: str = "gate 1") -> Lock:
    with log.writing() as connection:
        return take(connection, SUBJECT, station)


def _version(log: Log) -> int:
    with log.reading() as connection:
        return event_count(connection, SUBJECT)


def _accept(inspection: str, person: str | None) -> NewEvent:
    data = {"inspection": inspection, "disposition": "accept", "reason": ""}
    return NewEvent(EventKind.DISPOSITION, SUBJECT, data, person)


def _verdict(inspection: str, answer: str | None, person: str | None) -> NewEvent:
    data = {"inspection": inspection, "flag": "m1", "answer": answer, "changed": None, "note": ""}
    return NewEvent(EventKind.VERDICT, SUBJECT, data, person)


def test_a_release_with_every_condition_is_logged_and_goes_to_the_outbox(log: Log) -> None:
    inspection = log_inspection(log, make_result(), "gate 1")
    appended = log.append([_accept(inspection, _signed_in(log))], "gate 1", _version(log), _locked(log))
    assert appended.version == _version(log)
    with log.reading() as connection:
        (message,) = connection.execute(select(outbox)).all()
    assert message.decision == f"gate 1:{appended.events[0].number}"
    assert message.sent_at is None


@pytest.mark.parametrize("purpose", ["audit", "demo", "engineering", "rehearsal"])
def test_other_purposes_can_be_decided_but_send_nothing_to_the_line(log: Log, purpose: str) -> None:
    inspection = log_inspection(log, make_result(purpose=Purpose(purpose)), "gate 1")
    log.append([_accept(inspection, _signed_in(log))], "gate 1", _version(log), _locked(log))
    with log.reading() as connection:
        assert connection.execute(select(func.count()).select_from(outbox)).scalar_one() == 0


@pytest.mark.parametrize("left_out", ["version", "old version", "lock", "old lock", "foreign lock", "person", "role"])
def test_a_caller_who_leaves_something_out_releases_nothing(log: Log, left_out: str) -> None:
    inspection = log_inspection(log, make_result(), "gate 1")
    person: str | None = _signed_in(log)
    lock: Lock | None = _locked(log)
    version: int | None = _version(log)
    if left_out == "version":
        version = None
    elif left_out == "old version":
        version = _version(log) - 1
    elif left_out == "lock":
        lock = None
    elif left_out == "old lock":
        _locked(log)  # taken again: the fencing number is higher now
    elif left_out == "foreign lock":
        lock = Lock("panel:000124", 1)
    elif left_out == "person":
        person = None
    else:
        person = _signed_in(log, Role.TECHNICIAN)
    with pytest.raises(LogError, match="'accept' was not logged"):
        log.append([_accept(inspection, person)], "gate 1", version, lock)
    assert EventKind.DISPOSITION not in {event.kind for event in log.events()}


def test_a_flag_above_a_limit_stops_a_release_whoever_calls(log: Log) -> None:
    inspection = log_inspection(log, make_result(flags=(crack("m1", 1, 1),)), "gate 1")
    person = _signed_in(log)
    with pytest.raises(LogError, match="still needs an answer"):
        log.append([_accept(inspection, person)], "gate 1", _version(log), _locked(log))
    confirmed = [_verdict(inspection, "confirmed", person), _accept(inspection, person)]
    with pytest.raises(LogError, match="cannot be accepted"):
        log.append(confirmed, "gate 1", _version(log), _locked(log))
    assert EventKind.VERDICT not in {event.kind for event in log.events()}  # all or nothing
    dismissed = [_verdict(inspection, "dismissed", person), _accept(inspection, person)]
    log.append(dismissed, "gate 1", _version(log), _locked(log))


def _hold(inspection: str, person: str, **data: object) -> NewEvent:
    given = {"inspection": inspection, "disposition": "hold", "reason": "edge looks odd", "owner": person}
    return NewEvent(EventKind.DISPOSITION, SUBJECT, {**given, **data}, person)


@pytest.mark.parametrize(
    ("left_out", "said"),
    [
        ({"owner": None}, "needs an owner"),
        ({"owner": ""}, "needs an owner"),
        ({"owner": "0" * 16}, "needs an owner"),
        ({"reason": "  "}, "'hold' needs a reason"),
    ],
)
def test_a_hold_without_an_owner_the_log_knows_or_without_a_reason_is_refused(
    log: Log, left_out: dict[str, object], said: str
) -> None:
    inspection = log_inspection(log, make_result(), "gate 1")
    person = _signed_in(log)
    with pytest.raises(LogError, match=said):
        log.append([_hold(inspection, person, **left_out)], "gate 1", _version(log), _locked(log))
    log.append([_hold(inspection, person)], "gate 1", _version(log), _locked(log))


@pytest.mark.parametrize("role", [Role.INSPECTOR, Role.QUALITY_ENGINEER])
def test_a_hold_ends_by_rework_concession_or_scrap_and_by_whom_it_may_whoever_calls(log: Log, role: Role) -> None:
    inspection = log_inspection(log, make_result(), "gate 1")
    person = _signed_in(log, role)
    log.append([_hold(inspection, person)], "gate 1", _version(log), _locked(log))
    with pytest.raises(LogError, match="cannot simply be accepted"):
        log.append([_accept(inspection, person)], "gate 1", _version(log), _locked(log))
    held = {"decision": f"gate 1:{list(log.events())[-1].number}", "inspection": inspection, "reason": "wrong key"}
    with pytest.raises(LogError, match="A hold is not taken back"):
        log.append([NewEvent(EventKind.TAKE_BACK, SUBJECT, held, person)], "gate 1", _version(log), _locked(log))
    conceded = NewEvent(
        EventKind.DISPOSITION, SUBJECT, _hold(inspection, person, disposition="concession").data, person
    )
    if role is Role.INSPECTOR:
        with pytest.raises(LogError, match="Only a quality engineer"):
            log.append([conceded], "gate 1", _version(log), _locked(log))
        technician = _signed_in(log, Role.TECHNICIAN)
        with pytest.raises(LogError, match="Sign in as inspector"):
            log.append([_accept(inspection, technician)], "gate 1", _version(log), _locked(log))
    else:
        log.append([conceded], "gate 1", _version(log), _locked(log))


def test_a_hold_that_an_older_program_logged_without_owner_or_reason_is_replayed(log: Log, monkeypatch) -> None:
    inspection = log_inspection(log, make_result(), "gate 1")
    person = _signed_in(log)
    old = {"inspection": inspection, "disposition": "hold", "reason": ""}
    with monkeypatch.context() as before:
        before.setattr("elinspect.store.log.refuse", lambda *_: None)
        log.append([NewEvent(EventKind.DISPOSITION, SUBJECT, old, person)], "gate 1", _version(log), _locked(log))
    rebuild(log)
    assert verify(log) == ()
    with log.reading() as connection:
        (held,) = connection.execute(select(holds)).all()
    assert (held.inspection, held.owner, held.ended_by) == (inspection, person, None)  # who held it has to settle it
    data = {"inspection": inspection, "disposition": "rework", "reason": ""}
    log.append([NewEvent(EventKind.DISPOSITION, SUBJECT, data, person)], "gate 1", _version(log), _locked(log))


def test_a_new_attempt_ends_the_hold_of_the_one_before_and_leaves_nothing_of_it_open(log: Log) -> None:
    first = log_inspection(log, make_result(flags=(crack("m1", 1, 1),)), "gate 1")
    person = _signed_in(log)
    log.append([_hold(first, person)], "gate 1", _version(log), _locked(log))
    log_rework_done(log, "bench", "Bo", "000123", [WorkDone(BenchWork.CELL_REPLACED, 1, 1)])
    second = log_inspection(log, make_result(picture="after"), "gate 1")
    log_rework_done(log, "bench", "Bo", "000123", [WorkDone(BenchWork.CLEANED)])
    third = log_inspection(log, make_result(picture="cleaned"), "gate 1")
    with log.reading() as connection:
        assert [row.id for row in waiting(connection)] == [third]
        assert held(connection) == []
        (hold,) = connection.execute(select(holds)).all()
    inspected = [event for event in log.events() if event.kind is EventKind.INSPECTION]
    assert hold.ended_by == f"gate 1:{inspected[1].number}"
    # What was never decided cannot be accepted on the picture of an earlier attempt.
    for old, event in ((second, _accept(second, person)), (first, _verdict(first, "dismissed", person))):
        with pytest.raises(LogError, match="A later picture of this panel was taken"):
            log.append([event], "gate 1", _version(log), _locked(log))
        assert old != third
    log.append([_accept(third, person)], "gate 1", _version(log), _locked(log))


@pytest.mark.parametrize("first", ["accept", "scrap"])
def test_a_panel_that_left_the_gate_is_not_released_again_without_rework(log: Log, first: str) -> None:
    person = _signed_in(log, Role.QUALITY_ENGINEER)

    def decide(inspection: str, disposition: str) -> None:
        data = {"inspection": inspection, "disposition": disposition, "reason": "as seen"}
        log.append([NewEvent(EventKind.DISPOSITION, SUBJECT, data, person)], "gate 1", _version(log), _locked(log))

    decide(log_inspection(log, make_result(), "gate 1"), first)
    again = log_inspection(log, make_result(picture="again"), "gate 1")
    for release in ("accept", "concession"):
        with pytest.raises(LogError, match=f"was already decided: {first}"):
            decide(again, release)
    decide(again, "rework")
    decide(log_inspection(log, make_result(picture="reworked"), "gate 1"), "accept")
    with log.reading() as connection:
        assert connection.execute(select(func.count()).select_from(outbox)).scalar_one() == 1 + (first == "accept")


def test_the_role_is_the_one_of_the_sign_in_not_one_the_caller_claims(log: Log) -> None:
    inspection = log_inspection(log, make_result(), "gate 1")
    data = {"inspection": inspection, "disposition": "scrap", "reason": "", "role": "quality_engineer"}
    event = NewEvent(EventKind.DISPOSITION, SUBJECT, data, _signed_in(log))
    with pytest.raises(LogError, match="Only a quality engineer"):
        log.append([event], "gate 1", _version(log), _locked(log))


def test_who_signed_in_elsewhere_decides_nothing_here(log: Log) -> None:
    inspection = log_inspection(log, make_result(), "gate 1")
    person = _signed_in(log, station="gate 2")
    with pytest.raises(LogError, match="Sign in as inspector"):
        log.append([_accept(inspection, person)], "gate 1", _version(log), _locked(log))


def test_a_flag_cannot_be_added_under_an_id_that_is_taken(log: Log) -> None:
    result = make_result(flags=(crack("m1", 1, 1),))
    inspection = log_inspection(log, result, "gate 1")
    data = {"inspection": inspection, "flag": flag_as_dict(crack("m1", 2, 2), result.panel.layout)}
    person = _signed_in(log)
    with pytest.raises(LogError, match="already has a flag m1"):
        log.append([NewEvent(EventKind.FLAG_ADDED, SUBJECT, data, person)], "gate 1", _version(log), _locked(log))


def test_an_inspection_is_logged_once_whoever_calls(log: Log) -> None:
    inspection = log_inspection(log, make_result(), "gate 1")
    (logged,) = [event for event in log.events() if event.kind is EventKind.INSPECTION]
    again = NewEvent(EventKind.INSPECTION, SUBJECT, logged.data)
    with pytest.raises(LogError, match="changed elsewhere"):
        log.append([again], "gate 1", _version(log))
    assert inspection == logged.data["inspection"]


def test_a_decision_under_another_panel_s_name_is_not_logged(log: Log) -> None:
    inspection = log_inspection(log, make_result(), "gate 1")
    person, lock = _signed_in(log), _locked(log)
    log_inspection(log, make_result("000124"), "gate 1")
    accepted = NewEvent(EventKind.DISPOSITION, "panel:000124", _accept(inspection, person).data, person)
    with log.reading() as connection:
        version = event_count(connection, "panel:000124")  # unchanged, but of the other panel
    with pytest.raises(ValueError, match="about panel:000123"):
        log.append([accepted], "gate 1", version, lock)


@pytest.mark.parametrize("role", [None, Role.TECHNICIAN, Role.AUDITOR, Role.ADMINISTRATOR])
def test_who_may_only_read_answers_nothing(log: Log, role: Role | None) -> None:
    inspection = log_inspection(log, make_result(flags=(crack("m1", 1, 1),)), "gate 1")
    person = _signed_in(log, role) if role is not None else None
    with pytest.raises(LogError, match="to answer flags"):
        log.append([_verdict(inspection, "dismissed", person)], "gate 1", _version(log), _locked(log))


def test_a_verdict_that_is_no_answer_is_not_logged(log: Log) -> None:
    inspection = log_inspection(log, make_result(flags=(crack("m1", 1, 1),)), "gate 1")
    with pytest.raises(ValueError, match="'perhaps'"):
        log.append([_verdict(inspection, "perhaps", _signed_in(log))], "gate 1", _version(log), _locked(log))


@pytest.mark.parametrize("flags", [["m1"], ["m9"]], ids=["above a limit", "unknown"])
def test_a_release_closes_only_flags_that_needed_no_answer(log: Log, flags: list[str]) -> None:
    result = make_result(flags=(crack("m1", 1, 1), crack("m2", 1, 2, limit=None)))
    inspection = log_inspection(log, result, "gate 1")
    person = _signed_in(log)

    def closing(names: list[str]) -> NewEvent:
        return NewEvent(EventKind.NOT_ANSWERED_SINGLY, SUBJECT, {"inspection": inspection, "flags": names}, person)

    with pytest.raises(LogError, match="Only a release"):
        log.append([closing(["m2"])], "gate 1", _version(log), _locked(log))
    released = [_verdict(inspection, "dismissed", person), _accept(inspection, person)]
    with pytest.raises(LogError, match="no flag"):
        log.append([*released, closing(flags)], "gate 1", _version(log), _locked(log))
    log.append([*released, closing(["m2"])], "gate 1", _version(log), _locked(log))


def _run_again(inspection: str) -> NewEvent:
    result = as_dict(make_result(criteria="other 2", flags=(crack("m7", 3, 3),)))
    data = {"inspection": inspection, "stands": True, "result": result}
    return NewEvent(EventKind.RE_EVALUATION, SUBJECT, data)


def test_a_re_evaluation_does_not_wipe_out_an_answer_given_meanwhile(log: Log) -> None:
    inspection = log_inspection(log, make_result(flags=(crack("m1", 1, 1),)), "gate 1")
    planned = _version(log)
    log.append([_verdict(inspection, "confirmed", _signed_in(log))], "gate 1", planned, _locked(log))
    for version in (planned, _version(log), None):
        with pytest.raises(LogError, match="changed elsewhere"):
            log.append([_run_again(inspection)], "gate 1", version)
    with log.reading() as connection:
        assert [flag.answer for flag in flags_of(connection, inspection)] == ["confirmed"]


def test_a_usable_picture_of_another_panel_is_refused_whoever_calls(log: Log) -> None:
    log_inspection(log, make_result("000124", picture="one"), "gate 1")
    result = make_result("000123", picture="one")
    data = {"inspection": "x", "attempt": 1, "retake": 0, "result": as_dict(result)}
    with pytest.raises(LogError):
        log.append([NewEvent(EventKind.INSPECTION, SUBJECT, data)], "gate 1", 0)


def test_a_usable_set_with_one_tile_of_another_panel_is_refused_whoever_calls(log: Log) -> None:
    log_inspection(log, replace(make_result("000124"), image=exposure_set("a", "b", dark="dark")), "gate 1")
    for tiles, refused in ((("c", "b"), True), (("c", "d"), False)):
        result = replace(make_result("000123"), image=exposure_set(*tiles, dark="dark"))
        event = NewEvent(
            EventKind.INSPECTION, SUBJECT, {"inspection": "x", "attempt": 1, "retake": 0, "result": as_dict(result)}
        )
        if refused:
            with pytest.raises(LogError, match="changed elsewhere"):
                log.append([event], "gate 1", 0)
        else:
            log.append([event], "gate 1", 0)


def test_not_a_number_never_gets_into_the_log(log: Log) -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        log.append([NewEvent(EventKind.PANEL_SEEN, "panel:1", {"value": float("nan")})], "gate 1")
    assert EventKind.PANEL_SEEN not in {event.kind for event in log.events()}


def test_versions_count_the_events_of_a_subject(log: Log) -> None:
    for number in range(1, 4):
        event = NewEvent(EventKind.PANEL_SEEN, "panel:1", {"serial": "1"})
        assert log.append([event], "gate 1").version == number
    recipe, *seen = log.events()
    assert [event.version for event in seen] == [1, 2, 3]
    assert list(log.events(after=recipe.id)) == seen


def _append_many(place: str, name: str, count: int, started: multiprocessing.synchronize.Barrier) -> None:
    with open_log(place) as log:
        started.wait()
        for number in range(count):
            event = NewEvent(EventKind.PANEL_SEEN, f"panel:{name}-{number}", {"serial": f"{name}-{number}"})
            log.append([event], "shared" if number % 2 else name)


def test_two_processes_lose_and_refuse_nothing(place: str) -> None:
    spawn = multiprocessing.get_context("spawn")
    started = spawn.Barrier(2)
    writers = [spawn.Process(target=_append_many, args=(place, name, 60, started)) for name in ("one", "two")]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join(120)
    assert [writer.exitcode for writer in writers] == [0, 0]
    with open_log(place) as log:
        assert {event.data["serial"] for event in log.events()} == {
            f"{n}-{i}" for n in ("one", "two") for i in range(60)
        }
        assert verify(log) == ()


@pytest.mark.parametrize("backend", BACKENDS)
def test_two_processes_may_make_the_log_at_once(backend: str, tmp_path: Path) -> None:
    with fresh_place(backend, tmp_path, empty=True) as place:
        spawn = multiprocessing.get_context("spawn")
        started = spawn.Barrier(2)
        makers = [spawn.Process(target=_make, args=(place, started)) for _ in range(2)]
        for maker in makers:
            maker.start()
        for maker in makers:
            maker.join(120)
        assert [maker.exitcode for maker in makers] == [0, 0]


def _make(place: str, started: multiprocessing.synchronize.Barrier) -> None:
    started.wait()
    open_log(place).close()
