"""Second readings at the window: who waits, the picture alone, what the reader saw."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, timedelta

from elinspect.errors import LogError
from elinspect.operations.second_readings import (
    SeenCell,
    WaitingReading,
    ask_second_readings,
    log_second_reading,
    readings_waiting,
)
from elinspect.records import PanelResult, Purpose, Stage
from elinspect.result_file import from_dict
from elinspect.store.log import Log
from elinspect.store.production import days_of
from elinspect.store.results import result_of


class ReadingDesk:
    """A place for second readings, bound to a log, a seat and whoever is signed in there.

    Parameters
    ----------
    log : Log
        The log.
    seat : str
        Where people sign in.
    who : callable
        Id of the person at the seat; None while nobody is signed in.
    purpose : callable
        Which panels are read again.
    """

    def __init__(self, log: Log, seat: str, who: Callable[[], str | None], purpose: Callable[[], Purpose]) -> None:
        self._log, self._seat, self._who, self._purpose = log, seat, who, purpose

    def waiting(self) -> tuple[tuple[WaitingReading, ...], int]:
        """Return the panels that wait for this reader, and how many wait for somebody else because they decided them.

        Nobody signed in has nothing to read.
        """
        reader = self._who()
        everybody = readings_waiting(self._log)
        mine = readings_waiting(self._log, reader) if reader is not None else ()
        return mine, len(everybody) - len(mine)

    def ask(self, n: int, days: int) -> int:
        """Draw panels of the newest days for a second reading; return how many.

        Raises
        ------
        LogError
            If there is no such panel, or the person's role does not ask for readings.
        """
        purpose = self._purpose()
        with self._log.reading() as connection:
            known = days_of(connection, purpose.value, Stage.BEFORE_LAMINATION.value)
        since = (date.fromisoformat(known[1]) - timedelta(days=days - 1)).isoformat() if known is not None else None
        until = known[1] if known is not None else None
        return ask_second_readings(self._log, self._seat, self._person(), n, purpose, since=since, until=until)

    def look(self, waiting: WaitingReading) -> PanelResult:
        """Return a panel as a blind reader may see it: its pictures and cells, nothing that was flagged."""
        with self._log.reading() as connection:
            result = from_dict(result_of(connection, waiting.inspection))
        return replace(result, flags=(), rework=None)

    def log(self, waiting: WaitingReading, cells: Sequence[SeenCell], note: str) -> None:
        """Log what was seen in a panel; without cells: read, and nothing seen.

        Raises
        ------
        LogError
            If the panel was read already, the reader decided it, or the role does not read.
        """
        log_second_reading(self._log, self._seat, self._person(), waiting, cells, note)

    def _person(self) -> str:
        person = self._who()
        if person is None:
            raise LogError("readings.who_reads")
        return person
