"""People and machine of a period, as a report of its own."""

from elinspect.catalogue import words
from elinspect.operations.people_figures import PeopleAndMachine, people_and_machine
from elinspect.operations.report_making import Making, Report, days_asked, done
from elinspect.records import Purpose, Stage
from elinspect.store.log import Log
from elinspect.store.production import Period


def people_report(
    log: Log, purpose: Purpose = Purpose.PRODUCTION, *, since: str | None = None, until: str | None = None
) -> tuple[PeopleAndMachine, Report]:
    """Return what a period says about people and machine, and that as a report.

    Parameters
    ----------
    since, until : str, optional
        First and last day, ``YYYY-MM-DD``; by default the newest four weeks.
    """
    first, last = days_asked(log, purpose, 28, since, until)
    period = Period(purpose.value, Stage.BEFORE_LAMINATION.value, first, last)
    found = people_and_machine(log, period)
    making = Making()
    making.people(found)
    return found, done(log, words("report.people_and_machine"), period, making)
