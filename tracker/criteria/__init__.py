"""Published limits, one's own limits, and verdicts that know the uncertainty."""

from tracker.criteria.decision import GUARDED, RULES, SIMPLE
from tracker.criteria.evaluate import Measured, PlannedImpact, evaluate
from tracker.criteria.judge import Judgement, judge
from tracker.criteria.sets import PUBLISHED, Criteria, load_criteria

__all__ = [
    "GUARDED",
    "PUBLISHED",
    "RULES",
    "SIMPLE",
    "Criteria",
    "Judgement",
    "Measured",
    "PlannedImpact",
    "evaluate",
    "judge",
    "load_criteria",
]
