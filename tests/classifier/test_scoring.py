"""The shipped model on drawn and real cells: invariances, evidence, and what a wrong file must lead to."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn_cells import as_pictures, clean_cell, with_line

from elinspect.classifier import Model, load_model, score, shipped_model
from elinspect.classifier.contract import KINDS, network_input
from elinspect.classifier.scoring import (
    FINDING_EVIDENCE,
    NetworkOutput,
    cell_evidence,
    finding_evidence,
    pack,
    run_network,
    unpack,
)
from elinspect.detectors import detect_all, prepare
from elinspect.errors import ModelFileError
from elinspect.recipe import assumed_product
from elinspect.records import Detection, Kind, Layout, PanelView
from elinspect.settings import DetectorSettings

LAYOUT = Layout(1, 3, 4)
CRACKED = 5


@pytest.fixture(scope="module")
def model() -> Model:
    return load_model(shipped_model())


def view_of(gain: float = 1.0) -> PanelView:
    cells = [clean_cell(np.random.default_rng(i)) for i in range(LAYOUT.n_cells)]
    cells[CRACKED] = with_line(cells[CRACKED], [(60, 60), (140, 200), (230, 240)], contrast=0.4, width_px=2.5)
    return prepare(as_pictures([gain * cell for cell in cells], LAYOUT), assumed_product(LAYOUT))


@pytest.fixture(scope="module")
def view() -> PanelView:
    return view_of()


def test_the_cracked_cell_scores_highest_and_its_crack_is_held_for_true(model: Model, view: PanelView) -> None:
    scored = score(model, view, detect_all(view, DetectorSettings()))
    others = np.delete(scored.defect_scores, CRACKED)
    assert scored.defect_scores[CRACKED] > 0.9
    assert others.max() < 0.3
    (crack,) = [each for item in scored.detections if item.kind is Kind.CRACK for each in item.findings]
    assert crack.probability is not None
    assert crack.probability > 0.5
    assert crack.evidence is not None
    assert len(unpack(crack.evidence)) > len(FINDING_EVIDENCE)


def test_gain_changes_no_score(model: Model, view: PanelView) -> None:
    bright = view_of(3.7)
    settings = DetectorSettings()
    first = score(model, view, detect_all(view, settings)).defect_scores
    second = score(model, bright, detect_all(bright, settings)).defect_scores
    assert second == pytest.approx(first, abs=0.01)


def test_input_stays_in_its_range_and_scale(view: PanelView) -> None:
    cells = network_input(view)
    # 156 mm at 1 mm per pixel.
    assert cells.shape == (LAYOUT.n_cells, 4, 160, 160)
    assert np.abs(cells).max() <= 1
    # The cell's own luminance, logarithm 0, lies at 0.613 of the channel.
    assert np.median(cells[0, 0]) == pytest.approx(0.613, abs=0.05)
    some = network_input(view, np.array([CRACKED]))
    assert np.array_equal(some[0], cells[CRACKED])


@pytest.mark.parametrize("size", [(91.0, 182.0), (83.0, 166.0), (125.0, 125.0)])
def test_other_formats_go_through(model: Model, size: tuple[float, float]) -> None:
    columns, rows = (round(side / 0.55) for side in size)
    rng = np.random.default_rng(3)
    cells = [rng.normal(1000, 10, (rows, columns)).astype(np.float32) for _ in range(4)]
    layout = Layout(1, 1, 4)
    view = prepare(as_pictures(cells, layout, mm_per_px=0.55), assumed_product(layout))
    output = run_network(model, view)
    assert output.logits.shape == (4, 1 + len(KINDS))
    assert output.maps.shape[2] == round(size[1] / 16) * 4


def test_evidence_of_a_finding_lies_where_the_finding_lies(model: Model, view: PanelView) -> None:
    output = run_network(model, view)
    (crack,) = [
        each for item in detect_all(view, DetectorSettings()) if item.kind is Kind.CRACK for each in item.findings
    ]
    away = replace(crack, outline=np.array([[290.0, 5.0], [280.0, 20.0]]))
    here, there = finding_evidence(output, view, [crack, away])
    most = FINDING_EVIDENCE.index("map_most")
    assert here[most] > there[most] + 1


def test_the_strongest_detector_by_hand() -> None:
    def seen(kind: Kind, *logits: float) -> Detection:
        return Detection(kind, 1 / (1 + np.exp(-np.array(logits, np.float32))), ())

    none = np.zeros((3, 0), np.float32)
    output = NetworkOutput(np.arange(12, dtype=np.float32).reshape(3, 4), none, none)
    evidence = cell_evidence(output, [seen(Kind.CRACK, 0.5, -2.0, 1.0), seen(Kind.INACTIVE_AREA, 1.0, 3.0, -1.0)])
    # Areas count twice less 2: 0 below 0.5, 4 above -2, -4 below 1.
    assert evidence["detector.strongest"] == pytest.approx([0.5, 4, 1], abs=1e-5)
    assert evidence["detector.inactive_area"] == pytest.approx([1, 3, -1], abs=1e-5)
    assert evidence["network.any"].tolist() == [0, 4, 8]
    assert evidence["network.finger_interruption"].tolist() == [3, 7, 11]
    fingers_only = cell_evidence(output, [seen(Kind.FINGER_INTERRUPTION, 0.0, 0.0, 0.0)])
    assert "detector.strongest" not in fingers_only


def test_packing_keeps_half_precision() -> None:
    row = np.array([-3.25, 0.0, 1e-3, 117.5])
    assert unpack(pack(row)) == pytest.approx(row, rel=1e-3, abs=1e-6)
    with pytest.raises(ValueError, match=r"."):
        unpack("~~")


def copied(folder: Path) -> tuple[Path, dict[str, object]]:
    card = shipped_model()
    table = json.loads(card.read_text())
    shutil.copy(card.with_name(table["network"]), folder)
    return folder / "card.json", table


def test_wrong_files_are_refused_in_words(tmp_path: Path) -> None:
    path, table = copied(tmp_path)
    network = tmp_path / str(table["network"])

    def refused(text: str, **changes: object) -> None:
        path.write_text(json.dumps({**table, **changes}))
        with pytest.raises(ModelFileError, match=text):
            load_model(path)

    refused("is not the one its card names", sha256="0" * 64)
    refused("was made for another/1; this program needs", contract="another/1")
    refused("was made for", kinds=["crack"])
    refused("surprise", surprise=1)
    refused("network", network="../net.onnx")
    path.write_text("no json")
    with pytest.raises(ModelFileError, match="is not a model card"):
        load_model(path)
    with pytest.raises(ModelFileError, match="cannot be read"):
        load_model(tmp_path / "missing.json")
    path.write_text(json.dumps(table))
    assert load_model(path).card.name == table["name"]
    content = network.read_bytes()
    network.write_bytes(content[: len(content) // 2])
    with pytest.raises(ModelFileError, match="changed or damaged"):
        load_model(path)
    network.unlink()
    with pytest.raises(ModelFileError, match="cannot be read"):
        load_model(path)


def test_a_network_that_does_not_keep_the_contract_is_refused(tmp_path: Path) -> None:
    import hashlib

    path, table = copied(tmp_path)
    network = tmp_path / str(table["network"])
    network.write_bytes(b"this is no network")
    table["sha256"] = hashlib.sha256(network.read_bytes()).hexdigest()
    path.write_text(json.dumps(table))
    with pytest.raises(ModelFileError, match="cannot be run"):
        load_model(path)


def test_the_label_tells_heads_apart(model: Model) -> None:
    other = replace(model.card, doubtful_below={Kind.CRACK: 0.25})
    assert other.label != model.card.label
    assert replace(model.card, made={}).label == model.card.label
