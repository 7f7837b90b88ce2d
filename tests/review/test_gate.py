"""The gate rule: every condition of the design, one by one, and no reason replaces it."""

from dataclasses import replace

import pytest

from elinspect.records import Answer, Disposition
from elinspect.review.gate import FlagStanding, GateFacts, Role, missing_conditions

READY = GateFacts(
    flags=(FlagStanding("m1", "crack.any", "crack.any", Answer.DISMISSED), FlagStanding("m2", None, None, None)),
    usable=True,
    panel_found=True,
    layout_agrees=True,
    serial="000123",
    lock_held=True,
    version_unchanged=True,
    role=Role.INSPECTOR,
)


def _codes(facts: GateFacts, disposition: Disposition) -> set[str]:
    return {message.code for message in missing_conditions(facts, disposition)}


def test_a_panel_with_every_condition_can_be_accepted() -> None:
    assert missing_conditions(READY, Disposition.ACCEPT) == ()


def test_nothing_known_means_not_released() -> None:
    assert len(missing_conditions(GateFacts(flags=()), Disposition.ACCEPT)) == 7


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"usable": False}, "gate.not_usable"),
        ({"panel_found": False}, "gate.not_found"),
        ({"layout_agrees": False}, "gate.layout"),
        ({"serial": None}, "gate.serial"),
        ({"serial": ""}, "gate.serial"),
        ({"lock_held": False}, "gate.lock"),
        ({"version_unchanged": False}, "gate.version"),
        ({"role": Role.AUDITOR}, "gate.role_decide"),
        ({"role": Role.TECHNICIAN}, "gate.role_decide"),
        ({"role": None}, "gate.role_decide"),
        ({"flags": (FlagStanding("m1", "crack.any", "crack.any", None),)}, "gate.unanswered"),
        ({"flags": (FlagStanding("m1", "crack.any", "crack.any", Answer.CONFIRMED),)}, "gate.standing"),
        ({"flags": (FlagStanding("m1", None, "crack.any", Answer.CHANGED),)}, "gate.standing"),
        ({"flags": (FlagStanding("a1", "crack.any", "crack.any", None, added=True),)}, "gate.standing"),
    ],
)
def test_each_missing_condition_stops_accept_alone(change: dict[str, object], code: str) -> None:
    assert _codes(replace(READY, **change), Disposition.ACCEPT) == {code}


def test_what_is_below_its_limit_after_a_change_may_be_accepted() -> None:
    changed = FlagStanding("m1", "crack.any", None, Answer.CHANGED)
    confirmed_below = FlagStanding("m2", None, None, Answer.CONFIRMED)
    assert _codes(replace(READY, flags=(changed, confirmed_below)), Disposition.ACCEPT) == set()


def test_a_confirmed_flag_leaves_rework_hold_concession_and_scrap() -> None:
    flags = (FlagStanding("m1", "crack.any", "crack.any", Answer.CONFIRMED),)
    engineer = replace(READY, flags=flags, role=Role.QUALITY_ENGINEER)
    for disposition in set(Disposition) - {Disposition.ACCEPT}:
        assert _codes(engineer, disposition) == set()
    inspector = replace(READY, flags=flags)
    assert _codes(inspector, Disposition.REWORK) == set()
    assert _codes(inspector, Disposition.HOLD) == set()
    assert _codes(inspector, Disposition.CONCESSION) == {"gate.role_quality"}
    assert _codes(inspector, Disposition.SCRAP) == {"gate.role_quality"}


def test_a_concession_needs_what_a_release_needs_but_not_a_clean_panel() -> None:
    unanswered = (FlagStanding("m1", "crack.any", "crack.any", None),)
    facts = replace(READY, flags=unanswered, role=Role.QUALITY_ENGINEER, usable=False)
    assert _codes(facts, Disposition.CONCESSION) == {"gate.not_usable", "gate.unanswered"}


def test_a_panel_that_was_not_found_can_be_held_or_reworked() -> None:
    facts = replace(READY, flags=(), usable=False, panel_found=False, layout_agrees=False, serial=None)
    assert _codes(facts, Disposition.HOLD) == set()
    assert _codes(facts, Disposition.REWORK) == set()
