"""Before the test: what a layout of cameras and marks will see, and what it will be worth."""

from tracker.planning.plan import Plan, make_plan, plan
from tracker.planning.write import write_plan, write_sheets

__all__ = ["Plan", "make_plan", "plan", "write_plan", "write_sheets"]
