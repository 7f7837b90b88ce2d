"""The pages beside the gate that read the log: wiring only."""

from collections.abc import Callable

from elinspect.operations.log_pages import LogPages
from elinspect.operations.reading_desk import ReadingDesk
from elinspect.review.desk import Person
from elinspect_ui.jobs import Jobs
from elinspect_ui.pages import Page, PageWidget


def log_pages(pages: LogPages, readings: ReadingDesk, who: Callable[[], Person | None]) -> tuple[Page, ...]:
    """Return the pages of a log: for technicians, for quality, for second readings.

    Parameters
    ----------
    pages : LogPages
        Reads the log, which stays open as long as the window.
    readings : ReadingDesk
        Where second readings are asked for and logged.
    who : callable
        Who is signed in.
    """

    def technician(jobs: Jobs) -> PageWidget:
        from elinspect_ui.panes.technician_page import TechnicianPage  # statistics are loaded when first asked for

        return TechnicianPage(jobs, pages, who)

    def figures(jobs: Jobs) -> PageWidget:
        from elinspect_ui.panes.figures_page import FiguresPage

        return FiguresPage(jobs, pages)

    def second_readings(jobs: Jobs) -> PageWidget:
        from elinspect_ui.panes.readings_page import ReadingsPage

        return ReadingsPage(jobs, readings, who)

    return (
        Page("technician", technician, lambda: pages.news),
        Page("figures", figures),
        Page("readings", second_readings),
    )
