"""Before the test: what a layout of cameras and marks will see, and what it will be worth."""

from tracker.plan.plan import Plan, make_plan
from tracker.plan.write import write_plan, write_sheets

__all__ = ["Plan", "make_plan", "write_plan", "write_sheets"]
