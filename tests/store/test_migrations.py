"""Migrations: from inside the package, up and down on filled databases, the events untouched."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from filled_log import dump, fill
from log_places import BACKENDS, fresh_place
from sqlalchemy import inspect, select, text

import elinspect.store
from elinspect.errors import LogError
from elinspect.store import Log, open_log
from elinspect.store.migrating import migrate_down
from elinspect.store.schema import HEAD_REVISION, events, metadata
from elinspect.store.verify import verify

_SCRIPTS = ScriptDirectory(str(Path(elinspect.store.__file__).parent / "migrations"))


@pytest.fixture(params=BACKENDS)
def empty(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    with fresh_place(request.param, tmp_path, empty=True) as fresh:
        yield fresh


def _records(log: Log) -> list[tuple[Any, ...]]:
    with log.reading() as connection:
        return [tuple(row) for row in connection.execute(select(events).order_by(events.c.id))]


def test_the_program_knows_the_newest_migration() -> None:
    assert _SCRIPTS.get_heads() == [HEAD_REVISION]


def test_migrated_tables_are_the_ones_the_program_works_with(empty: str) -> None:
    with open_log(empty) as log, log.reading() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []


def test_up_and_down_on_a_filled_database_leaves_the_events_alone(place: str, tmp_path: Path) -> None:
    with open_log(place) as log:
        fill(log, tmp_path)
        records, projections = _records(log), dump(log)
        migrate_down(log._engine, log.place, "0001")
        assert _records(log) == records
        with log.reading() as connection:
            assert "reworks" not in inspect(connection).get_table_names()
    with open_log(place) as log:
        assert _records(log) == records
        assert dump(log) == projections
        assert verify(log) == ()


def test_every_migration_goes_down_to_nothing(empty: str) -> None:
    with open_log(empty) as log:
        migrate_down(log._engine, log.place, "base")
        with log.reading() as connection:
            assert inspect(connection).get_table_names() == ["alembic_version"]
    open_log(empty).close()


def test_a_newer_database_is_refused_in_words_and_left_alone(place: str) -> None:
    with open_log(place) as log, log.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(LogError, match=r"written by a newer version of this program \(schema 9999\)"):
        open_log(place)
