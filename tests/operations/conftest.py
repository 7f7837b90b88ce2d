from collections.abc import Iterator
from pathlib import Path

import pytest
from log_places import BACKENDS, fresh_place
from logged_panels import recipe_for

from elinspect.operations.versions import log_recipe
from elinspect.store import Log, open_log


@pytest.fixture(params=BACKENDS)
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    with fresh_place(request.param, tmp_path) as fresh:
        yield fresh


@pytest.fixture
def log(place: str) -> Iterator[Log]:
    with open_log(place) as opened:
        log_recipe(opened, recipe_for(), "engineering")  # without it nothing could be released
        yield opened
