"""Alerts at each flag: whenever a picture is logged or a flag confirmed, its lanes are looked at."""

from elinspect.operations.alerts import Alert, Lane, Rules, raised, rules_for, usual_before, with_work
from elinspect.records import Layout, Purpose, Stage
from elinspect.store.lanes import flags_of_pictures, newest_strings
from elinspect.store.log import Log
from elinspect.store.production import Period
from elinspect.store.rows import row_by
from elinspect.store.schema import inspections

PICTURES_LOOKED_AT = 400
"""Newest pictures of the log that are read at a flag: some two hundred strings of each of a dozen lanes."""


class AlertWatch:
    """Evaluates both rules for the lanes of a panel, and tells each alert once.

    The usual rates are read once a day; only the newest strings of the lanes with a flag are read at each call.

    Parameters
    ----------
    log : Log
        The log.
    """

    def __init__(self, log: Log) -> None:
        self._log = log
        self._rules: dict[tuple[Purpose, Stage, str, int], Rules] = {}
        self._told: dict[tuple[str, str, int], frozenset[str]] = {}

    def after(self, inspection: str) -> tuple[Alert, ...]:
        """Return alerts that the flags of an inspection raise, as they stand now, and that were not told before.

        Parameters
        ----------
        inspection : str
            Logged just now, or with an answer just given.
        """
        with self._log.reading() as connection:
            row = row_by(connection, inspections, id=inspection)
            if row is None or row.serial is None or row.superseded or row.attempt != 1:
                return ()
            lanes: set[Lane] = {(flag.stringer, flag.lane) for flag in flags_of_pictures(connection, [inspection])}
            if not lanes:
                return ()
            purpose, stage = Purpose(row.purpose), Stage(row.stage)
            cells = Layout.parse(row.layout).cells_per_string
            key = (purpose, stage, row.day, cells)
            if key not in self._rules:
                usual = usual_before(connection, purpose, stage, row.day, cells)
                self._rules = {key: rules_for(usual, cells)}
            period = Period(row.purpose, row.stage)
            made = newest_strings(connection, row.purpose, row.stage, PICTURES_LOOKED_AT)
            strings = [string for string in made if (string.stringer, string.lane) in lanes]
            flags = flags_of_pictures(connection, list(dict.fromkeys(string.inspection for string in strings)))
            of_lanes = [flag for flag in flags if (flag.stringer, flag.lane) in lanes]
            found = raised(strings, of_lanes, self._rules[key]) if strings else []
            new = [alert for alert in found if row.serial in alert.serials and self._is_new(alert)]
            return tuple(with_work(connection, new, period))

    def _is_new(self, alert: Alert) -> bool:
        place = (alert.stringer, alert.lane, alert.position)
        told = self._told.get(place, frozenset())
        self._told[place] = told | frozenset(alert.serials)
        return told.isdisjoint(alert.serials)
