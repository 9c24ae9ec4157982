"""Events of a test in the workbench: their lines on the time line, and the list beside it."""

from __future__ import annotations

import json
import shutil

import pytest

from tests.support.browser_page import frame
from tests.support.small_scene import FRAMES, RATE, ZERO

pytestmark = pytest.mark.browser

TYPED = 14  # frames after time zero
EVENTS = f"""
[[test.events]]
time = "{TYPED / RATE} s"
text = "lamp goes out"
"""


@pytest.fixture
def typed(analysed, tmp_path):
    """The small test with an event that a person typed, in record and results."""
    folder = tmp_path / "S-1"
    shutil.copytree(analysed, folder)
    record, results = folder / "record.toml", folder / "results" / "results.json"
    record.write_text(record.read_text() + EVENTS)
    found = json.loads(results.read_text())
    found["events"].append({"time": TYPED / RATE, "text": "lamp goes out", "source": "typed"})
    results.write_text(json.dumps(found))
    return folder


def place_of(page, seen: int) -> tuple[float, float]:
    """Where the line of an event in this frame stands on the page."""
    box = page.locator(".transport canvas.spans").bounding_box()
    return box["x"] + 8 + (box["width"] - 16) * seen / (FRAMES - 1), box["y"] + box["height"] / 2


def test_a_click_on_an_event_of_the_time_line_shows_its_frame(desk, typed):
    page = desk(typed).page()
    page.wait_for_function(
        "() => document.querySelector('select[title*=event]').options.length > 1"
    )
    assert frame(page) == ZERO
    x, y = place_of(page, ZERO + TYPED)
    page.mouse.click(x + 3, y)
    page.wait_for_function("(f) => window.impactfilm.state().frame.above === f", arg=ZERO + TYPED)
    page.mouse.click(*place_of(page, ZERO + TYPED - 6))  # between two events: nothing happens
    assert frame(page) == ZERO + TYPED


def test_an_event_chosen_from_the_list_shows_its_frame(desk, typed):
    page = desk(typed).page()
    choice = page.get_by_label("Go to an event")
    page.wait_for_function(
        "() => document.querySelector('select[title*=event]').options.length > 1"
    )
    labels = choice.locator("option").all_inner_texts()
    times = [float(label.split()[0]) for label in labels[1:]]
    assert times == sorted(times) or "lamp goes out" in labels[-1]
    choice.select_option(label=next(label for label in labels if "lamp goes out" in label))
    page.wait_for_function("(f) => window.impactfilm.state().frame.above === f", arg=ZERO + TYPED)
    assert frame(page) == ZERO + TYPED
