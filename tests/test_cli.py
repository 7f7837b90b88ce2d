"""The command line as a person runs it: exit codes, files, words."""

import json
import sqlite3
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from real_panels import MONO_36, MULTI_60, write_real
from typer.testing import CliRunner, Result

from elinspect.cli import app
from elinspect.vision import cv2

RECIPE = """
schema = "elinspect.recipe/1"
name = "Meadow 36"
version = "1"
layout = "4x9"
[cell]
along_mm = 156
across_mm = 156
"""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def _said(result: Result) -> str:
    return " ".join(result.output.split())


def test_loading_the_commands_is_light() -> None:
    heavy = ["PySide6", "onnxruntime", "matplotlib", "pandas", "sqlalchemy", "scipy", "skimage", "cv2"]
    code = f"import sys, elinspect, elinspect.cli; print([name for name in {heavy} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    "command",
    [
        "inspect",
        "review",
        "simulate",
        "pareto",
        "demo",
        "context import",
        "maintenance import",
        "flash import",
        "camera calibrate",
    ]
    + [f"log {name}" for name in ("verify", "rebuild", "backup", "restore")],
)
def test_every_command_explains_itself(command: str) -> None:
    done = run(*command.split(), "--help")
    assert done.exit_code == 0
    assert "Usage" in done.output


def test_a_panel_goes_from_file_to_result_file_picture_and_log(tmp_path: Path) -> None:
    image = write_real(tmp_path, MONO_36)
    (tmp_path / "recipe.toml").write_text(RECIPE)
    options = ["--recipe", tmp_path / "recipe.toml", "--serial", "000123", "--purpose", "production"]
    outputs = ["--json", tmp_path / "json", "--annotate", tmp_path / "pictures", "--log", tmp_path / "log.sqlite"]
    done = run("inspect", image, *options, *outputs)
    assert done.exit_code == 0, done.output
    data = json.loads((tmp_path / "json" / "panel.json").read_text())
    assert (data["serial"], data["purpose"], data["panel"]["layout"], len(data["cells"])) == (
        "000123",
        "production",
        "4x9",
        36,
    )
    assert data["quality"]["mm_per_px"] == pytest.approx(156 / 290, rel=0.1)
    (picture,) = (tmp_path / "pictures").iterdir()
    assert picture.name.endswith(".annotated.png")
    shown = run("pareto", "--log", tmp_path / "log.sqlite", "--count", "proposed", "--csv", tmp_path / "pareto.csv")
    assert shown.exit_code == 0, shown.output
    assert "36 cells inspected" in _said(shown)
    rows = (tmp_path / "pareto.csv").read_text().splitlines()
    assert len(rows) >= 2
    empty = run("pareto", "--log", tmp_path / "log.sqlite", "--purpose", "demo")
    assert "Nothing was counted." in empty.output


def _broken_files(folder: Path) -> list[Path]:
    """The list of the design: each must give words, hold, and exit code 1 or 0, never 'all good'."""
    good = write_real(folder, MULTI_60, "good.png")
    (folder / "text.png").write_text("not a picture at all")
    whole = cv2.imencode(".tif", cv2.imread(str(good), cv2.IMREAD_UNCHANGED))[1].tobytes()
    (folder / "cut.tif").write_bytes(whole[: len(whole) // 2])
    jpeg = cv2.imencode(".jpg", cv2.imread(str(good), cv2.IMREAD_GRAYSCALE))[1].tobytes()
    (folder / "cut.jpg").write_bytes(jpeg[: int(len(jpeg) * 0.6)])
    header = bytearray(cv2.imencode(".png", np.zeros((4, 4), np.uint8))[1].tobytes())
    header[16:24] = (40_000).to_bytes(4, "big") * 2
    import zlib

    header[29:33] = zlib.crc32(bytes(header[12:29])).to_bytes(4, "big")
    (folder / "huge.png").write_bytes(bytes(header))
    return [folder / name for name in ("text.png", "cut.tif", "cut.jpg", "huge.png")]


def test_files_that_cannot_be_read_are_held_in_words_and_stop_nothing(tmp_path: Path) -> None:
    broken = _broken_files(tmp_path)
    good = tmp_path / "good.png"
    done = run("inspect", *broken, tmp_path / "gone.png", good, "--layout", "6x10", "--json", tmp_path / "json")
    assert done.exit_code == 1
    for path in (*broken, tmp_path / "gone.png"):
        data = json.loads((tmp_path / "json" / f"{path.stem}.json").read_text()) if path.stem != "cut" else None
        if data is not None:
            assert data["proposal"]["disposition"] == "hold"
            assert path.name in data["proposal"]["reasons"][0]["text"]
            assert not data["quality"]["usable"]
            assert data["cells"] == []
        assert path.name in _said(done).replace(" ", "") or path.name in done.output
    held = [json.loads(path.read_text()) for path in (tmp_path / "json").glob("cut*.json")]
    assert [item["proposal"]["disposition"] for item in held] == ["hold", "hold"]
    assert len(json.loads((tmp_path / "json" / "good.json").read_text())["cells"]) == 60
    assert "5 files failed" in done.output


def test_two_images_with_one_stem_keep_both_results(tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    first, second = write_real(tmp_path, MONO_36), write_real(tmp_path / "other", MULTI_60)
    for path, layout in ((first, "4x9"), (second, "6x10"), (first, "4x9")):
        assert run("inspect", path, "--layout", layout, "--json", tmp_path / "json").exit_code == 0
    written = {path.name: json.loads(path.read_text()) for path in (tmp_path / "json").iterdir()}
    assert {name: data["panel"]["layout"] for name, data in written.items()} == {
        "panel.json": "4x9",
        "panel-2.json": "6x10",
    }


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "--recipe or --layout"),
        (["--layout", "6x10", "--recipe", "a.toml"], "--recipe or --layout"),
        (["--layout", "six"], "not a layout"),
        (["--layout", "6x10", "--purpose", "fun"], "fun"),
        (["--layout", "6x10", "--serial", "1", "b.png"], "one serial belongs to one image"),
    ],
)
def test_wrong_options_end_with_2(options: list[str], words: str) -> None:
    done = run("inspect", "a.png", *options)
    assert done.exit_code == 2
    assert words in _said(done).replace("│ ", "").replace(" │", "")


@pytest.mark.parametrize("option", ["--recipe", "--criteria"])
def test_a_settings_file_that_is_named_but_missing_stops_everything(tmp_path: Path, option: str) -> None:
    rest = [] if option == "--recipe" else ["--layout", "6x10"]
    done = run("inspect", tmp_path / "a.png", option, tmp_path / "gone.toml", *rest, "--json", tmp_path / "json")
    assert done.exit_code == 1
    assert "gone.toml does not exist" in _said(done)
    assert not (tmp_path / "json").exists()


def test_context_rows_that_are_wrong_are_named(tmp_path: Path) -> None:
    rows = ["panel_serial,string,stringer,lane,turned", "0001,1,North,1,false", "0001,one,North,1,false"]
    (tmp_path / "context.csv").write_text("\n".join(rows) + "\n")
    done = run("context", "import", tmp_path / "context.csv", "--log", tmp_path / "log.sqlite")
    assert done.exit_code == 1
    assert "1 rows added" in done.output
    assert "3" in _said(done)
    again = run("context", "import", tmp_path / "context.csv", "--log", tmp_path / "log.sqlite")
    assert "0 rows added" in again.output


def test_a_log_is_backed_up_restored_rebuilt_and_verified(tmp_path: Path) -> None:
    log, copy, back = tmp_path / "log.sqlite", tmp_path / "copy.sqlite", tmp_path / "back.sqlite"
    (tmp_path / "context.csv").write_text("panel_serial,string,stringer,lane,turned\n0001,1,North,1,false\n")
    assert run("context", "import", tmp_path / "context.csv", "--log", log).exit_code == 0
    assert run("log", "backup", copy, "--log", log).exit_code == 0
    assert run("log", "restore", copy, "--log", back).exit_code == 0
    assert run("log", "rebuild", "--log", back).exit_code == 0
    verified = run("log", "verify", "--log", back, "--anchor", f"{copy}.anchor.json")
    assert verified.exit_code == 0, verified.output
    assert "Every record holds." in verified.output


def test_a_record_that_was_edited_is_named(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    (tmp_path / "context.csv").write_text("panel_serial,string,stringer,lane,turned\n0001,1,North,1,false\n")
    run("context", "import", tmp_path / "context.csv", "--log", log)
    with sqlite3.connect(log) as connection:
        connection.execute("DROP TRIGGER IF EXISTS events_are_final")
        changed = connection.execute(
            "UPDATE events SET body = CAST(replace(CAST(body AS TEXT), 'North', 'South') AS BLOB)"
        )
        assert changed.rowcount
    connection.close()
    done = run("log", "verify", "--log", log)
    assert done.exit_code == 1
    assert "Every record holds." not in done.output


def test_the_same_name_for_another_recipe_is_refused(tmp_path: Path) -> None:
    image, log = write_real(tmp_path, MONO_36), tmp_path / "log.sqlite"
    (tmp_path / "recipe.toml").write_text(RECIPE)
    (tmp_path / "other.toml").write_text(RECIPE.replace("156", "158.75"))
    assert run("inspect", image, "--recipe", tmp_path / "recipe.toml", "--log", log).exit_code == 0
    done = run("inspect", image, "--recipe", tmp_path / "other.toml", "--log", log)
    assert done.exit_code == 1
    assert "Meadow 36 1" in _said(done)
