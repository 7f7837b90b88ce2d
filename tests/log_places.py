"""Where the tests of the log run: a fresh SQLite file, and a fresh PostgreSQL database where a server is configured.

Set ELINSPECT_TEST_POSTGRES to the URL of a database in which databases may be made, such as
``postgresql://postgres@/postgres?host=/run/postgresql``.
"""

import atexit
import os
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

from elinspect.store import open_log

SERVER = os.environ.get("ELINSPECT_TEST_POSTGRES")
BACKENDS = ["sqlite", "postgresql"] if SERVER else ["sqlite"]


@contextmanager
def fresh_place(backend: str, folder: Path, *, empty: bool = False) -> Iterator[str]:
    """A place for a log; unless `empty`, with the tables already made (copied, which is faster)."""
    if backend == "sqlite":
        file = folder / "log.sqlite"
        if not empty:
            shutil.copyfile(_made_file(), file)
        yield str(file)
        return
    with _server() as server:
        name = _new_name()
        template = "" if empty else f" TEMPLATE {_made_database()}"
        server.execute(f"CREATE DATABASE {name}{template}")
        try:
            yield _url(name)
        finally:
            server.execute(f"DROP DATABASE {name} WITH (FORCE)")


@cache
def _made_file() -> Path:
    folder = tempfile.TemporaryDirectory()
    atexit.register(folder.cleanup)
    file = Path(folder.name) / "log.sqlite"
    open_log(file).close()
    return file


@cache
def _made_database() -> str:
    name = _new_name()
    with _server() as server:
        server.execute(f"CREATE DATABASE {name}")
    open_log(_url(name)).close()
    atexit.register(_drop, name)
    return name


def _drop(name: str) -> None:
    with _server() as server:
        server.execute(f"DROP DATABASE {name} WITH (FORCE)")


def _server() -> Any:
    import psycopg

    return psycopg.connect(SERVER, autocommit=True)


def _new_name() -> str:
    return f"elinspect_test_{secrets.token_hex(6)}"


def _url(database: str) -> str:
    assert SERVER is not None
    head, _, query = SERVER.partition("?")
    return f"{head.rpartition('/')[0]}/{database}" + (f"?{query}" if query else "")
