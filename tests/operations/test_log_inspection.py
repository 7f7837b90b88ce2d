"""What is an inspection, an attempt, a retake, a re-evaluation, and the camera that repeats itself."""

from collections import Counter
from dataclasses import replace

import pytest
from logged_panels import crack, exposure_set, image_hash, make_result
from sqlalchemy import select

from elinspect.errors import LogError
from elinspect.operations.bench import BenchWork, WorkDone, log_rework_done
from elinspect.operations.desk import ReviewDesk
from elinspect.operations.log_inspection import held_if_image_known, log_inspection, next_attempt
from elinspect.recipe import default_criteria
from elinspect.records import Answer, Disposition, ImageFacts, PanelResult, Purpose, Stage
from elinspect.review.gate import Role
from elinspect.review.session import Verdict
from elinspect.store import Log
from elinspect.store.events import EventKind
from elinspect.store.schema import inspections
from elinspect.store.scores import unpack_scores


def _kinds(log: Log) -> Counter[EventKind]:
    return Counter(event.kind for event in log.events())


def _row(log: Log, inspection: str) -> object:
    with log.reading() as connection:
        return connection.execute(select(inspections).where(inspections.c.id == inspection)).one()


def _decide(log: Log, inspection: str, disposition: Disposition) -> None:
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
    desk.decide(desk.open(inspection), disposition)


def test_the_first_picture_of_a_panel_is_its_first_attempt(log: Log) -> None:
    log_inspection(log, make_result(), "gate 1")
    assert _kinds(log) == {
        EventKind.VERSION_CHANGE: 1,  # the recipe
        EventKind.PANEL_SEEN: 1,
        EventKind.ATTEMPT: 1,
        EventKind.EXPOSURES: 1,
        EventKind.INSPECTION: 1,
    }


def test_the_same_run_again_changes_nothing(log: Log) -> None:
    first = log_inspection(log, make_result(), "gate 1")
    before = list(log.events())
    assert log_inspection(log, make_result(), "gate 1") == first
    assert list(log.events()) == before


def test_another_purpose_or_stage_is_another_inspection(log: Log) -> None:
    ids = {
        log_inspection(log, make_result(purpose=purpose, stage=stage), "gate 1")
        for purpose in (Purpose.PRODUCTION, Purpose.AUDIT)
        for stage in (Stage.BEFORE_LAMINATION, Stage.FINAL)
    }
    assert len(ids) == 4


def test_other_versions_are_a_re_evaluation_that_stands_while_nobody_has_answered(log: Log) -> None:
    inspection = log_inspection(log, make_result(flags=(crack("m1", 1, 1),)), "gate 1")
    stricter = make_result(flags=(crack("m1", 1, 1), crack("m2", 1, 2)), criteria="stricter 2")
    assert log_inspection(log, stricter, "gate 1") == inspection
    assert log_inspection(log, stricter, "gate 1") == inspection
    assert _kinds(log)[EventKind.RE_EVALUATION] == 1
    row = _row(log, inspection)
    assert (row.attempt, row.retake, row.criteria, row.above_limit) == (1, 0, "stricter 2", 2)


def test_a_re_evaluation_stands_aside_once_somebody_has_answered(log: Log) -> None:
    inspection = log_inspection(log, make_result(flags=(crack("m1", 1, 1),)), "gate 1")
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
    desk.answer(desk.open(inspection), Verdict("m1", Answer.CONFIRMED))
    log_inspection(log, make_result(criteria="looser 2"), "gate 1")
    assert _kinds(log)[EventKind.RE_EVALUATION] == 1
    review = desk.open(inspection)
    assert [flag.id for flag in review.result.flags] == ["m1"]
    assert review.result.versions.criteria == "shipped default 2"


def test_after_rework_comes_the_next_attempt_and_another_picture_is_a_retake(log: Log) -> None:
    first = log_inspection(log, make_result(picture="one"), "gate 1")
    retaken = log_inspection(log, make_result(picture="two"), "gate 1")
    assert (_row(log, first).superseded, _row(log, retaken).superseded) == (True, False)
    _decide(log, retaken, Disposition.REWORK)
    assert next_attempt(log, "000123", Stage.BEFORE_LAMINATION, Purpose.PRODUCTION) == 2
    second = log_inspection(log, make_result(picture="three"), "gate 1")
    places = [(_row(log, name).attempt, _row(log, name).retake) for name in (first, retaken, second)]
    assert places == [(1, 0), (1, 1), (2, 0)]
    assert not _row(log, retaken).superseded


def test_a_retaken_picture_can_no_longer_be_decided(log: Log) -> None:
    first = log_inspection(log, make_result(picture="one"), "gate 1")
    log_inspection(log, make_result(picture="two"), "gate 1")
    with pytest.raises(LogError, match="A later picture of this panel was taken"):
        _decide(log, first, Disposition.ACCEPT)


def test_a_decision_stays_once_the_panel_was_photographed_again(log: Log) -> None:
    first = log_inspection(log, make_result(picture="one"), "gate 1")
    _decide(log, first, Disposition.REWORK)
    log_inspection(log, make_result(picture="two"), "gate 1")
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
    with pytest.raises(LogError, match="photographed again since"):
        desk.take_back(desk.open(first), "mistake")


def test_the_same_picture_under_another_serial_holds(log: Log) -> None:
    log_inspection(log, make_result("000123", picture="one"), "gate 1")
    second = log_inspection(log, make_result("000124", picture="one"), "gate 1")
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
    review = desk.open(second)
    assert review.result.proposal.disposition is Disposition.HOLD
    assert "logged before under serial 000123, now under 000124" in review.result.proposal.reasons[0].text
    assert "do not belong together" in review.result.proposal.reasons[0].text
    assert not review.result.quality.usable
    with pytest.raises(LogError, match="not good enough"):
        desk.decide(review, Disposition.ACCEPT)
    retaken = desk.open(log_inspection(log, make_result("000124", picture="two"), "gate 1"))
    assert desk.decide(retaken, Disposition.ACCEPT).decision is not None


def test_the_panel_that_had_the_picture_first_is_not_held_for_the_second(log: Log) -> None:
    first = log_inspection(log, make_result("000123", picture="one"), "gate 1")
    log_inspection(log, make_result("000124", picture="one"), "gate 1")
    again = make_result("000123", picture="one", criteria="stricter 2")
    assert held_if_image_known(log, again) is again
    assert log_inspection(log, again, "gate 1") == first
    assert (_row(log, first).criteria, _row(log, first).usable) == ("stricter 2", True)


def test_every_file_of_an_exposure_set_is_part_of_its_identity(log: Log) -> None:
    def logged(*names: str, dark: str | None = None) -> str:
        return log_inspection(log, replace(make_result(), image=exposure_set(*names, dark=dark)), "gate 1")

    first = logged("left", "right", dark="dark")
    assert logged("left", "right", dark="dark") == first
    assert len({first, logged("left", "right again", dark="dark"), logged("left", "right"), logged("left")}) == 4
    (exposures, *_) = [event for event in log.events() if event.kind is EventKind.EXPOSURES]
    hashes = [file["sha256"] for file in exposures.data["image"]["files"]]
    assert hashes == [image_hash(name) for name in ("left", "right", "dark")]


def test_one_tile_of_another_panel_holds_and_a_dark_exposure_may_serve_many(log: Log) -> None:
    def result_of_tiles(serial: str, *names: str) -> PanelResult:
        return replace(make_result(serial), image=exposure_set(*names, dark="dark of the shift"))

    log_inspection(log, result_of_tiles("1", "1 left", "1 right"), "gate 1")
    fine = result_of_tiles("2", "2 left", "2 right")
    assert held_if_image_known(log, fine) is fine
    mixed = held_if_image_known(log, result_of_tiles("3", "3 left", "1 right"))
    assert mixed.proposal.disposition is Disposition.HOLD
    assert "logged before under serial 1, now under 3" in mixed.proposal.reasons[0].text


def test_work_done_at_the_bench_begins_the_next_attempt_even_if_nobody_sent_the_panel_there(log: Log) -> None:
    log_inspection(log, make_result(picture="one"), "gate 1")
    log_rework_done(log, "bench", "Grace", "000123", [WorkDone(BenchWork.RESOLDERED, 1, 1)])
    second = log_inspection(log, make_result(picture="two"), "gate 1")
    third = log_inspection(log, make_result(picture="three"), "gate 1")
    assert [(_row(log, name).attempt, _row(log, name).retake) for name in (second, third)] == [(2, 0), (2, 1)]


def test_leading_zeros_make_another_serial(log: Log) -> None:
    assert log_inspection(log, make_result("0123"), "gate 1") != log_inspection(log, make_result("123"), "gate 1")


@pytest.mark.parametrize("serial", ["", "12\x003", "12\n3"])
def test_what_cannot_be_a_serial_is_refused(log: Log, serial: str) -> None:
    with pytest.raises(LogError, match="cannot be a serial"):
        log_inspection(log, make_result(serial), "gate 1")


def test_panels_without_serial_are_kept_apart_by_their_picture(log: Log) -> None:
    one = log_inspection(log, make_result(None, picture="one"), "gate 1")
    two = log_inspection(log, make_result(None, picture="two"), "gate 1")
    assert one != two
    assert not _row(log, one).superseded


def test_a_file_that_could_not_be_read_is_logged_with_its_reason(log: Log) -> None:
    unread = make_result("7", usable=False, found=False)
    result = replace(unread, image=ImageFacts("bad \udcff.png", None))  # a name that is no UTF-8
    inspection = log_inspection(log, result, "gate 1")
    assert log_inspection(log, result, "gate 1") == inspection
    desk = ReviewDesk(log, "gate 1", "Ada", Role.INSPECTOR, default_criteria())
    review = desk.open(inspection)
    assert review.result.image.path == "bad \udcff.png"


def test_the_scores_of_all_cells_are_kept(log: Log) -> None:
    inspection = log_inspection(log, make_result(), "gate 1")
    names, scores = unpack_scores(_row(log, inspection).scores)
    assert names == ("crack", "defect_score")
    assert scores.shape == (60, 2)
    assert scores[59].tolist() == [0.059, 0.5]


def test_scores_that_were_not_given_stay_unknown(log: Log) -> None:
    result = make_result()
    unknown = replace(result.cells[0], kind_scores={"dark_cell": 1.0}, defect_score=None)
    inspection = log_inspection(log, replace(result, cells=(unknown, *result.cells[1:])), "gate 1")
    names, scores = unpack_scores(_row(log, inspection).scores)
    assert names == ("crack", "dark_cell", "defect_score")
    assert [str(value) for value in scores[0]] == ["nan", "1.0", "nan"]
