"""Which part of the making is to be charged: the stage that saw a defect first."""

from collections.abc import Sequence
from enum import StrEnum

from elinspect.records import Stage


class Charged(StrEnum):
    """What lies between the stage that saw a defect first and the one before it."""

    STRINGER = "stringer"
    LAYUP = "layup"
    LAMINATOR = "laminator"
    AFTERWARDS = "afterwards"
    STRINGER_OR_LAYUP = "stringer_or_layup"
    BEFORE_LAMINATION_OR_LAMINATOR = "before_lamination_or_laminator"
    NOT_KNOWN = "not_known"


_ORDER = (Stage.STRING, Stage.BEFORE_LAMINATION, Stage.AFTER_LAMINATION, Stage.FINAL)
_CHARGED = (Charged.STRINGER, Charged.LAYUP, Charged.LAMINATOR, Charged.AFTERWARDS)
_UNSURE = {
    Stage.BEFORE_LAMINATION: Charged.STRINGER_OR_LAYUP,
    Stage.AFTER_LAMINATION: Charged.BEFORE_LAMINATION_OR_LAMINATOR,
}


def charged(seen: Sequence[Stage], looked: Sequence[Stage]) -> Charged:
    """Return what is charged with the defect of one cell.

    Parameters
    ----------
    seen : sequence of Stage
        Stages whose picture shows it.
    looked : sequence of Stage
        Stages at which this cell was photographed, those of `seen` included.

    Returns
    -------
    Charged
        Two together where no picture was taken between them; not known where nothing was seen.
    """
    if not seen:
        return Charged.NOT_KNOWN
    first = min(_ORDER.index(stage) for stage in seen)
    if first == 0 or _ORDER[first - 1] in looked:
        return _CHARGED[first]
    if first == 1:
        return _UNSURE[_ORDER[1]]
    if first == 2:
        return _UNSURE[_ORDER[2]]
    return Charged.NOT_KNOWN
