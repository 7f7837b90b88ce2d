"""The committed sample set is what the simulator makes today."""

import json
from pathlib import Path

import numpy as np
import pytest

from elinspect.imaging import read_image
from elinspect.records import CrackMode, Kind
from elinspect.synthetic.samples import SAMPLES, Sample, simulate_sample

FOLDER = Path(__file__).parents[2] / "synthetic_images"


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda sample: sample.stem)
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
