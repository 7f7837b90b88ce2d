"""The pages beside the gate that read the log: wiring only."""

from elinspect.operations.log_pages import LogPages
from elinspect_ui.jobs import Jobs
from elinspect_ui.pages import Page, PageWidget


def log_pages(pages: LogPages, person: str) -> tuple[Page, ...]:
    """Return the technician's and the quality page of a log.

    Parameters
    ----------
    pages : LogPages
        Reads the log, which stays open as long as the window.
    person : str
        Who marks maintenance.
    """

    def technician(jobs: Jobs) -> PageWidget:
        from elinspect_ui.panes.technician_page import TechnicianPage  # statistics are loaded when first asked for

        return TechnicianPage(jobs, pages, person)

    def figures(jobs: Jobs) -> PageWidget:
        from elinspect_ui.panes.figures_page import FiguresPage

        return FiguresPage(jobs, pages)

    return Page("technician", technician, lambda: pages.news), Page("figures", figures)
