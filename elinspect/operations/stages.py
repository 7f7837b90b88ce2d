"""Which part of the making is charged with confirmed defects: the stage that saw each of them first."""

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from itertools import pairwise
from typing import Any

from sqlalchemy import Connection

from elinspect.records import Stage
from elinspect.statistics.first_stage import Charged, charged
from elinspect.store.log import Log
from elinspect.store.production import (
    Period,
    confirmed_places,
    photographed_stages,
    stages_confirmed,
    stages_looked_at,
)


def charged_counts(log: Log, period: Period) -> Mapping[Charged, int]:
    """Count confirmed cells by what is charged with them.

    Parameters
    ----------
    log : Log
        The log.
    period : Period
        Days of the confirmation, purpose and product; all stages are looked at, whatever its stage says.

    Returns
    -------
    mapping from Charged to int
        Each place of a panel once; a place the bench replaced is another one from then on.
    """
    with log.reading() as connection:
        found = confirmed_places(connection, period)
        looked = _looked_at(connection, period.purpose, found)
    return _charged(found, looked)


def charged_places(log: Log, purpose: str, places: Collection[tuple[str, int, int]]) -> Mapping[Charged, int]:
    """Count some confirmed cells (serial, string, position in the panel) by what is charged with them."""
    serials = sorted({serial for serial, _, _ in places})
    with log.reading() as connection:
        confirmed = stages_confirmed(connection, purpose, serials)
        found = [row for row in confirmed if (row.serial, row.string, row.position) in places]
        looked = _looked_at(connection, purpose, found)
    return _charged(found, looked)


def _looked_at(connection: Connection, purpose: str, found: Sequence[Any]) -> Mapping[str, Collection[str]]:
    """Return the stages at which panels were photographed, of those panels alone for which it matters.

    What matters is whether the stage before was looked at; where a plant takes no pictures at that stage, no panel was.
    """
    taken = photographed_stages(connection, purpose)
    asked = {after.value for before, after in pairwise(_STAGES) if before.value in taken}
    return stages_looked_at(connection, purpose, sorted({row.serial for row in found if row.stage in asked} - {None}))


_STAGES = tuple(Stage)  # in the order of the making
_BIT = {stage.value: 1 << number for number, stage in enumerate(_STAGES)}


def _charged(found: Sequence[Any], looked: Mapping[str, Collection[str]]) -> Mapping[Charged, int]:
    """Count places; those with the same stages are charged together, because a week has a hundred thousand."""
    seen: defaultdict[tuple[Any, ...], int] = defaultdict(int)
    for serial, string, position, instance, stage in found:
        seen[serial, string, position, instance] |= _BIT[stage]
    looked_at = {serial: sum(_BIT[stage] for stage in stages) for serial, stages in looked.items()}
    alike = Counter((stages, looked_at.get(place[0] or "", stages)) for place, stages in seen.items())
    counts: Counter[Charged] = Counter()
    for (shown, taken), n in alike.items():
        counts[charged(_stages(shown), _stages(taken))] += n
    return counts


def _stages(bits: int) -> list[Stage]:
    return [stage for stage in _STAGES if bits & _BIT[stage.value]]
