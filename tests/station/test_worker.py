"""The worker's process, the codes in pictures, and the command, with the real pipeline."""

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
import zxingcpp

import elinspect
from elinspect.errors import ElinspectError, SettingsFileError
from elinspect.imaging import read_image
from elinspect.imaging.capture import PanelFiles
from elinspect.records import ElImage, Exposures, Purpose
from elinspect.station.panel_work import Came, codes_in_pictures, serials_read
from elinspect.station.running import Naming, for_rehearsal, replay
from elinspect.station.serials import agreed_serial
from elinspect.station.station_file import SerialRule, SerialSource, StationFile, read_station_file, shared_log
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


def test_a_worker_that_hangs_is_given_up_in_words(place: Path) -> None:
    os.mkfifo(place / "in" / "001.png")  # nobody writes to it: whoever opens it waits for ever
    settings = read_station_file(place / "station.toml")
    assert settings.log is not None
    worker = Worker(settings, settings.log, patience_s=0.5)
    refused = worker.inspect(settings.folder, ("001.png",))
    assert refused.came is Came.REFUSED
    assert "did not come to an end within" in refused.reason.text  # type: ignore[union-attr]
    assert worker.process_ids == ()


def test_ctrl_c_in_the_middle_of_a_panel_finishes_it_first(place: Path) -> None:
    """A terminal sends the signal to the whole group, the worker included."""
    shutil.copy(SAMPLE, place / "in" / "000123.png")
    environment = {**os.environ, "XDG_STATE_HOME": str(place / "state")}
    command = [sys.executable, "-m", "elinspect.cli", "station", "run", str(place / "station.toml")]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    station = subprocess.Popen(command, env=environment, start_new_session=True, **pipes)  # type: ignore[call-overload]
    try:
        _until(lambda: _has_a_worker(station.pid))
        os.killpg(station.pid, signal.SIGINT)
        said, wrong = station.communicate(timeout=120)
    finally:
        station.kill()
    assert (station.returncode, wrong) == (0, "")
    assert "000123.png: panel 000123, proposed:" in said
    assert _serials(place) == ["000123"]


def _has_a_worker(station: int) -> bool:
    children = Path(f"/proc/{station}/task/{station}/children").read_text().split()
    return any(b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes() for child in children)


def _until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 60
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.01)


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

    (place / "empty").mkdir()
    with open_log(place / "log.sqlite") as log:

        def play(folder: Path) -> int:
            return replay(settings, folder, log, Notes(), 20.0, threading.Event(), lambda _step: None)  # type: ignore[arg-type]

        assert play(place / "in") == 0
        with pytest.raises(ElinspectError, match="There is no picture to play back"):
            play(place / "empty")
        with pytest.raises(ElinspectError, match="cannot be looked into"):
            play(place / "gone")
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
    assert codes_in_pictures(_exposures(_with_code("000103647768", format_)), ".+") == ("000103647768",)


def test_a_small_code_in_a_large_picture_is_read_at_full_resolution() -> None:
    """Modules of 3 px: two of them fall into one pixel of the coarse picture."""
    drawn = np.array(zxingcpp.create_barcode("000103647768", zxingcpp.BarcodeFormat.DataMatrix).to_image(scale=3))
    grey = np.full((1400, 3600), 40, np.uint8)
    grey[400:] = 200  # the panel
    grey[100 : 100 + drawn.shape[0], 100 : 100 + drawn.shape[1]] = 60 + drawn // 8
    assert codes_in_pictures(_exposures(grey), ".+") == ("000103647768",)


def test_no_code_gives_no_serial() -> None:
    assert codes_in_pictures(_exposures(np.full((300, 400), 90, np.uint8)), ".+") == ()
    assert codes_in_pictures(Exposures((read_image(SAMPLE),)), ".+") == ()


@pytest.mark.parametrize(
    ("texts", "pattern", "serial"),
    [
        (["000103647768"], r"\d{12}", "000103647768"),
        (["000103647768", "FIXTURE 7"], r"\d{12}", "000103647768"),
        (["000103647768", "000103647769"], r"\d{12}", None),
        (["000103647769"], r"\d{12}", None),
    ],
    ids=["the same", "another label beside it", "that of a neighbour beside it", "another panel's"],
)
def test_codes_in_the_picture_are_checked_against_the_file_name(
    tmp_path: Path, texts: list[str], pattern: str, serial: str | None
) -> None:
    """Two codes that can both be serials are a doubt, whatever the file is called."""
    drawn = np.vstack([_with_code(text, zxingcpp.BarcodeFormat.QRCode) for text in texts])
    sources = (SerialSource.FILE_NAME, SerialSource.PICTURE)
    rule = SerialRule(sources=sources, pattern=pattern)
    settings = StationFile("EL 1", tmp_path, tmp_path / "r.toml", serial=rule)
    files = PanelFiles((tmp_path / "000103647768.png",))
    assert agreed_serial(serials_read(files, _exposures(drawn), settings), rule).serial == serial


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


def test_one_seat_serves_stations_that_share_a_log(tmp_path: Path) -> None:
    one = StationFile("EL 1", tmp_path, tmp_path / "r.toml", log="postgresql://gate/log")
    two = replace(one, name="EL 2")
    assert shared_log([one, two, replace(two, log=None)]) == "postgresql://gate/log"
    assert shared_log([]) is None
    with pytest.raises(SettingsFileError, match="EL 2: other"):
        shared_log([one, replace(two, log="other.sqlite")])


def test_without_a_capture_file_every_picture_is_a_panel() -> None:
    from elinspect.imaging.capture import CameraSet

    naming = Naming(CameraSet())
    assert [naming.key_of(name) for name in ("a.png", "a.json", ".b.png")] == ["a.png", None, None]
    assert naming.complete("a.png", ["a.png"])


def test_station_settings_have_sane_defaults(tmp_path: Path) -> None:
    settings = StationFile("EL 1", tmp_path, tmp_path / "r.toml")
    assert settings.purpose is Purpose.PRODUCTION
    assert settings.settle_s > 0
