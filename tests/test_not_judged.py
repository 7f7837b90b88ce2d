"""What a result says of kinds and cells that were not judged: in its notes, and beside its proposal."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drawn_quality import image_of

from elinspect.imaging import read_image
from elinspect.pipeline import inspect_panel
from elinspect.recipe import AcceptanceCriteria, Judgement, KindCriteria, QualityLimits, assumed_product
from elinspect.records import Disposition, Exposures, Kind, Layout, PanelResult, Unjudged
from elinspect.vision import cv2

PICTURE = Path(__file__).parents[1] / "synthetic_images" / "faults_of_all_kinds_4x9.png"
SHOWN = KindCriteria(Judgement.SHOWN)
CRITERIA = AcceptanceCriteria(
    "nothing is judged",
    "1",
    kinds=dict.fromkeys(Kind, SHOWN) | {Kind.CRACK: KindCriteria(Judgement.NOT_JUDGEABLE)},
    quality=QualityLimits(max_unjudged_cells=1),
)


def _with_a_soft_cell() -> Exposures:
    light = np.asarray(50 * read_image(PICTURE).counts, np.float32)
    # Cell A-3 lies at about (340, 47) to (500, 204) of the picture.
    part = np.s_[38:212, 332:508]
    light[part] = cv2.GaussianBlur(light, (0, 0), 3.5)[part]
    # At 1.4 mm per pixel this panel's busbars are not seen any more.
    return Exposures((image_of(cv2.resize(light, None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA)),))


@pytest.fixture(scope="module")
def result() -> PanelResult:
    return inspect_panel(_with_a_soft_cell(), assumed_product(Layout.parse("4x9")), CRITERIA)


def test_shown_kinds_are_flagged_and_reach_no_limit_and_others_make_no_flag(result: PanelResult) -> None:
    kinds = {flag.kind for flag in result.flags}
    assert {Kind.DARK_CELL, Kind.FINGER_INTERRUPTION} <= kinds
    assert Kind.CRACK not in kinds
    assert all(flag.limit is None for flag in result.flags)


def test_a_panel_that_may_be_accepted_says_what_was_not_judged(result: PanelResult) -> None:
    assert result.proposal.disposition is Disposition.ACCEPT
    said = {reason.code: reason.values for reason in result.proposal.reasons}
    assert said["quality.kinds_not_judgeable"] == {"kinds": "crack"}
    assert {"solder_fault", "bussing_joint_fault"} <= set(str(said["quality.kinds_not_seen"]["kinds"]).split(","))
    assert said["quality.unjudged.soft"] == {"cells": "1-3"}
    assert [cell.address.position for cell in result.cells if cell.unjudged is Unjudged.SOFT] == [3]
    assert {"quality.kinds_not_judgeable", "quality.kinds_not_seen", "quality.unjudged.soft"} <= {
        note.code for note in result.quality.notes
    }


def test_more_cells_than_the_criteria_allow_hold_the_panel() -> None:
    strict = replace(CRITERIA, quality=QualityLimits(max_unjudged_cells=0))
    held = inspect_panel(_with_a_soft_cell(), assumed_product(Layout.parse("4x9")), strict)
    assert held.proposal.disposition is Disposition.HOLD
    assert {"quality.unjudged_cells", "quality.unjudged.soft"} <= {reason.code for reason in held.proposal.reasons}
