"""Findings become flags, flags meet the criteria, the criteria suggest a disposition. Pure rules."""

from elinspect.triage.flags import NONE_DOUBTFUL, flags_from, judged
from elinspect.triage.limits import not_judgeable, that_count, with_limit, with_limits
from elinspect.triage.proposal import not_judged, propose
from elinspect.triage.rework import plan_rework

__all__ = [
    "NONE_DOUBTFUL",
    "flags_from",
    "judged",
    "not_judgeable",
    "not_judged",
    "plan_rework",
    "propose",
    "that_count",
    "with_limit",
    "with_limits",
]
