"""Published limits, one's own limits, and verdicts that know the uncertainty."""

from tracker.criteria.evaluate import PlannedImpact, evaluate
from tracker.criteria.judge import judge
from tracker.criteria.sets import PUBLISHED, Criteria, load_criteria

__all__ = ["PUBLISHED", "Criteria", "PlannedImpact", "evaluate", "judge", "load_criteria"]
