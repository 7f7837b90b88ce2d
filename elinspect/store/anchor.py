"""Chain heads written down outside the database: what they anchor can no longer be changed unnoticed."""

import json
from collections.abc import Iterable
from pathlib import Path

from elinspect.errors import LogError, told_as
from elinspect.store.events import now
from elinspect.store.verify import ChainHead

_SCHEMA = "elinspect.anchor/1"


def anchor_path(export: Path) -> Path:
    """Return where the anchor of an export lies: beside it."""
    return export.with_name(export.name + ".anchor.json")


def write_anchor(path: Path, heads: Iterable[ChainHead]) -> None:
    """Write heads down.

    Raises
    ------
    LogError
        If the file cannot be written.
    """
    listed = [{"station": head.station, "number": head.number, "hash": head.hash} for head in heads]
    text = json.dumps({"schema": _SCHEMA, "written_at": now(), "heads": listed}, indent=1)
    with told_as("command.not_written", LogError, file=str(path)):
        path.write_text(text + "\n", encoding="utf-8")


def read_anchor(path: Path) -> tuple[ChainHead, ...]:
    """Read heads back.

    Raises
    ------
    LogError
        If the file is no anchor.
    """
    try:
        read = json.loads(path.read_text(encoding="utf-8"))
        if read["schema"] != _SCHEMA:
            raise ValueError(read["schema"])
        return tuple(ChainHead(head["station"], head["number"], head["hash"]) for head in read["heads"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise LogError("log.not_an_anchor", file=str(path)) from error
