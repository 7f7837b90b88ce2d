"""The pages beside the gate that read the log: wiring only."""

from elinspect.operations.log_pages import LogPages
from elinspect.store.log import Log
from elinspect_ui.jobs import Jobs
from elinspect_ui.pages import Page, PageWidget


def log_pages(log: Log, station: str, person: str) -> tuple[Page, ...]:
    """Return the technician's and the quality page of a log.

    Parameters
    ----------
    log : Log
        The log; it stays open as long as the window.
    station : str
        Whose chain marks of the technician go to.
    person : str
        Who marks maintenance.
    """
    pages = LogPages(log, station)

    def technician(jobs: Jobs) -> PageWidget:
        from elinspect_ui.panes.technician_page import TechnicianPage  # statistics are loaded when first asked for

        return TechnicianPage(jobs, pages, person)

    def figures(jobs: Jobs) -> PageWidget:
        from elinspect_ui.panes.figures_page import FiguresPage

        return FiguresPage(jobs, pages)

    return Page("technician", technician), Page("figures", figures)
