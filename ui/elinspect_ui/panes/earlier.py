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

    def show(self, panel: PanelPane, pictures: tuple[Picture, ...]) -> None:
        """Lay it over the picture on screen, and say above it that it is not today's."""
        number, now = panel.view.number, panel.view.picture
        alike = now is not None and len(pictures) == panel.view.count
        # Of a panel of several pictures each must show the same cells as before.
        if alike and now is not None and len(pictures) > 1:
            alike = pictures[number].places.addresses == now.places.addresses
        if not alike or not self.review.result.panel.found:
            panel.view.show_earlier(None)
            panel.show_banner(words("desktop.earlier.unlike"))
            return
        lines = [line for line in flag_lines(self.review) if line.flag.tile == number]
        panel.view.show_earlier(pictures[number], lines)
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
