"""From flags and image quality to a proposed disposition with reasons; never a decision."""

from collections import Counter
from collections.abc import Iterator, Sequence

from elinspect.catalogue import Message
from elinspect.criteria import AcceptanceCriteria
from elinspect.recipe import ProductRecipe, write_address
from elinspect.records import Disposition, Flag, ImageQuality, NotFound, PanelLoss, Proposal
from elinspect.triage.limits import Tally, rule_in_values, suggested_by

_NOT_JUDGED = ("quality.kinds_not_judgeable", "quality.kinds_not_seen", "quality.unjudged.")
"""How codes of notes begin on kinds and cells that were not judged."""


def propose(
    flags: Sequence[Flag],
    quality: ImageQuality,
    not_found: NotFound | None,
    recipe: ProductRecipe,
    criteria: AcceptanceCriteria,
    loss: PanelLoss | None = None,
) -> Proposal:
    """Suggest a disposition.

    Parameters
    ----------
    flags : sequence of Flag
        In order of severity.
    quality : ImageQuality
        An image that is not usable gives hold, whatever the flags.
    not_found : NotFound or None
        Why no panel was found; gives hold.
    recipe : ProductRecipe
        For the plant's addresses.
    criteria : AcceptanceCriteria
        The limits, as in force for the product.
    loss : PanelLoss, optional
        What the flags cost, where the product's electrical data are there.

    Returns
    -------
    Proposal
        Hold, rework or accept, with at least one reason.
    """
    if not_found is not None:
        return Proposal(Disposition.HOLD, (not_found.reason,))
    if not quality.usable:
        return Proposal(Disposition.HOLD, quality.notes or (Message("proposal.not_usable"),))
    reached = [flag for flag in flags if flag.limit is not None]
    if not reached:
        # Whatever could not be judged is said first: nobody may take it for clean.
        return Proposal(
            Disposition.ACCEPT, (*not_judged(quality), _nothing_reached(sum(flag.counts for flag in flags)))
        )
    suggested = {suggested_by(flag.limit, criteria) for flag in reached if flag.limit is not None}
    disposition = Disposition.HOLD if Disposition.HOLD in suggested else Disposition.REWORK
    return Proposal(disposition, tuple(_reasons(reached, recipe, criteria, Tally.of(flags, loss))))


def not_judged(quality: ImageQuality) -> tuple[Message, ...]:
    """Return the notes on kinds and cells that were not judged."""
    return tuple(note for note in quality.notes if note.code.startswith(_NOT_JUDGED))


def _nothing_reached(shown: int) -> Message:
    return Message("proposal.below_limits", {"n": shown}) if shown else Message("proposal.no_flags")


def _reasons(
    reached: Sequence[Flag], recipe: ProductRecipe, criteria: AcceptanceCriteria, tally: Tally
) -> Iterator[Message]:
    """Yield one reason per cell and limit, so that ten broken fingers of one cell read as one line."""
    counts = Counter((flag.limit, flag.string, flag.position) for flag in reached)
    for (limit, string, position), count in counts.items():
        first = next(flag for flag in reached if (flag.limit, flag.string, flag.position) == (limit, string, position))
        assert limit is not None
        rule = {
            "limit": limit,
            "disposition": suggested_by(limit, criteria).value,
            "rule": rule_in_values(first, criteria, tally),
        }
        if count == 1:
            code = first.message.code.replace("flag.", "reason.", 1)
            yield Message(code, {**first.message.values, **rule})
        else:
            address = write_address(recipe.addresses, string, position)
            yield Message("reason.several", {"count": count, "kind": first.kind.value, "address": address, **rule})
