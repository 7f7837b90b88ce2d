"""Which part of the making is charged with confirmed defects: the stage that saw each of them first."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from elinspect.records import Stage
from elinspect.statistics.first_stage import Charged, charged
from elinspect.store.log import Log
from elinspect.store.production import Period, confirmed_places, stages_confirmed, stages_looked_at


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
        serials = sorted({row.serial for row in found if row.serial is not None})
        looked = stages_looked_at(connection, period.purpose, serials)
    return _charged(found, looked)


def charged_places(log: Log, purpose: str, places: Collection[tuple[str, int, int]]) -> Mapping[Charged, int]:
    """Count some confirmed cells (serial, string, position in the panel) by what is charged with them."""
    serials = sorted({serial for serial, _, _ in places})
    with log.reading() as connection:
        found = stages_confirmed(connection, purpose, serials)
        looked = stages_looked_at(connection, purpose, serials)
    return _charged([row for row in found if (row.serial, row.string, row.position) in places], looked)


def _charged(found: Sequence[Any], looked: Mapping[str, list[Stage]]) -> Mapping[Charged, int]:
    seen: dict[tuple[str | None, int, int, int], list[Stage]] = {}
    for row in found:
        seen.setdefault((row.serial, row.string, row.position, row.instance), []).append(Stage(row.stage))
    return Counter(charged(stages, looked.get(place[0] or "", stages)) for place, stages in seen.items())
