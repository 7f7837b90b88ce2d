"""The camera of the station's tests."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select
from station_camera import Camera

from elinspect.store.schema import outbox
from elinspect.store.verify import verify


@pytest.fixture
def camera(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Camera]:
    """A camera whose faults release nothing, whatever the test does, and leave the log's chain whole."""
    made = Camera(tmp_path, monkeypatch)
    yield made
    with made.log.reading() as connection:
        assert connection.execute(select(outbox)).all() == []
    assert verify(made.log) == ()
    made.log.close()
