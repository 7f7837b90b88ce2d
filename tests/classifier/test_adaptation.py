"""Learning from answers: what a head gains, and what must never teach it."""

from dataclasses import replace

import numpy as np
import pytest

from elinspect.classifier.adaptation import AnsweredFlag, adapt_heads, lane_weights, rebased
from elinspect.classifier.contract import CONTRACT, KINDS
from elinspect.classifier.heads import LinearHead
from elinspect.classifier.model_file import CARD_SCHEMA, HeadTable, ModelCard
from elinspect.classifier.scoring import FINDING_EVIDENCE, finding_probability
from elinspect.records import Kind

FEATURES = 6
CARD = ModelCard(
    CARD_SCHEMA, "cell-network", "1", "net.onnx", "0" * 64, CONTRACT, KINDS,
    HeadTable({"network.any": 1.0}, 0.0), {Kind.CRACK: HeadTable({"detector": 1.0}, 0.0)}, {Kind.CRACK: 0.1}, {},
)  # fmt: skip


def answers(
    n: int, seed: int = 0, informative: bool = True, lane: str = "", inspector: str = "Ada"
) -> list[AnsweredFlag]:
    """Flags whose truth the fourth feature tells (or nothing does) and the shipped head does not see."""
    rng = np.random.default_rng(seed)
    made = []
    for number in range(n):
        row = rng.normal(0, 1, len(FINDING_EVIDENCE) + FEATURES)
        told = row[-3] if informative else rng.normal()
        truth = bool(told + 0.5 * rng.normal() > 0)
        made.append(AnsweredFlag(Kind.CRACK, row, truth, f"{seed}-{number // 2}", inspector, lane))
    return made


def test_what_the_network_saw_but_the_head_did_not_use_is_learnt() -> None:
    learnt = adapt_heads(CARD, answers(600), np.random.default_rng(0))
    (outcome,) = learnt.outcomes
    assert outcome.better
    # The truth is knowable to about 85 %: a loss near 0.3 is what a right head reaches; the shipped one had about 0.8.
    assert outcome.loss_after < 0.4 < 0.7 < outcome.loss_before
    fresh = answers(400, seed=9)
    said = finding_probability(learnt.heads[Kind.CRACK], np.stack([flag.evidence for flag in fresh])) > 0.5
    assert np.mean(said == [flag.true for flag in fresh]) > 0.8


def test_coin_tosses_install_nothing_better_than_the_base_rate() -> None:
    card = replace(CARD, finding_heads={Kind.CRACK: HeadTable({"detector": 0.0}, 0.0)})
    learnt = adapt_heads(card, answers(600, informative=False), np.random.default_rng(0))
    (outcome,) = learnt.outcomes
    assert not outcome.better
    assert learnt.heads == {}


def test_too_few_answers_are_said_and_change_nothing() -> None:
    learnt = adapt_heads(CARD, answers(40), np.random.default_rng(0))
    assert learnt.heads == {}
    assert [note.code for note in learnt.notes] == ["adapt.too_few"]
    assert "30 confirmed and 30 dismissed" in learnt.notes[0].text


def test_an_inspector_who_dismisses_everything_teaches_nothing() -> None:
    honest = answers(600)
    careless = [replace(flag, true=False) for flag in answers(600, seed=1, inspector="Bo")]
    learnt = adapt_heads(CARD, [*honest, *careless], np.random.default_rng(0))
    alone = adapt_heads(CARD, honest, np.random.default_rng(0))
    assert [note.code for note in learnt.notes] == ["adapt.constant"]
    assert learnt.heads == alone.heads


def test_where_all_dismiss_nobody_is_left_out_for_it() -> None:
    rare = [replace(flag, true=number % 100 == 0) for number, flag in enumerate(answers(1200, lane="A1"))]
    others = [replace(flag, true=number % 100 == 0) for number, flag in enumerate(answers(600, 2, inspector="Bo"))]
    learnt = adapt_heads(CARD, [*rare, *others], np.random.default_rng(0))
    assert "adapt.constant" not in {note.code for note in learnt.notes}


def test_one_lane_cannot_flood_what_is_learnt() -> None:
    weights = lane_weights(["A1"] * 900 + ["A2"] * 50 + ["B1"] * 50 + [""] * 100)
    shares = [weights[start:end].sum() / weights.sum() for start, end in ((0, 900), (900, 950), (950, 1000))]
    assert shares[0] == pytest.approx(0.25, abs=1e-6)
    assert max(shares[1:]) <= 0.25 + 1e-6
    # Two lanes alone share evenly: a quarter each cannot be.
    even = lane_weights(["A1"] * 90 + ["A2"] * 10)
    assert even[:90].sum() == pytest.approx(even[90:].sum())
    assert lane_weights(["", "", ""]) == pytest.approx([1, 1, 1])


def test_a_lane_that_floods_is_named() -> None:
    flood = answers(900, 3, lane="A/1")
    others = [flag for number in range(4) for flag in answers(60, 10 + number, lane=f"B/{number}")]
    learnt = adapt_heads(CARD, [*flood, *others], np.random.default_rng(0))
    (note,) = learnt.notes
    assert note.code == "adapt.lane"
    assert note.values["lane"] == "A/1"
    # 900 of 1,140, less what is held out; counted as a quarter.
    assert note.values["percent"] == pytest.approx(79, abs=4)
    assert note.values["counted"] == pytest.approx(25)
    assert "lane A/1" in note.text
    assert adapt_heads(CARD, others, np.random.default_rng(0)).notes == ()


def test_a_prior_shift_moves_the_odds_by_hand() -> None:
    # Odds 1:1 where half of the cells are defective are 1:999 where one in a thousand is.
    head = rebased(LinearHead(("a",), (1.0,), 0.0), 0.5, 0.001)
    assert head.probability(np.zeros((1, 1))) == pytest.approx([0.001])
    with pytest.raises(ValueError, match="between 0 and 1"):
        rebased(head, 0.5, 0.0)
