"""A simulated plant in a log, and what the commonality analysis finds in it."""

import json
from pathlib import Path

import openpyxl
import pytest
from filled_log import dump
from log_places import fresh_place

from elinspect.errors import LogError
from elinspect.operations.commonality import commonality
from elinspect.operations.commonality_files import write_commonality
from elinspect.operations.commonality_words import as_messages
from elinspect.operations.figure_files import write_pareto
from elinspect.operations.pareto import pareto
from elinspect.operations.simulating import simulate_into_log
from elinspect.records import Kind, Purpose, Stage
from elinspect.statistics.first_stage import Charged
from elinspect.statistics.lots import Finding
from elinspect.statistics.pareto import CountOf, GroupBy, Measure
from elinspect.statistics.suspects import Level
from elinspect.store import Log, open_log
from elinspect.store.events import EventKind, NewEvent
from elinspect.store.rebuild import rebuild
from elinspect.store.verify import verify
from elinspect.synthetic.plant_records import CauseOf, PlantCause, RecordPlant

CAUSES = (
    PlantCause(CauseOf.LANE, 3.0, 12.0, 3, position=3, along=0.25, across=0.7),
    PlantCause(CauseOf.LAMINATOR, 0.0, 10.0, 1, Kind.CRACK),
)
PLANT = RecordPlant(
    stringers=3, panels_per_day=40, false_flags=0.2, later_seen=0.3, causes=CAUSES, rates={Kind.CRACK: 0.005}
)
DAYS = 6


@pytest.fixture(scope="module")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plant")
    with open_log(folder / "log.sqlite") as log:
        simulate_into_log(log, PLANT, DAYS, 4, folder / "truth.json")
    return folder


def test_everything_is_counted_and_can_be_rebuilt(simulated: Path) -> None:
    truth = json.loads((simulated / "truth.json").read_text(encoding="utf-8"))
    assert truth["panels"] == 240
    assert [cause["machine"] for cause in truth["causes"]] == ["B / 2", "laminator 1"]
    with open_log(simulated / "log.sqlite") as log:
        assert verify(log) == ()
        table = pareto(log, GroupBy.KIND, Purpose.DEMO)
        assert table.cells_inspected == 240 * 60
        row = table.rows[0]
        true = truth["flags_without_cause"] + truth["causes"][0]["flags"]
        assert row.proposed == true + truth["false_flags"]
        assert row.confirmed == true
        assert pareto(log).rows == ()  # none of it counts as production
        before = dump(log)
        rebuild(log)
        assert dump(log) == before


def test_what_the_laminator_did_shows_after_lamination_only(simulated: Path) -> None:
    with open_log(simulated / "log.sqlite") as log:
        later = pareto(log, GroupBy.KIND, Purpose.DEMO, stage=Stage.AFTER_LAMINATION)
        assert 0 < later.rows[0].confirmed < json.loads((simulated / "truth.json").read_text())["causes"][1]["flags"]


def test_the_lane_its_position_its_place_and_its_day_are_found(simulated: Path, tmp_path: Path) -> None:
    with open_log(simulated / "log.sqlite") as log:
        found = commonality(log, (Kind.CRACK,), Purpose.DEMO)
        suspect = found.suspect
        assert found.finding is Finding.MACHINE
        assert suspect is not None
        assert (suspect.stringer, suspect.lane, suspect.position) == ("B", "2", 3)
        assert suspect.level in (Level.POSITION, Level.POSITION_AND_PLACE)
        assert suspect.onset_low <= "2031-01-04" <= suspect.onset_high
        assert found.cluster is not None
        assert (found.cluster.along, found.cluster.across) == (
            pytest.approx(0.25, abs=0.1),
            pytest.approx(0.7, abs=0.1),
        )
        first, *rest = (message.text for message in as_messages(found))
        assert found.charged[Charged.STRINGER_OR_LAYUP.value] > 0
        assert any(
            text.startswith("Charged by the stage that saw these cells first: stringer or lay-up") for text in rest
        )
        assert first.startswith("Stringer B, lane 2: flags at position 3 from the leading end")
        assert any("gather at one place" in text for text in rest)
        write_commonality(log, found, tmp_path / "found.json")
        write_commonality(log, found, tmp_path / "found.pdf")
        with pytest.raises(LogError, match="must end in"):
            write_commonality(log, found, tmp_path / "found.txt")
    told = json.loads((tmp_path / "found.json").read_text(encoding="utf-8"))
    assert (told["finding"], told["suspect"]["lane"], told["text"][0]) == ("machine", "2", first)
    assert (tmp_path / "found.pdf").read_bytes().startswith(b"%PDF")


def test_a_layup_machine_is_found_and_named(tmp_path: Path) -> None:
    cause = PlantCause(CauseOf.LAYUP, 2.0, 5.0, 1)
    plant = RecordPlant(stringers=3, panels_per_day=40, causes=(cause,))
    with open_log(tmp_path / "log.sqlite") as log:
        simulate_into_log(log, plant, 5, 3)
        found = commonality(log, (), Purpose.DEMO)
        write_commonality(log, found, tmp_path / "found.json")
        write_commonality(log, found, tmp_path / "found.pdf")
    assert (found.finding, found.rivals) == (Finding.MACHINE, ())
    assert found.suspect is not None
    assert (found.suspect.level, found.suspect.name, found.suspect.stringer) == (Level.LAYUP, "layup 1", "")
    assert found.suspect.onset_low <= "2031-01-03" <= found.suspect.onset_high
    assert as_messages(found)[0].text.startswith("Lay-up machine layup 1: strings laid there have more flags")
    told = json.loads((tmp_path / "found.json").read_text(encoding="utf-8"))
    assert told["suspect"]["name"] == "layup 1"


def test_a_layup_machine_with_a_camera_of_its_own_is_not_accused_but_named(tmp_path: Path) -> None:
    plant = RecordPlant(lines=2, stringers=4, panels_per_day=40, causes=(PlantCause(CauseOf.LAYUP, 0.0, 5.0, 1),))
    with open_log(tmp_path / "log.sqlite") as log:
        simulate_into_log(log, plant, 5, 3)
        found = commonality(log, (Kind.CRACK,), Purpose.DEMO)
    assert (found.finding, found.suspect) == (Finding.NOTHING, None)
    (told,) = (message.text for message in as_messages(found) if message.code == "commonality.look_into")
    assert "lay-up machine layup 1 (" in told
    assert "EL stations" in told


def test_before_the_lane_went_bad_nobody_is_accused(simulated: Path) -> None:
    with open_log(simulated / "log.sqlite") as log:
        found = commonality(log, (Kind.CRACK,), Purpose.DEMO, until="2031-01-03")
        assert (found.finding, found.suspect) == (Finding.NOTHING, None)
        assert found.missing_cells > 0
        assert as_messages(found)[0].text.startswith("Not enough data")


def test_an_empty_log_says_so(tmp_path: Path) -> None:
    with open_log(tmp_path / "log.sqlite") as log:
        found = commonality(log)
        assert (found.finding, found.cells, found.lanes) == (Finding.NOTHING, 0, ())
        assert [message.code for message in as_messages(found)] == ["commonality.nothing_decided"]


def test_every_measure_and_grouping_of_a_plant(simulated: Path, tmp_path: Path) -> None:
    with open_log(simulated / "log.sqlite") as log:
        for by in GroupBy:
            table = pareto(log, by, Purpose.DEMO, count=CountOf.PROPOSED)
            assert sum(row.proposed for row in table.rows) == pareto(log, purpose=Purpose.DEMO).rows[0].proposed
        by_panel = pareto(log, GroupBy.LANE, Purpose.DEMO, measure=Measure.PANELS)
        assert by_panel.rows[0].label == "B / 2"
        assert all(row.value <= row.confirmed for row in by_panel.rows)
        write_pareto(by_panel, tmp_path / "p.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "p.xlsx").worksheets[0]
    column = [cell.value for cell in sheet["A"]]
    assert column[column.index("stringer / lane") + 1] == "B / 2"


def test_simulated_panels_never_mix_with_real_ones(tmp_path: Path) -> None:
    with fresh_place("sqlite", tmp_path) as place, open_log(place) as log:
        simulate_into_log(log, RecordPlant(panels_per_day=2), 1, 1)
        with pytest.raises(LogError, match="SIM-"):
            simulate_into_log(log, RecordPlant(panels_per_day=2), 1, 1)
        _refused(log, "000123")
        assert verify(log) == ()


def _refused(log: Log, serial: str) -> None:
    panel = [serial, "2031-01-01T00:00:00+00:00", "before_lamination", 1, "EL 1", "p", "c", "m", None, 0]
    block = {"layout": "6x10", "panels": [panel], "strings": [], "flags": []}
    with pytest.raises(LogError, match="SIM-"):
        log.append([NewEvent(EventKind.SIMULATED_PANELS, "simulated", block)], "simulator")
