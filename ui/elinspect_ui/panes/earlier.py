"""An earlier picture of the panel on screen, laid over it."""

from dataclasses import dataclass

from elinspect.catalogue import words
from elinspect.review.desk import EarlierPicture
from elinspect.review.session import Review
from elinspect_ui.panes.panel_pane import PanelPane
from elinspect_ui.presenters.flag_lines import flag_lines
from elinspect_ui.presenters.queue import local_time
from elinspect_ui.viewer.picture import Picture


@dataclass(frozen=True, slots=True)
class Earlier:
    """What was found of an earlier picture.

    Attributes
    ----------
    found : EarlierPicture
        Which one it is.
    review : Review
        Its result and what was answered on it.
    """

    found: EarlierPicture
    review: Review

    def show(self, panel: PanelPane, picture: Picture) -> None:
        """Lay it over the picture on screen, and say above it that it is not today's."""
        if not self.review.result.panel.found:
            panel.show_banner(words("desktop.earlier.unlike"))
            return
        panel.view.show_earlier(picture, flag_lines(self.review))
        decision = self.found.decision
        if decision is not None:
            made = words("desktop.earlier.decided", decision=decision.value)
        else:
            made = words("desktop.earlier.undecided")
        panel.show_banner(
            words(
                "desktop.earlier.banner",
                stage=words(f"stage.{self.found.stage}"),
                attempt=self.found.attempt,
                at=local_time(self.found.seen_at),
                decision=made,
            )
        )
