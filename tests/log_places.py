"""Where the tests of the log run: a fresh SQLite file, and a fresh PostgreSQL database where a server is configured.

Set ELINSPECT_TEST_POSTGRES to the URL of a database in which databases may be made, such as
``postgresql://postgres@/postgres?host=/run/postgresql``.
"""

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

SERVER = os.environ.get("ELINSPECT_TEST_POSTGRES")
BACKENDS = [
    "sqlite",
    pytest.param("postgresql", marks=pytest.mark.skipif(not SERVER, reason="no PostgreSQL server is configured")),
]


@contextmanager
def fresh_place(backend: str, folder: Path) -> Iterator[str]:
    """A place for a log that does not exist yet; gone afterwards."""
    if backend == "sqlite":
        yield str(folder / "log.sqlite")
        return
    import psycopg

    assert SERVER is not None
    name = f"elinspect_test_{secrets.token_hex(6)}"
    with psycopg.connect(SERVER, autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}")
        head, _, query = SERVER.partition("?")
        try:
            yield f"{head.rpartition('/')[0]}/{name}" + (f"?{query}" if query else "")
        finally:
            server.execute(f"DROP DATABASE {name} WITH (FORCE)")
