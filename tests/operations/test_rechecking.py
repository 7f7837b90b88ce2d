"""After rework: every flag answered, new ones marked, and the wrong panel or the wrong place held."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from results import flag, result

from elinspect.catalogue import Message
from elinspect.criteria import default_criteria
from elinspect.geometry import PanelMatch
from elinspect.operations.bench import BenchWork, WorkDone, log_rework_done
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import log_inspection, next_attempt
from elinspect.operations.rechecking import rechecked
from elinspect.operations.versions import log_criteria, log_recipe
from elinspect.records import (
    Answer,
    Disposition,
    Fingerprints,
    Flag,
    ImageFacts,
    Kind,
    Outcome,
    PanelResult,
    ReworkAction,
    Stage,
    Versions,
)
from elinspect.result_file import as_dict, from_dict
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store.log import Log, open_log
from elinspect.synthetic.products import product_recipe
from elinspect.triage import plan_rework

RECIPE = product_recipe("mono_6x10")
BAD = (1, 2)


def _prints(seed: int, replaced: tuple[int, ...] = (), noise: int = 0) -> Fingerprints:
    """60 cells of random texture; replaced ones with another texture, the rest as a second exposure sees them."""
    rng, again = np.random.default_rng(seed), np.random.default_rng(1000 + noise)
    codes = []
    for cell in range(60):
        code = rng.integers(0, 256, 144, dtype=np.uint8)
        if cell in replaced:
            code = again.integers(0, 256, 144, dtype=np.uint8)
        elif noise:
            code[again.random(144) < 0.2] = 85
        codes.append(code.tobytes())
    return Fingerprints((24, 24), tuple(codes))


def _crack(flag_id: str, string: int, position: int, at: float = 10.0, kind: Kind = Kind.CRACK) -> Flag:
    x, y = position * 100.0 + at, string * 100.0 + at
    return flag(
        flag_id,
        kind,
        string=string,
        position=position,
        limit=f"{kind}.any",
        message=Message("flag.plain", {"kind": kind.value, "address": "x"}),
        outline_px=((x, y), (x + 20, y + 20)),
        box_px=(x, y, 20.0, 20.0),
    )


def _seen(picture: str, prints: Fingerprints | None, *flags: Flag, attempt: int = 1, **changes: object) -> PanelResult:
    seen = result(
        *flags,
        layout="6x10",
        attempt=attempt,
        image=ImageFacts(f"{picture}.png", (picture * 64)[:64], 1200, 800, 12),
        versions=Versions("0.1.0", RECIPE.label, default_criteria().label),
        fingerprints=prints,
        **changes,
    )
    return replace(seen, rework=plan_rework(flags, seen.proposal, RECIPE, default_criteria(), attempt))


@pytest.fixture
def log(tmp_path: Path):
    with open_log(str(tmp_path / "log.sqlite")) as opened:
        log_recipe(opened, RECIPE, "gate")
        log_criteria(opened, default_criteria(), "gate")
        yield opened


def _sent_to_rework(log: Log, *flags: Flag, done: tuple[WorkDone, ...] = (), dismissed: tuple[Flag, ...] = ()) -> None:
    flags = (*flags, *dismissed)
    inspection = log_inspection(log, _seen("a", _prints(1), *flags), "gate")
    desk = ReviewDesk(log, "gate", "Ada", Role.INSPECTOR, default_criteria())
    review = desk.open(inspection)
    for each in flags:
        review = desk.answer(review, Verdict(each.id, Answer.DISMISSED if each in dismissed else Answer.CONFIRMED))
    desk.decide(review, Disposition.REWORK)
    desk.close()
    if done:
        log_rework_done(log, "bench", "Bo", "000123", done)
    assert next_attempt(log, "000123", Stage.BEFORE_LAMINATION, _seen("b", None).purpose) == 2


NEW_CELL = WorkDone(BenchWork.CELL_REPLACED, *BAD)


def test_a_replaced_cell_is_answered_gone_and_the_panel_belongs(log: Log) -> None:
    _sent_to_rework(log, _crack("m1", *BAD), done=(NEW_CELL,))
    found = rechecked(log, _seen("b", _prints(1, (1,), noise=1), attempt=2))
    assert found.recheck is not None
    assert [(item.flag, item.outcome) for item in found.recheck.flags] == [("m1", Outcome.GONE)]
    assert found.recheck.match == PanelMatch.BELONGS
    assert found.quality.usable
    assert found.proposal.disposition is Disposition.ACCEPT
    assert "After rework: crack 1-2 is gone." in [reason.text for reason in found.proposal.reasons]
    assert as_dict(from_dict(as_dict(found))) == as_dict(found)


def test_still_there_moved_new_and_damage(log: Log) -> None:
    before = (_crack("m1", 1, 2), _crack("m2", 4, 4), _crack("m3", 6, 9))
    done = tuple(WorkDone(BenchWork.CELL_REPLACED, *place) for place in ((1, 2), (4, 4), (6, 9)))
    _sent_to_rework(log, *before, done=done)
    after = (
        _crack("m1", 1, 2, at=12.0),
        _crack("m2", 4, 4, at=70.0),
        _crack("m3", 1, 3),
        _crack("m4", 3, 8),
        _crack("m5", 5, 4, kind=Kind.CHIPPED_CELL),
    )
    new_cells = (1, 33, 58)
    found = rechecked(log, _seen("b", _prints(1, new_cells, noise=1), *after, attempt=2)).recheck
    assert found is not None
    assert [item.outcome for item in found.flags] == [Outcome.STILL_THERE, Outcome.MOVED, Outcome.GONE]
    assert [item.now for item in found.flags] == ["m1", "m2", None]
    assert set(found.new) == {"m3", "m4", "m5"}
    assert set(found.damage) == {"m3", "m5"}, "beside the new cells; 3-8 lies beside none"


@pytest.mark.parametrize(
    ("seed", "replaced", "match", "word"),
    [
        (7, (), PanelMatch.NOT_THIS_PANEL, "do not belong together"),
        (1, (), PanelMatch.NOT_AS_REPLACED, "Cell 1-2 should be a new one and looks the same as before."),
        (1, (1, 20), PanelMatch.NOT_AS_REPLACED, "Cell 3-1 should be untouched and looks like another one."),
    ],
    ids=["another panel", "not replaced", "another cell replaced too"],
)
def test_what_does_not_fit_is_held(
    log: Log, seed: int, replaced: tuple[int, ...], match: PanelMatch, word: str
) -> None:
    _sent_to_rework(log, _crack("m1", *BAD), done=(NEW_CELL,))
    found = rechecked(log, _seen("b", _prints(seed, replaced, noise=1), attempt=2))
    assert found.recheck is not None
    assert found.recheck.match == match
    assert found.proposal.disposition is Disposition.HOLD
    assert not found.quality.usable
    assert found.rework is not None
    assert [step.action for step in found.rework.steps] == [ReworkAction.HOLD]
    assert word in " ".join(reason.text for reason in found.proposal.reasons)


def test_where_the_bench_logged_nothing_the_plan_stands_in(log: Log) -> None:
    bad = tuple(_crack(f"m{position}", 2, position) for position in (1, 4, 7))
    _sent_to_rework(log, *bad)
    cells_replaced = (10, 13, 16)
    only_the_bad = rechecked(log, _seen("b", _prints(1, cells_replaced, noise=1), attempt=2))
    assert only_the_bad.recheck is not None
    assert only_the_bad.recheck.match == PanelMatch.BELONGS
    assert "The bench logged nothing" in " ".join(note.text for note in only_the_bad.recheck.messages)
    whole_string = rechecked(log, _seen("c", _prints(1, tuple(range(10, 20)), noise=2), attempt=2))
    assert whole_string.recheck is not None
    assert whole_string.recheck.match == PanelMatch.BELONGS
    nothing = rechecked(log, _seen("d", _prints(1, noise=3), attempt=2))
    assert nothing.proposal.disposition is Disposition.HOLD


def test_a_cell_of_a_dismissed_flag_is_no_part_of_the_plan(log: Log) -> None:
    _sent_to_rework(log, _crack("m1", *BAD), dismissed=(_crack("m2", 4, 5),))
    # The bench replaced the right cell, and besides the one whose flag was dismissed.
    found = rechecked(log, _seen("b", _prints(1, (1, 34), noise=1), attempt=2))
    assert found.recheck is not None
    assert found.recheck.match == PanelMatch.NOT_AS_REPLACED
    assert found.proposal.disposition is Disposition.HOLD


def test_a_cell_turned_round_looks_other_and_is_no_damage(log: Log) -> None:
    _sent_to_rework(log, _crack("m1", *BAD, kind=Kind.REVERSED_CELL), done=(WorkDone(BenchWork.CELL_TURNED, *BAD),))
    for replaced in ((1,), ()):
        found = rechecked(log, _seen("b", _prints(1, replaced, noise=1), attempt=2))
        assert found.recheck is not None
        assert found.recheck.match == PanelMatch.BELONGS


def test_a_later_stage_must_show_the_same_cells(log: Log) -> None:
    log_inspection(log, _seen("a", _prints(1)), "gate")
    later = {"stage": Stage.AFTER_LAMINATION}
    same = rechecked(log, _seen("b", _prints(1, noise=1), **later))
    assert same.recheck is not None
    assert same.recheck.match == PanelMatch.BELONGS
    other = rechecked(log, _seen("c", _prints(5), **later))
    assert other.proposal.disposition is Disposition.HOLD


def test_a_first_attempt_and_the_same_picture_again_have_nothing_to_compare(log: Log) -> None:
    first = _seen("a", _prints(1), _crack("m1", *BAD))
    assert rechecked(log, first) is first
    log_inspection(log, first, "gate")
    assert rechecked(log, first) is first


def test_without_fingerprints_it_is_said(log: Log) -> None:
    _sent_to_rework(log, _crack("m1", *BAD), done=(NEW_CELL,))
    found = rechecked(log, _seen("b", None, attempt=2)).recheck
    assert found is not None
    assert found.match is None
    assert found.messages[0].code == "recheck.no_fingerprints"


@pytest.mark.parametrize(("seed", "held"), [(1, False), (7, True)], ids=["the same panel", "another panel"])
def test_a_further_picture_within_an_attempt_must_show_the_same_panel(log: Log, seed: int, held: bool) -> None:
    log_inspection(log, _seen("a", _prints(1), _crack("m1", *BAD)), "gate")
    retaken = _seen("b", _prints(seed, noise=1), _crack("m1", *BAD))
    found = rechecked(log, retaken)
    if not held:
        assert found is retaken  # no rework in between: nothing is gone, nothing is new
        return
    assert (found.proposal.disposition, found.quality.usable) == (Disposition.HOLD, False)
    assert "do not belong together" in found.proposal.reasons[0].text
    log_inspection(log, found, "gate")
    # Neither a third picture of the one panel nor one of the other settles which panel the serial is of.
    for name, again in (("c", 1), ("d", 7)):
        assert rechecked(log, _seen(name, _prints(again, noise=2))).proposal.disposition is Disposition.HOLD


def test_a_picture_after_one_that_was_too_bad_is_not_compared_with_it(log: Log) -> None:
    bad = _seen("a", _prints(1))
    log_inspection(log, replace(bad, quality=replace(bad.quality, usable=False)), "gate")
    good = _seen("b", _prints(7))
    assert rechecked(log, good) is good


def test_a_serial_given_by_hand_is_compared_with_the_panel_s_earlier_picture(log: Log) -> None:
    _sent_to_rework(log, _crack("m1", *BAD), done=(NEW_CELL,))
    desk = ReviewDesk(log, "gate", "Ada", Role.INSPECTOR, default_criteria())
    nameless = {"b": _prints(7), "c": _prints(1, (1,), noise=1)}
    reviews = {
        name: desk.open(log_inspection(log, replace(_seen(name, prints), serial=None), "gate"))
        for name, prints in nameless.items()
    }
    other = desk.give_serial(reviews["b"], "000123")
    assert "do not belong together" in other.result.proposal.reasons[0].text
    assert desk.missing(other, Disposition.ACCEPT) != ()
    log_rework_done(log, "bench", "Bo", "000123", (WorkDone(BenchWork.NOTHING_DONE),))
    own = desk.give_serial(reviews["c"], "000123")
    assert own.result.attempt == 3
