"""The review as a value: answers, changes, added flags, taking back."""

import pytest
from results import flag, result

from elinspect.records import Answer, Kind
from elinspect.review.session import Review, Verdict, answered


def _review() -> Review:
    return Review("i1", result(flag("m1"), flag("m2", Kind.FINGER_INTERRUPTION, None)))


def test_an_answer_is_kept_and_can_be_taken_back() -> None:
    review = _review()
    after = answered(review, Verdict("m1", Answer.DISMISSED))
    assert review.verdicts == {}
    assert after.standings[0].answer is Answer.DISMISSED
    assert after.version == review.version + 1
    back = answered(after, Verdict("m1", None))
    assert back.standings == review.standings


def test_a_changed_flag_stands_in_its_changed_form() -> None:
    smaller = flag("m1", Kind.FINGER_INTERRUPTION, None)
    after = answered(_review(), Verdict("m1", Answer.CHANGED, smaller))
    assert after.flags[0] is smaller
    standing = after.standings[0]
    assert (standing.machine_limit, standing.standing_limit) == ("crack.any", None)
    assert not standing.unanswered_above_limit
    assert not standing.stands_above_limit


def test_added_flags_come_last_and_need_no_answer() -> None:
    review = Review("i1", result(flag("m1")), added=(flag("a1", Kind.OTHER, "other.any"),))
    assert [item.id for item in review.flags] == ["m1", "a1"]
    assert [standing.unanswered_above_limit for standing in review.standings] == [True, False]
    assert review.standings[1].stands_above_limit


@pytest.mark.parametrize("verdict", [(Answer.CHANGED, None), (Answer.DISMISSED, flag()), (None, flag())])
def test_only_what_was_changed_or_confirmed_carries_another_flag(verdict: tuple[Answer | None, object]) -> None:
    with pytest.raises(ValueError, match="changed"):
        Verdict("m1", verdict[0], verdict[1])  # type: ignore[arg-type]
