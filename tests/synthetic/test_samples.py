"""The committed sample set is what the simulator makes today."""

import json
from pathlib import Path

import numpy as np
import pytest

from elinspect.imaging import read_image
from elinspect.records import CrackMode, Kind
from elinspect.synthetic.samples import SAMPLES, Sample, simulate_sample

FOLDER = Path(__file__).parents[2] / "synthetic_images"


CHEAP = [sample for sample in SAMPLES if sample.stem in ("multi_string_1x12", "mono_156_low_current_4x9")]
"""Made again here; `write_samples` makes all of them (5 min where all cores are busy, 40 s of one core)."""


@pytest.mark.parametrize("sample", CHEAP, ids=lambda sample: sample.stem)
def test_the_sample_is_up_to_date(sample: Sample) -> None:
    panel = simulate_sample(sample)
    image = read_image(FOLDER / f"{sample.stem}.png")
    assert image.bit_depth == sample.bit_depth
    # Other processors may round the last digit otherwise.
    assert np.abs(image.counts - panel.picture.astype(float)).mean() < 1e-3 * 2**sample.bit_depth
    truth = json.loads((FOLDER / f"{sample.stem}.truth.json").read_text(encoding="utf-8"))
    np.testing.assert_allclose([cell["corners_px"] for cell in truth["cells"]], panel.corners_px, atol=1e-2)
    written = [(d["kind"], d["string"], d["position"], d["mode"]) for d in truth["defects"]]
    assert written == [(d.kind, d.string, d.position, d.mode) for d in panel.defects]


def test_the_samples_show_every_kind_and_mode() -> None:
    truths = [json.loads(path.read_text(encoding="utf-8")) for path in FOLDER.glob("*.truth.json")]
    defects = [defect for truth in truths for defect in truth["defects"]]
    assert {d["mode"] for d in defects if d["mode"]} == {mode.value for mode in CrackMode}
    assert {Kind.CRACK, Kind.INACTIVE_AREA, Kind.DARK_CELL, Kind.FINGER_INTERRUPTION} <= {d["kind"] for d in defects}
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) < 25e6


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda sample: sample.stem)
def test_picture_and_truth_of_every_sample_belong_together(sample: Sample) -> None:
    truth = json.loads((FOLDER / f"{sample.stem}.truth.json").read_text(encoding="utf-8"))
    image = read_image(FOLDER / truth["image"]["file"])
    assert (image.width_px, image.height_px) == (truth["image"]["width_px"], truth["image"]["height_px"])
    assert image.bit_depth == sample.bit_depth
    assert truth["layout"] == str(sample.recipe.layout)
    assert len(truth["cells"]) == sample.recipe.layout.n_cells
    # Cells shine where the truth says, the ground beside them does not.
    middles = np.array([np.mean(cell["corners_px"], axis=0) for cell in truth["cells"]]).round().astype(int)
    bright = np.median(image.counts[middles[:, 1], middles[:, 0]])
    assert bright > 5 * np.median(image.counts[:3, :3]) or sample.recipe.layout.n_strings == 1
    others = [one["file"] for one in [truth["low_current"], *truth["tiles"]] if one]
    assert (
        len(others) == (sample.low_current is not None) + (sample.tiles != (1, 1)) * sample.tiles[0] * sample.tiles[1]
    )
    assert all((FOLDER / name).exists() for name in others)


def test_the_set_spans_formats_technologies_and_depths() -> None:
    cells = [sample.recipe.cell for sample in SAMPLES]
    assert len(SAMPLES) >= 12
    assert len({cell.across_mm for cell in cells}) >= 6
    assert {round(cell.across_mm / cell.along_mm) for cell in cells} == {1, 2, 3}
    assert len({cell.technology for cell in cells}) == 3
    assert {sample.bit_depth for sample in SAMPLES} == {8, 12, 16}
