"""A camera's folder and a station that watches it, in this process and with a clock that moves when told."""

from dataclasses import replace
from pathlib import Path

import pytest
from painted_panel import painted_panel
from sqlalchemy import select

from elinspect.catalogue import Message
from elinspect.criteria import default_criteria
from elinspect.imaging.capture import CameraSet
from elinspect.operations.alert_watch import AlertWatch
from elinspect.operations.desk import ReviewDesk
from elinspect.records import Exposures, NoModel, PanelResult
from elinspect.review.gate import Role
from elinspect.station import panel_work
from elinspect.station.journal import Journal
from elinspect.station.panel_work import Bench, Outcome, work_on
from elinspect.station.running import Station, Step
from elinspect.station.station_file import StationFile
from elinspect.store import open_log
from elinspect.store.schema import inspections


class HereWorker:
    """Inspects in this process; the pipeline itself is not what is tested."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.asked: list[str] = []

    def inspect(self, folder: Path, names: tuple[str, ...]) -> Outcome:
        self.asked.append(names[0])
        return work_on(self.bench, folder, names)


class Camera:
    """A camera's folder, a station that watches it, and a clock that only moves when told."""

    def __init__(self, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.place = place
        self.folder = place / "in"
        self.folder.mkdir()
        self._picture = place / "painted.png"
        self._result = painted_panel(self._picture, [])
        self.now = 0.0
        self.during: list[object] = []
        self.settings = StationFile("EL 1", self.folder, place / "unused.toml")
        self.log = open_log(place / "log.sqlite")
        monkeypatch.setattr(panel_work, "inspect_panel", self._pipeline)
        no_model = NoModel(Message("model.switched_off"))
        watch = AlertWatch(self.log)
        bench = Bench(self.settings, None, default_criteria(), CameraSet(), no_model, self.log, (), watch)  # type: ignore[arg-type]
        self.worker = HereWorker(bench)
        self.start()

    def _pipeline(self, exposures: Exposures, _product, _criteria, occasion, **_cameras) -> PanelResult:
        for act in self.during:
            act()  # type: ignore[operator]
        image = exposures.full_current[0]
        facts = replace(self._result.image, path=str(image.path), sha256=image.sha256)
        known = replace(self._result, serial=occasion.serial, purpose=occasion.purpose, attempt=occasion.attempt)
        return replace(known, image=facts)

    def use(self, **changes: object) -> None:
        """Work under other settings from now on."""
        self.settings = replace(self.settings, **changes)
        self.worker.bench = replace(self.worker.bench, station=self.settings)
        self.start()

    def start(self) -> None:
        """Start the program anew."""
        journal = Journal(self.place / "journal")
        self.station = Station(self.settings, self.log, self.worker, journal, lambda: self.now)  # type: ignore[arg-type]

    def takes(self, name: str, seed: int = 1) -> Path:
        """Take a picture: each seed gives another one."""
        path = self.folder / name
        painted_panel(path, [], seed=seed)
        return path

    def look(self, times: int = 2) -> list[Step]:
        """Look a few times, a second and a bit apart."""
        steps = []
        for _ in range(times):
            steps += list(self.station.look())
            self.now += 1.1
        return steps

    def logged(self) -> list[str | None]:
        with self.log.reading() as connection:
            return list(connection.execute(select(inspections.c.serial).order_by(inspections.c.event_id)).scalars())

    def unread(self) -> dict[str, str]:
        desk = ReviewDesk(self.log, "desk", "Ada", Role.INSPECTOR, default_criteria())
        return {unread.file: unread.reason.text for unread in desk.unread()}
