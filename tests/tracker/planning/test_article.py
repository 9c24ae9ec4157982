"""The article and the exit box of a plan, and the motions against them."""

from pathlib import Path

import numpy as np
import pytest

from tests.support.plan_case import RECORD
from tracker.planning.article import planned_article
from tracker.planning.motion import planned_motion
from tracker.planning.options import PLANNED_MOTION
from tracker.record.load import load_planned
from tracker.record.schema import PlannedRecord

RAIL = """
[article]
traffic_face = "1.5 m"
width = "0.3 m"
[article.markers]
post1 = { at = ["1 m", "1.7 m", "-1 m"], pattern = "quadrant", size = "0.2 m" }
post2 = { at = ["5 m", "1.7 m", "-1 m"], pattern = "quadrant", size = "0.2 m" }
"""


def record(folder: Path, article: str, angle: str = "25 deg") -> PlannedRecord:
    text = RECORD.replace('at_contact = ["-2 m", "0 m", "0 m"]', OUTLINE)
    text = text.replace('speed = "10 m/s"', f'speed = "28 m/s"\nangle = "{angle}"')
    (folder / "record.toml").write_text(text + article, encoding="utf-8")
    return load_planned(folder / "record.toml")


OUTLINE = 'outline = { front = "1 m", length = "5 m", width = "2 m" }'


def test_the_exit_box_begins_at_first_contact_and_lies_on_the_traffic_side(tmp_path: Path) -> None:
    """A = 2.2 m + 2 m + 0.16 x 5 m = 5.0 m, B = 10 m (by hand, from the definition)."""
    planned = record(tmp_path, RAIL)

    found = planned_article(planned, planned_motion(planned))

    assert found is not None
    assert found.box is not None
    assert found.outline is not None
    assert found.box == pytest.approx(
        np.array([[0, 1.5], [10, 1.5], [10, -3.5], [0, -3.5]]), abs=1e-3
    )
    assert found.outline == pytest.approx(
        np.array([[0, 1.5], [6, 1.5], [6, 1.8], [0, 1.8]]), abs=1e-9
    )


def test_a_rail_turns_the_path_back_and_the_corner_touches_it_at_time_zero(tmp_path: Path) -> None:
    planned = record(tmp_path, RAIL)
    motion = planned_motion(planned)

    before, after = motion.state("car", np.array([-0.05, 0.35]))
    corner = motion.places("car", np.zeros(1), np.array([[1.0, 1.0, 0.0]]))[0, 0]

    assert corner[:2] == pytest.approx([0.0, 1.5], abs=1e-3)
    assert np.hypot(*before[6:8]) == pytest.approx(28.0, rel=1e-6)
    assert np.arctan2(before[7], before[6]) == pytest.approx(np.radians(25.0), abs=1e-6)
    assert after[7] == pytest.approx(
        -PLANNED_MOTION.rail_rebound * 28.0 * np.sin(np.radians(25.0)), rel=1e-3
    )
    time = np.linspace(-0.1, 0.4, 5001)
    states = motion.state("car", time)
    rates = np.gradient(states[:, :6], time, axis=0)
    assert np.abs(rates - states[:, 6:12])[5:-5].max() < 0.02


def test_a_pole_takes_little_speed_and_has_no_exit_box(tmp_path: Path) -> None:
    text = '[article]\nkind = "pole"\n' + RAIL.split('width = "0.3 m"\n')[1]
    planned = record(tmp_path, text, "0 deg")
    motion = planned_motion(planned)

    found = planned_article(planned, motion)
    later = motion.state("car", np.array([0.1]))[0]

    assert found is not None
    assert found.box is None
    assert found.outline is None
    assert later[6] == pytest.approx(28.0 - PLANNED_MOTION.pole_takes, rel=1e-6)
    assert motion.contact_lasts < 0.05
