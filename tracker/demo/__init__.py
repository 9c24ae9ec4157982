"""A demonstration test made by this program: films, survey, accelerometer file, record and truth.

The site, the vehicles, the cushion and every number are invented.
"""

from tracker.demo.roadside.write import write_pole, write_roadside
from tracker.demo.scenario import Scenario
from tracker.demo.truth import DemoTruth, load_truth
from tracker.demo.write import write_demo

__all__ = ["DemoTruth", "Scenario", "load_truth", "write_demo", "write_pole", "write_roadside"]
