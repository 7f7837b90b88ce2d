"""Heads and card of a model: fitted on evidence whose truth is known, written so that the loader takes them."""

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from elinspect.classifier import load_model, read_card, shipped_model
from elinspect.classifier.contract import CONTRACT, KINDS
from elinspect.classifier.scoring import FINDING_EVIDENCE
from elinspect.operations import model_making
from elinspect.operations.model_making import CELL_EVIDENCE, NETWORK_SHARE, Judged, MakingSettings, make_model
from elinspect.records import Kind

SHIPPED = read_card(shipped_model())
SETTINGS = MakingSettings(
    head_panels=60, check_panels=30, seed=11, version="9", network=shipped_model().with_name(SHIPPED.network)
)


def judged(seed: tuple[int, ...]) -> Judged:
    """Evidence of 40 cells and 40 cracks; the logit of the truth is the sum of detector and a quarter of the network.

    Cell 0 is unsure, and its evidence would lead any fit astray.
    """
    rng = np.random.default_rng(seed)
    network, detector = rng.normal(0, 4, 40), rng.normal(0, 2, 40)
    defective = rng.random(40) < 1 / (1 + np.exp(-(detector + NETWORK_SHARE * network - 1)))
    unsure = np.arange(40) == 0
    detector[unsure], defective[unsure] = 1000, False
    rows = rng.normal(0, 2, (40, len(FINDING_EVIDENCE) + 3))
    true = rng.random(40) < 1 / (1 + np.exp(-(rows[:, 0] + rows[:, 1])))
    evidence = dict(zip(CELL_EVIDENCE, (network, detector), strict=True))
    return Judged(evidence, defective, unsure, {Kind.CRACK: (rows, true)})


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, ...]]:
    """Panels are judged by the function above; gives the seeds that were asked for."""
    seeds: list[tuple[int, ...]] = []

    def judge_all(_work: object, jobs: list[Any], *_others: object) -> list[Judged]:
        seeds.extend(seed for seed, _ in jobs)
        return [judged(seed) for seed, _ in jobs]

    monkeypatch.setattr(model_making, "_parallel", judge_all)
    return seeds


def test_heads_are_fitted_anew_and_the_card_says_all_of_it(tmp_path: Path, drawn: list[tuple[int, ...]]) -> None:
    told: list[str] = []
    path = make_model(tmp_path, SETTINGS, lambda stage, *_: told.append(stage))
    card = load_model(path).card
    network = (tmp_path / card.network).read_bytes()
    assert (path.name, card.network, card.version) == ("cell-network-9.json", "cell-network-9.onnx", "9")
    assert network == shipped_model().with_name(SHIPPED.network).read_bytes()
    assert card.sha256 == hashlib.sha256(network).hexdigest()
    assert (card.contract, card.kinds) == (CONTRACT, KINDS)
    # Truth was drawn with slope 1 on the sum and -1 beside it.
    weights = card.cell_head.weights
    assert weights["network.any"] == pytest.approx(NETWORK_SHARE * weights["detector.strongest"], rel=1e-3)
    assert weights["detector.strongest"] == pytest.approx(1, abs=0.12)
    assert card.cell_head.bias == pytest.approx(-1, abs=0.15)
    crack = card.finding_heads[Kind.CRACK].weights
    assert (crack["detector"], crack["map_most"]) == pytest.approx((1, 1), abs=0.15)
    assert max(abs(crack[name]) for name in FINDING_EVIDENCE[2:]) < 0.1
    assert set(card.finding_heads) == set(card.doubtful_below) == {Kind.CRACK}
    reached = card.made["simulated_check"]
    # 39 sure cells of each of 30 panels.
    assert reached["cells"] == 30 * 39
    assert reached["calibration_error"] < 0.05
    for name in ("auc", "calibration_error"):
        low, high = reached[f"{name}_interval"]
        # The error of fewer distinct panels is the larger one: its interval may lie above it.
        assert low < high < low + 0.15
    low, high = reached["auc_interval"]
    assert low < reached["auc"] < high
    assert reached["auc"] > reached["auc_detectors_alone"] > 0.5
    assert reached["findings"]["crack"]["true_kept"] > 0.97
    assert reached["findings"]["crack"]["true"] + reached["findings"]["crack"]["false"] == 30 * 40
    # How the network was made stays in the card, though only its heads are new.
    assert card.made["training"] == SHIPPED.made["training"]
    assert card.made["licence"] == "Apache-2.0"
    assert "certifies nothing" in card.made["limits"]


def test_panels_of_the_heads_and_of_the_check_never_share_a_seed(tmp_path: Path, drawn: list[tuple[int, ...]]) -> None:
    make_model(tmp_path, SETTINGS, lambda *_: None)
    assert len(drawn) == len(set(drawn)) == 90
    assert {seed[0] for seed in drawn} == {11}
    assert {seed[1] for seed in drawn} == {1, 2}


def test_the_same_settings_give_the_same_card(tmp_path: Path, drawn: list[tuple[int, ...]]) -> None:
    first, again = (json.loads(make_model(tmp_path, SETTINGS, lambda *_: None).read_text()) for _ in range(2))
    assert first == again


def test_without_a_true_and_a_false_finding_a_kind_gets_no_head(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def only_true(_work: object, jobs: list[Any], *_others: object) -> list[Judged]:
        panels = [judged(seed) for seed, _ in jobs]
        return [
            Judged(each.evidence, each.defective, each.unsure, {Kind.CRACK: (rows, np.ones_like(truth))})
            for each in panels
            for rows, truth in [each.findings[Kind.CRACK]]
        ]

    monkeypatch.setattr(model_making, "_parallel", only_true)
    card = read_card(make_model(tmp_path, SETTINGS, lambda *_: None))
    assert card.finding_heads == {}
    assert card.doubtful_below == {}
