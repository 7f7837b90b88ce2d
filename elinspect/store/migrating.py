"""Bringing a database to the schema of this program: alembic, with scripts from inside the package."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine

from elinspect.errors import LogError
from elinspect.store.connection import writing
from elinspect.store.rebuild import rebuild_within

_SCRIPTS = Path(__file__).parent / "migrations"


def migrate(engine: Engine, name: str, current: str | None, target: str = "head") -> None:
    """Migrate a database up.

    Parameters
    ----------
    engine : Engine
        The database.
    name : str
        File or URL, for messages.
    current : str or None
        Its revision; None for an empty database.
    target : str
        Revision to reach.

    Raises
    ------
    LogError
        If the database is newer than this program.
    """
    known = {script.revision for script in ScriptDirectory(str(_SCRIPTS)).walk_revisions()}
    if current is not None and current not in known:
        raise LogError("log.newer", file=name, revision=current)
    with writing(engine, name) as connection:
        command.upgrade(_config(connection), target)
        if current is not None and target == "head":
            rebuild_within(connection)  # the events stay as they are; what is read from them may look otherwise now


def migrate_down(engine: Engine, name: str, target: str) -> None:
    """Migrate a database down to an older schema, for a program of that age; the events stay as they are."""
    with writing(engine, name) as connection:
        command.downgrade(_config(connection), target)


def _config(connection: Connection) -> Config:
    config = Config()
    config.set_main_option("script_location", str(_SCRIPTS))
    config.attributes["connection"] = connection
    return config
