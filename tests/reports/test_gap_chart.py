"""The chart of gaps: every gap stands on it, and where nothing was measured there is none."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn_panels import Plan, Shot, draw, photographed

from elinspect.criteria import default_criteria
from elinspect.pipeline import Occasion, inspect_panel
from elinspect.recipe import CellFormat, Numbering, Product, ProductRecipe, Spacing
from elinspect.records import AddressScheme, Exposures, Layout, PanelResult
from elinspect.reports.gap_chart import gap_chart, write_gap_chart
from elinspect.vision import cv2


@pytest.fixture(scope="module")
def result() -> PanelResult:
    rng = np.random.default_rng(1)
    plan = Plan(Layout.parse("2x3x5"), 91, 182, gap_mm=2.5, string_gap_mm=3, block_gap_mm=18, levels={7: 0.005})
    image, _ = photographed(draw(plan, 1.1, rng), Shot(), rng)
    recipe = ProductRecipe(
        "drawn", "1", plan.layout, CellFormat(91, 182), spacing=Spacing(2.5, 3, 18),
        addresses=AddressScheme(strings=Numbering.LETTERS, separator=""),
    )  # fmt: skip
    return inspect_panel(Exposures((image,)), Product(recipe), default_criteria(), Occasion("0042"))


def test_every_gap_that_was_seen_is_written_on_it(result: PanelResult) -> None:
    measures = result.measures
    assert measures is not None
    panel = gap_chart(result).axes[0]
    gaps = np.concatenate([measures.gaps_along_mm.ravel(), measures.gaps_across_mm.ravel()])
    seen = gaps[np.isfinite(gaps)]
    # The dark cell hides its own gaps, one on each side.
    assert gaps.size - seen.size == 4
    assert sorted(text.get_text() for text in panel.texts) == sorted(f"{gap:.1f}" for gap in seen)
    assert [label.get_text() for label in panel.get_yticklabels()] == ["A · D", "B · E", "C · F"]
    assert [label.get_text() for label in panel.get_xticklabels()] == list("1234512345")
    assert "0042" in str(panel.figure.get_suptitle())


def test_it_is_written_as_a_picture(result: PanelResult, tmp_path: Path) -> None:
    path = tmp_path / "gaps.png"
    write_gap_chart(path, result)
    picture = cv2.imread(str(path))
    assert picture is not None
    assert picture.shape[1] > 2000
    with pytest.raises(ValueError, match="needs measures"):
        gap_chart(replace(result, measures=None))
