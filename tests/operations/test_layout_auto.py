"""`--layout auto`: what the picture tells stands in the notes; charts of gaps where a recipe gives sizes."""

import json
from pathlib import Path

import numpy as np
import pytest
from drawn_panels import HALF_CUT, Plan, Shot, draw, photographed
from typer.testing import CliRunner

from elinspect.cli import app
from elinspect.records import Layout
from elinspect.vision import cv2

RECIPE = """name = "drawn"
version = "1"
layout = "2x3x5"
[cell]
along_mm = 91
across_mm = 182
busbars = 10
[spacing]
cell_gap_mm = 2
string_gap_mm = 2
block_gap_mm = 20
"""


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rng = np.random.default_rng(4)
    image, _ = photographed(draw(Plan(Layout.parse("2x3x5"), **HALF_CUT), 1.6, rng), Shot(turn_deg=2), rng)
    path = tmp_path_factory.mktemp("auto") / "half.png"
    cv2.imwrite(str(path), image.counts.astype(np.uint16))
    return path


def _inspected(*arguments: str) -> str:
    answer = CliRunner().invoke(app, ["inspect", *arguments])
    assert answer.exit_code == 0, answer.output
    return answer.output


def test_layout_cut_and_busbars_are_told_from_the_picture(picture: Path, tmp_path: Path) -> None:
    _inspected(str(picture), "--layout", "auto", "--json", str(tmp_path), "--log", str(tmp_path / "log.sqlite"))
    result = json.loads((tmp_path / "half.json").read_text())
    assert result["panel"]["found"]
    assert result["panel"]["layout"] == "2x3x5"
    note = result["quality"]["notes"][0]
    assert note["code"] == "quality.layout_seen.cut_2"
    assert note["values"]["busbars"] == 10
    assert note["values"]["percent"] > 80
    assert result["measures"] is None
    assert result["quality"]["mm_per_px"] is None


def test_a_picture_that_tells_no_layout_is_held(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).normal(300, 60, (500, 700)).clip(0, 4095).astype(np.uint16)
    cv2.imwrite(str(tmp_path / "noise.png"), noise)
    _inspected(str(tmp_path / "noise.png"), "--layout", "auto", "--json", str(tmp_path))
    result = json.loads((tmp_path / "noise.json").read_text())
    assert not result["panel"]["found"]
    assert result["proposal"]["disposition"] == "hold"
    assert result["panel"]["reason"]["text"]


def test_a_recipe_of_another_layout_is_reported_not_obeyed(picture: Path, tmp_path: Path) -> None:
    (tmp_path / "recipe.toml").write_text(RECIPE.replace("2x3x5", "2x3x6"))
    _inspected(str(picture), "--recipe", str(tmp_path / "recipe.toml"), "--json", str(tmp_path))
    result = json.loads((tmp_path / "half.json").read_text())
    assert not result["panel"]["found"]
    assert result["panel"]["reason"]["values"] == {"layout": "2x3x6", "seen": "2x3x5"}
    assert result["proposal"]["disposition"] == "hold"


def test_a_recipe_of_other_busbars_is_reported(picture: Path, tmp_path: Path) -> None:
    (tmp_path / "recipe.toml").write_text(RECIPE.replace("busbars = 10", "busbars = 6"))
    _inspected(str(picture), "--recipe", str(tmp_path / "recipe.toml"), "--json", str(tmp_path))
    result = json.loads((tmp_path / "half.json").read_text())
    notes = {note["code"]: note["values"] for note in result["quality"]["notes"]}
    assert notes["quality.other_busbars"] == {"given": 6, "seen": 10}


def test_charts_of_gaps_are_written_where_asked(picture: Path, tmp_path: Path) -> None:
    (tmp_path / "recipe.toml").write_text(RECIPE)
    _inspected(str(picture), "--recipe", str(tmp_path / "recipe.toml"), "--gaps", str(tmp_path / "charts"))
    assert [path.suffixes[-2:] for path in (tmp_path / "charts").iterdir()] == [[".gaps", ".png"]]
    refused = CliRunner().invoke(app, ["inspect", str(picture), "--layout", "2x3x5", "--gaps", str(tmp_path)])
    assert refused.exit_code == 2
