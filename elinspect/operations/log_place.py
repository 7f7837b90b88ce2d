"""Where the log lies if nobody says otherwise."""

from pathlib import Path

import platformdirs


def default_log_path() -> Path:
    """Return the database file of this user on this machine; need not exist."""
    return platformdirs.user_data_path("elinspect", appauthor=False) / "log.sqlite"
