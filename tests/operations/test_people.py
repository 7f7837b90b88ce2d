"""Names, roles and PINs: on trust until the first PIN, then by PIN only; erasable, and never in the events."""

from pathlib import Path

import pytest
from argon2 import PasswordHasher
from logged_panels import crack, make_result
from sqlalchemy import select

from elinspect.errors import LogError
from elinspect.operations.audits import log_audit_result
from elinspect.operations.bench import BenchWork, WorkDone, log_rework_done
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.people import (
    Administrator,
    erase_name,
    give_badge,
    give_pin,
    known_people,
    sign_in,
    sign_in_here,
)
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import Log
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.schema import audit_results, people
from elinspect.store.verify import verify

BOSS = Administrator("Edith", "correct horse")


@pytest.fixture
def guarded(log: Log) -> Log:
    give_pin(log, BOSS.name, Role.ADMINISTRATOR, BOSS.pin)
    give_pin(log, "Ada", Role.INSPECTOR, "4711", by=BOSS)
    return log


def test_without_pins_a_name_and_a_role_are_enough(log: Log) -> None:
    assert sign_in(log, "gate 1", "Ada", Role.INSPECTOR) == sign_in(log, "gate 2", "Ada", Role.QUALITY_ENGINEER)
    with pytest.raises(LogError, match="needs a name"):
        sign_in(log, "gate 1", " ", Role.INSPECTOR)


@pytest.mark.parametrize(
    ("name", "role", "pin", "text"),
    [
        ("Ada", Role.INSPECTOR, "4712", "do not belong together"),
        ("Ada", Role.INSPECTOR, "", "do not belong together"),
        ("Mallory", Role.INSPECTOR, "4711", "do not belong together"),
        ("Ada", Role.QUALITY_ENGINEER, "4711", "has another role"),
    ],
)
def test_with_pins_only_the_right_one_signs_in(guarded: Log, name: str, role: Role, pin: str, text: str) -> None:
    before = len(list(guarded.events()))
    with pytest.raises(LogError, match=text):
        sign_in(guarded, "gate 1", name, role, pin)
    assert len(list(guarded.events())) == before
    assert sign_in(guarded, "gate 1", "Ada", Role.INSPECTOR, "4711")


def test_a_role_cannot_be_claimed_past_the_sign_in(guarded: Log) -> None:
    person = sign_in(guarded, "gate 1", "Ada", Role.INSPECTOR, "4711")
    claim = NewEvent(EventKind.SIGN_IN, f"person:{person}", {"role": "quality_engineer"}, person)
    with pytest.raises(LogError, match="has another role"):
        guarded.append([claim], "gate 1")


def test_the_first_pin_is_an_administrator_s_and_only_administrators_give_more(log: Log) -> None:
    with pytest.raises(LogError, match="must be an administrator's"):
        give_pin(log, "Ada", Role.INSPECTOR, "4711")
    give_pin(log, BOSS.name, Role.ADMINISTRATOR, BOSS.pin)
    for by in (None, Administrator("Ada", "4711"), Administrator(BOSS.name, "wrong")):
        with pytest.raises(LogError):
            give_pin(log, "Mallory", Role.QUALITY_ENGINEER, "0000", by=by)
    give_pin(log, "Ada", Role.INSPECTOR, "4711", by=BOSS)
    with pytest.raises(LogError, match="Only an administrator"):
        give_pin(log, "Mallory", Role.QUALITY_ENGINEER, "0000", by=Administrator("Ada", "4711"))
    with pytest.raises(LogError, match="at least 4"):
        give_pin(log, "Ada", Role.INSPECTOR, "123", by=BOSS)


def test_pins_are_kept_as_argon2_hashes_and_not_in_the_events(guarded: Log) -> None:
    sign_in(guarded, "gate 1", "Ada", Role.INSPECTOR, "4711")
    with guarded.reading() as connection:
        hashes = connection.execute(select(people.c.pin_hash)).scalars().all()
    assert all(hashed.startswith("$argon2id$") for hashed in hashes)
    assert not [event for event in guarded.events() if "4711" in repr(event.data) or "Ada" in repr(event)]


def test_an_erased_name_is_gone_and_what_was_decided_stays(guarded: Log) -> None:
    desk = ReviewDesk(guarded, "gate 1", "Ada", Role.INSPECTOR, default_criteria(), pin="4711")
    review = desk.decide(desk.open(log_inspection(guarded, make_result(), "gate 1")), Disposition.HOLD, "look again")
    erase_name(guarded, "Ada", by=BOSS)
    reopened = desk.open(review.inspection)
    assert reopened.decision is not None
    assert reopened.decision.inspector == "a person whose name was erased"
    assert verify(guarded) == ()
    with pytest.raises(LogError, match="do not belong together"):
        sign_in(guarded, "gate 1", "Ada", Role.INSPECTOR, "4711")
    with pytest.raises(LogError, match="Nobody here is named 'Ada'"):
        erase_name(guarded, "Ada", by=BOSS)


def test_work_at_the_bench_needs_a_sign_in_there_whoever_calls(guarded: Log) -> None:
    log_inspection(guarded, make_result(), "gate 1")
    sign_in(guarded, "gate 1", "Ada", Role.INSPECTOR, "4711")  # at another station
    done = [WorkDone(BenchWork.CELL_REPLACED, 1, 2)]
    with pytest.raises(LogError, match="without a sign-in only read"):
        log_rework_done(guarded, "bench", "Ada", "000123", done)
    sign_in(guarded, "bench", "Ada", Role.INSPECTOR, "4711")
    log_rework_done(guarded, "bench", "Ada", "000123", done)


def test_the_last_administrator_stays(guarded: Log) -> None:
    with pytest.raises(LogError, match="Edith is the last administrator"):
        erase_name(guarded, "Edith", by=BOSS)
    give_pin(guarded, "Grace", Role.ADMINISTRATOR, "8888", by=BOSS)
    erase_name(guarded, "Edith", by=Administrator("Grace", "8888"))


def test_the_last_administrator_cannot_become_something_else(guarded: Log) -> None:
    with pytest.raises(LogError, match="is the last administrator"):
        give_pin(guarded, BOSS.name, Role.INSPECTOR, "1234", by=BOSS)
    give_pin(guarded, "Hedy", Role.ADMINISTRATOR, "second", by=BOSS)
    give_pin(guarded, BOSS.name, Role.INSPECTOR, "1234", by=BOSS)
    listed = {known.name: (known.role, known.has_pin, known.has_badge) for known in known_people(guarded)}
    assert listed == {
        "Ada": (Role.INSPECTOR, True, False),
        BOSS.name: (Role.INSPECTOR, True, False),
        "Hedy": (Role.ADMINISTRATOR, True, False),
    }


def test_nobody_waits_while_a_pin_is_checked(guarded: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    checked = []
    verify_pin = PasswordHasher.verify

    def check(hasher: PasswordHasher, hashed: str, pin: str) -> bool:
        with guarded.writing():  # another writer gets its turn meanwhile
            checked.append(pin)
        return verify_pin(hasher, hashed, pin)

    monkeypatch.setattr(PasswordHasher, "verify", check)
    sign_in(guarded, "gate 1", "Ada", Role.INSPECTOR, "4711")
    give_pin(guarded, "Hedy", Role.TECHNICIAN, "5555", by=BOSS)
    give_badge(guarded, "Hedy", "badge-0001", by=BOSS)
    erase_name(guarded, "Hedy", by=BOSS)
    assert checked == ["4711", *[BOSS.pin] * 3]


def test_an_erased_name_is_no_longer_in_the_file(tmp_path: Path) -> None:
    from elinspect.store import open_log

    with open_log(tmp_path / "log.sqlite") as log:
        sign_in(log, "gate 1", "Wilhelmina Unmistakable", Role.INSPECTOR)
        erase_name(log, "Wilhelmina Unmistakable")
    content = b"".join(path.read_bytes() for path in tmp_path.iterdir())
    assert b"Wilhelmina" not in content


def test_an_auditor_s_opinion_stands_beside_the_decision(log: Log) -> None:
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
    inspection = log_inspection(log, make_result(flags=[crack("m1", 1, 1)]), "gate 1")
    auditor = sign_in(log, "office", "Grace", Role.AUDITOR)
    with pytest.raises(LogError, match="not decided yet"):
        log_audit_result(log, "office", auditor, inspection, Disposition.REWORK)
    review = desk.decide(desk.open(inspection), Disposition.HOLD, "look again")
    assert log_audit_result(log, "office", auditor, inspection, Disposition.REWORK, "clear crack") is False
    assert log_audit_result(log, "office", auditor, inspection, Disposition.HOLD) is True
    assert desk.open(inspection).version == review.version  # an audit does not disturb a review
    inspector = sign_in(log, "office", "Ada", Role.INSPECTOR)
    with pytest.raises(LogError, match="as auditor or quality engineer"):
        log_audit_result(log, "office", inspector, inspection, Disposition.HOLD)
    with log.reading() as connection:
        rows = connection.execute(select(audit_results).order_by(audit_results.c.event_id)).all()
    assert [(row.disposition, row.agrees, row.note) for row in rows] == [
        ("rework", False, "clear crack"),
        ("hold", True, ""),
    ]


def test_a_badge_alone_says_who_it_is(guarded: Log) -> None:
    give_pin(guarded, "Grace", Role.QUALITY_ENGINEER, "0815", by=BOSS)
    give_badge(guarded, "Grace", "BADGE-0000042", by=BOSS)
    person, name, role = sign_in_here(guarded, "gate 1", "", "BADGE-0000042")
    assert (name, role) == ("Grace", Role.QUALITY_ENGINEER)
    assert sign_in_here(guarded, "gate 1", "Grace", "0815") == (person, name, role)
    for wrong in ("BADGE-0000043", "0815", ""):
        with pytest.raises(LogError, match="Nobody has this badge"):
            sign_in_here(guarded, "gate 1", "", wrong)


@pytest.mark.parametrize(
    ("name", "badge", "by", "text"),
    [
        ("Ada", "4711", BOSS, "too short"),
        ("Ada", "BADGE-0000042", None, "Only an administrator"),
        ("Mallory", "BADGE-0000042", BOSS, "Nobody here is named"),
        ("Ada", "BADGE-EDITH", BOSS, "belongs to Edith"),
    ],
)
def test_a_badge_is_given_by_an_administrator_to_one_person(guarded, name, badge, by, text) -> None:
    give_badge(guarded, "Edith", "BADGE-EDITH", by=BOSS)
    with pytest.raises(LogError, match=text):
        give_badge(guarded, name, badge, by=by)


def test_an_erased_person_has_no_badge_any_more(guarded: Log) -> None:
    give_badge(guarded, "Ada", "BADGE-0000042", by=BOSS)
    erase_name(guarded, "Ada", by=BOSS)
    with pytest.raises(LogError, match="Nobody has this badge"):
        sign_in_here(guarded, "gate 1", "", "BADGE-0000042")


def test_the_desk_changes_hands_and_keeps_its_locks(guarded: Log) -> None:
    give_pin(guarded, "Grace", Role.QUALITY_ENGINEER, "0815", by=BOSS)
    desk = ReviewDesk(guarded, "gate 1", "Ada", Role.INSPECTOR, default_criteria(), pin="4711")
    assert desk.asks_pin()
    review = desk.open(log_inspection(guarded, make_result(flags=[crack("m1", 1, 3)]), "gate 1"))
    with pytest.raises(LogError, match="do not belong together"):
        desk.sign_in("Grace", "4711")
    assert desk.person.name == "Ada"
    assert desk.sign_in("Grace", "0815").role is Role.QUALITY_ENGINEER
    conceded = desk.answer(review, Verdict("m1", Answer.CONFIRMED))
    assert desk.decide(conceded, Disposition.CONCESSION, "customer agrees").decision.inspector == "Grace"  # type: ignore[union-attr]
