"""Published limits, one's own limits, and verdicts that know the uncertainty."""

from tracker.criteria.evaluate import Plan, evaluate
from tracker.criteria.judge import judge
from tracker.criteria.sets import PUBLISHED, Criteria, load_criteria

__all__ = ["PUBLISHED", "Criteria", "Plan", "evaluate", "judge", "load_criteria"]
