"""The panel on screen in words: which it is, what is proposed and why, how good its image is."""

from dataclasses import dataclass

from elinspect.catalogue import words
from elinspect.records import PanelResult
from elinspect.review.session import Review
from elinspect_ui.presenters.queue import local_time, purpose_warning


@dataclass(frozen=True, slots=True)
class PanelWords:
    """What stands above the picture.

    Attributes
    ----------
    serial, facts, warning, proposal, reasons, all_reasons : str
        One line each; `all_reasons` one reason a line.
    """

    serial: str
    facts: str
    warning: str
    proposal: str
    reasons: str
    all_reasons: str


def panel_words(review: Review) -> PanelWords:
    """Put the panel on screen into words."""
    result = review.result
    reasons = [message.text for message in result.proposal.reasons]
    notes = [note.text for note in result.quality.notes if note.text not in reasons]
    return PanelWords(
        serial=result.serial or words("desktop.no_serial"),
        facts=_facts(result),
        warning=_warning(review),
        proposal=words("desktop.proposal", proposal=result.proposal.disposition.value),
        reasons=" · ".join(reasons),
        all_reasons="\n".join([*reasons, *notes]),
    )


def _facts(result: PanelResult) -> str:
    facts = [
        words(f"stage.{result.stage}"),
        words("desktop.attempt", attempt=result.attempt),
        words("desktop.layout", layout=str(result.panel.layout)),
    ]
    if result.panel.view_side is not None:
        mirrored = words("desktop.mirrored" if result.panel.mirrored else "desktop.not_mirrored")
        facts.append(words("desktop.seen_from", side=words(f"view_side.{result.panel.view_side}"), mirrored=mirrored))
    return " · ".join(facts)


def _warning(review: Review) -> str:
    decision = review.decision
    if decision is not None:
        return words(
            "desktop.decided_by",
            decision=decision.disposition.value,
            inspector=decision.inspector,
            at=local_time(decision.decided_at),
        )
    return purpose_warning(review.result.purpose) or ""
