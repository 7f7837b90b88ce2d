"""What things are called in a simulated plant."""

from datetime import UTC, datetime

from elinspect.store.rules import SIMULATED

FIRST_DAY = datetime(2031, 1, 1, tzinfo=UTC)
"""When simulated plants begin: an invented year."""
STATION = "simulator"
"""Whose chain they are logged in."""


def serial_of(panel: int) -> str:
    """Return the serial of a panel by its number in the plant's life."""
    return f"{SIMULATED}{panel:08d}"
