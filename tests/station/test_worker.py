"""The worker's process, the codes in pictures, and the command, with the real pipeline."""

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
import zxingcpp

import elinspect
from elinspect.errors import SettingsFileError
from elinspect.imaging import read_image
from elinspect.records import ElImage, Exposures, Purpose
from elinspect.station.panel_work import Came, code_in_picture
from elinspect.station.running import Naming, for_rehearsal, replay
from elinspect.station.station_file import StationFile, read_station_file
from elinspect.station.worker import Worker
from elinspect.store import open_log

SAMPLE = Path(elinspect.__file__).parents[1] / "synthetic_images" / "mono_6x10_8bit.png"


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A station file with its folder and recipe."""
    (tmp_path / "in").mkdir()
    recipe = resources.files("elinspect.synthetic.products").joinpath("mono_6x10.toml")
    (tmp_path / "recipe.toml").write_text(recipe.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "station.toml").write_text(
        'name = "EL 1"\nfolder = "in"\nrecipe = "recipe.toml"\nlog = "log.sqlite"\nsettle_s = 0.2\n'
    )
    return tmp_path


def _serials(place: Path) -> list[str | None]:
    from sqlalchemy import select

    from elinspect.store.schema import inspections

    with open_log(place / "log.sqlite") as log, log.reading() as connection:
        return sorted(connection.execute(select(inspections.c.serial)).scalars())


def _killer(worker: Worker, times: int) -> threading.Thread:
    """Kill the worker's process as soon as there is one, so many times."""

    def kill() -> None:
        killed: set[int] = set()
        deadline = time.monotonic() + 60
        while len(killed) < times and time.monotonic() < deadline:
            for number in set(worker.process_ids) - killed:
                os.kill(number, signal.SIGKILL)
                killed.add(number)
            time.sleep(0.01)

    thread = threading.Thread(target=kill)
    thread.start()
    return thread


def test_a_worker_that_is_killed_is_replaced_and_a_picture_that_kills_is_refused(place: Path) -> None:
    shutil.copy(SAMPLE, place / "in" / "001.png")
    settings = read_station_file(place / "station.toml")
    assert settings.log is not None
    worker = Worker(settings, settings.log)
    try:
        killer = _killer(worker, 2)
        refused = worker.inspect(settings.folder, ("001.png",))
        killer.join()
        assert refused.came is Came.REFUSED
        assert "broke off twice" in refused.reason.text  # type: ignore[union-attr]
        killer = _killer(worker, 1)
        inspected = worker.inspect(settings.folder, ("001.png",))
        killer.join()
        assert (inspected.came, inspected.serial) == (Came.INSPECTED, "001")
    finally:
        worker.close()
    assert _serials(place) == ["001"]


def test_the_command_inspects_what_is_there_and_a_restart_does_nothing_twice(place: Path) -> None:
    shutil.copy(SAMPLE, place / "in" / "000123.png")
    (place / "in" / "000124.png").write_bytes(b"")
    environment = {**os.environ, "XDG_STATE_HOME": str(place / "state")}
    command = [sys.executable, "-m", "elinspect.cli", "station", "run", str(place / "station.toml"), "--once"]
    first, second = (
        subprocess.run(command, capture_output=True, text=True, env=environment, check=False) for _ in range(2)
    )
    assert "000123.png: panel 000123, proposed:" in first.stdout
    assert "000124.png: not inspected." in first.stderr
    assert (first.returncode, second.returncode) == (0, 0)
    assert "000123" not in second.stdout
    assert _serials(place) == ["000123"]


def test_a_recorded_folder_is_played_back_in_its_order_and_pace_as_rehearsal(place: Path) -> None:
    for number, written in ((1, 1000.0), (2, 1004.0), (3, 1002.0)):
        path = place / "in" / f"{number}.png"
        path.write_bytes(b"")
        os.utime(path, (written, written))
    settings = for_rehearsal(read_station_file(place / "station.toml"))
    assert settings.purpose is Purpose.REHEARSAL
    asked: list[tuple[str, float]] = []

    class Notes:
        def inspect(self, _folder: Path, names: tuple[str, ...]):
            from elinspect.station.panel_work import Outcome

            asked.append((names[0], time.monotonic()))
            return Outcome(Came.REFUSED)

    replay(settings, place / "in", Notes(), 20.0, threading.Event(), lambda _step: None)  # type: ignore[arg-type]
    assert [name for name, _ in asked] == ["1.png", "3.png", "2.png"]
    assert asked[-1][1] - asked[0][1] >= 0.19  # 4 s, twenty times as fast


def _exposures(grey: np.ndarray) -> Exposures:
    counts = grey.astype(np.float32) * 3 + 200
    return Exposures((ElImage(Path("x.png"), "0" * 64, counts, 12, 4095.0),))


def _with_code(text: str, format_: zxingcpp.BarcodeFormat) -> np.ndarray:
    drawn = np.array(zxingcpp.create_barcode(text, format_).to_image(scale=4))
    grey = np.full((600, 900), 40, np.uint8)
    rows, columns = drawn.shape
    # A label lit only by its surroundings: dim and of little contrast.
    grey[20 : 20 + rows, 30 : 30 + columns] = 60 + drawn // 8
    return grey


@pytest.mark.parametrize("format_", [zxingcpp.BarcodeFormat.QRCode, zxingcpp.BarcodeFormat.Code128])
def test_a_code_in_the_picture_gives_the_serial(format_: zxingcpp.BarcodeFormat) -> None:
    assert code_in_picture(_exposures(_with_code("000103647768", format_))) == "000103647768"


def test_no_code_or_two_different_ones_give_none() -> None:
    one = _with_code("000103647768", zxingcpp.BarcodeFormat.QRCode)
    two = np.vstack([one, _with_code("000103647769", zxingcpp.BarcodeFormat.QRCode)])
    assert code_in_picture(_exposures(two)) is None
    assert code_in_picture(_exposures(np.full((300, 400), 90, np.uint8))) is None
    assert code_in_picture(Exposures((read_image(SAMPLE),))) is None


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('folder = "nowhere"', "which is not there"),
        ('shifts = ["6 o\'clock"]', "is no time of day"),
        ('serial = {pattern = "("}', "is no regular expression"),
        ("settle = 3", "settle"),
    ],
)
def test_a_wrong_station_file_is_refused_by_file_and_key(place: Path, line: str, said: str) -> None:
    path = place / "station.toml"
    kept = [text for text in path.read_text().splitlines() if not text.startswith(line.split(" ")[0] + " ")]
    path.write_text("\n".join([*kept, line]) + "\n")
    with pytest.raises(SettingsFileError, match=said):
        read_station_file(path)


def test_without_a_capture_file_every_picture_is_a_panel() -> None:
    from elinspect.imaging.capture import CameraSet

    naming = Naming(CameraSet())
    assert [naming.key_of(name) for name in ("a.png", "a.json", ".b.png")] == ["a.png", None, None]
    assert naming.complete("a.png", ["a.png"])


def test_station_settings_have_sane_defaults(tmp_path: Path) -> None:
    settings = StationFile("EL 1", tmp_path, tmp_path / "r.toml")
    assert settings.purpose is Purpose.PRODUCTION
    assert settings.settle_s > 0
