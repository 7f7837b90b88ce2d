"""Findings become flags, flags meet the criteria, the criteria suggest a disposition. Pure rules."""

from elinspect.triage.flags import flags_from, with_limit
from elinspect.triage.proposal import propose

__all__ = ["flags_from", "propose", "with_limit"]
