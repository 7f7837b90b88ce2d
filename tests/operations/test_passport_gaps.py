"""The passport of a module shows the gaps between its cells where a picture told them."""

from pathlib import Path

import numpy as np
import pytest

from elinspect.imaging import single_exposure
from elinspect.operations.log_inspection import log_inspection
from elinspect.operations.passports import module_passport
from elinspect.pipeline import Occasion, inspect_panel
from elinspect.recipe import Product, default_criteria
from elinspect.reports.paper import Drawing, Heading
from elinspect.store import open_log
from elinspect.synthetic import CameraSettings, product_recipe, simulate_panel, write_panel


@pytest.mark.parametrize("scale_known", [True, False])
def test_a_passport_shows_the_gaps_where_they_were_measured(tmp_path: Path, scale_known: bool) -> None:
    recipe = product_recipe("mono_6x10")
    panel = simulate_panel(recipe, np.random.default_rng(4), [], CameraSettings(px_per_mm=0.9))
    exposures = single_exposure(write_panel(tmp_path, "000777", panel))
    product = Product(recipe, scale_known=scale_known)
    with open_log(tmp_path / "log.sqlite") as log:
        log_inspection(
            log, inspect_panel(exposures, product, default_criteria(), Occasion(serial="000777")), "station 1"
        )
        parts = module_passport(log, "000777").paper.parts
    headings = [part.text for part in parts if isinstance(part, Heading)]
    assert ("Gaps between cells, latest picture" in headings) == scale_known
    assert isinstance(parts[-1], Drawing) == scale_known
