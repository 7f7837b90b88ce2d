"""Looking after the log: verify, rebuild, back up, restore. For the command line, by place."""

from collections.abc import Iterable
from pathlib import Path

from elinspect.catalogue import Message
from elinspect.operations.tables import Progress
from elinspect.store.anchor import anchor_path, read_anchor, write_anchor
from elinspect.store.backup import backup, restore
from elinspect.store.log import open_log
from elinspect.store.rebuild import rebuild
from elinspect.store.verify import ChainHead, chain_heads, verify


def verify_log(place: str | Path, anchors: Iterable[Path] = ()) -> tuple[tuple[Message, ...], tuple[ChainHead, ...]]:
    """Check a log against itself and against anchor files.

    Returns
    -------
    faults : tuple of Message
        One for each record that was edited, removed, inserted or cut off; empty if everything holds.
    heads : tuple of ChainHead
        The present end of every chain.
    """
    heads = [head for path in anchors for head in read_anchor(path)]
    with open_log(place, new=False) as log:
        return verify(log, heads), chain_heads(log)


def rebuild_log(place: str | Path, progress: Progress | None = None) -> int:
    """Make all projections anew; return how many events were applied. Do it while no station works."""
    with open_log(place, new=False) as log:
        return rebuild(log, progress)


def backup_log(place: str | Path, target: Path) -> tuple[ChainHead, ...]:
    """Write a backup while stations go on, with its anchor beside it; return the chains' ends."""
    with open_log(place, new=False) as log:
        heads = backup(log, target)
    write_anchor(anchor_path(target), heads)
    return heads


def restore_log(source: Path, place: str | Path) -> tuple[ChainHead, ...]:
    """Bring a backup back to a place without a log; return the chains' ends."""
    return restore(source, place)
