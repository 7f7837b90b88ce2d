"""Findings become flags, flags meet the criteria, the criteria suggest a disposition. Pure rules."""

from elinspect.triage.flags import flags_from, judged
from elinspect.triage.limits import with_limit, with_limits
from elinspect.triage.proposal import propose

__all__ = ["flags_from", "judged", "propose", "with_limit", "with_limits"]
