"""Whatever is taken out of a record is named, and Undo brings back the record's very bytes."""

from __future__ import annotations

import tomllib

import pytest

from tests.support.browser_page import saved, shown, shown_status, state

pytestmark = pytest.mark.browser

MORE = """
[vehicles.car.points]  # by hand
hood = ["1.4 m", "0 m", "-1.0 m"]

[vehicles.car.rest]
at = ["4 m", "0.2 m"]

[[cameras.above.edits]]
mark   = "car.roof3"   # looked at twice
frame  = 5
pixel  = [200, 150]

[[cameras.above.ruled_out]]
mark = "car.roof3"
first = 7
last = 9

[[cameras.above.scale]]
pixels = [[20, 20], [120, 20]]
length = "2 m"
along = "x"

[[test.events]]
time = "20 ms"
text = "bonnet opens"

[test.speed_trap]
speed = "50 km/h"
u = "0.5 km/h"
"""

TAKEN = [
    ("fixed target g1", ("cameras", "above", "survey", "g1")),
    ("marker roof5", ("vehicles", "car", "markers", "roof5")),
    ("point hood", ("vehicles", "car", "points", "hood")),
    ("place of rest", ("vehicles", "car", "rest")),
    ("event 1", ("test", "events")),
    ("scale bar 1", ("cameras", "above", "scale")),
    ("correction 1", ("cameras", "above", "edits")),
    ("span ruled out 1", ("cameras", "above", "ruled_out")),
    ("vehicle car", ("vehicles", "car")),
    ("camera above", ("cameras", "above")),
]
EMPTIED = [
    ("test.criteria", ("test", "criteria")),
    ("test.speed_trap.speed", ("test", "speed_trap", "speed")),
    ("vehicles.car.mass", ("vehicles", "car", "mass")),
]


@pytest.fixture
def record(small_copy):
    file = small_copy / "record.toml"
    text = file.read_text("utf-8") + MORE
    file.write_bytes(text.replace("\n", "\r\n").encode())  # ends of lines are part of the bytes
    return file


def held(record, path):
    here = tomllib.loads(record.read_bytes().decode())
    for part in path:
        here = here.get(part, {}) if isinstance(here, dict) else {}
    return here


def undone(page, record, before):
    seen = state(page)["hash"]
    page.get_by_role("button", name="Undo", exact=True).click()
    saved(page, seen)
    shown_status(page, "Undone")
    assert record.read_bytes() == before


def test_each_part_of_the_form_is_taken_out_by_name_and_comes_back(desk, record):
    page = desk(record.parent).page()
    page.keyboard.press("1")
    before = record.read_bytes()
    for name, path in TAKEN:
        assert held(record, path), name
        seen = state(page)["hash"]
        button = page.get_by_role("button", name=f"Take {name} out", exact=True)
        assert name in button.get_attribute("title")
        button.click()
        saved(page, seen)
        shown_status(page, f"{name}")
        shown_status(page, "is out of the record; Undo brings it back")
        assert not held(record, path), name
        undone(page, record, before)


def test_a_value_emptied_comes_back(desk, record):
    page = desk(record.parent).page()
    page.keyboard.press("1")
    before = record.read_bytes()
    for key, path in EMPTIED:
        assert held(record, path), key
        seen = state(page)["hash"]
        field = page.locator(f'[id="f-{key}"]')
        if field.evaluate("e => e.tagName") == "SELECT":
            field.select_option("")
        else:
            field.fill("")
            field.press("Tab")
        saved(page, seen)
        shown_status(page, "taken out")
        assert not held(record, path), key
        undone(page, record, before)


def test_a_vehicle_says_what_goes_with_it(desk, record):
    page = desk(record.parent).page()
    page.keyboard.press("1")
    page.get_by_role("button", name="Take vehicle car out", exact=True).click()
    shown_status(page, "vehicle car with 5 markers is out of the record")
    assert "vehicle car with 5 markers" in page.get_by_role("button", name="Undo").get_attribute(
        "title"
    )


@pytest.mark.parametrize(
    ("button", "path", "words"),
    [
        ("Take out", ("cameras", "above", "picks", "car.roof3"), "car.roof3 taken out of above"),
        ("Take back", ("cameras", "above", "edits"), "correction of car.roof3 in above, frame 5"),
        ("Use again", ("cameras", "above", "ruled_out"), "car.roof3 used again in above"),
    ],
)
def test_what_is_taken_back_beside_the_films_comes_back(desk, record, button, path, words):
    page = desk(record.parent).page()
    page.keyboard.press("2")
    shown(page)
    before = record.read_bytes()
    page.locator('[data-mark="car.roof3"]').click()
    assert held(record, path)
    seen = state(page)["hash"]
    page.locator(".about").get_by_role("button", name=button, exact=True).click()
    saved(page, seen)
    shown_status(page, words)
    assert not held(record, path)
    undone(page, record, before)


def test_delete_takes_the_pick_of_a_fixed_target_and_undo_by_keys_brings_it_back(desk, record):
    page = desk(record.parent).page()
    page.keyboard.press("2")
    shown(page)
    before = record.read_bytes()
    page.locator('[data-mark="survey.g2"]').click()
    page.locator("canvas[data-camera]").focus()
    seen = state(page)["hash"]
    page.keyboard.press("Delete")
    saved(page, seen)
    shown_status(page, "survey.g2 taken out of above")
    seen = state(page)["hash"]
    page.keyboard.press("Control+z")
    saved(page, seen)
    shown_status(page, "Undone: survey.g2 taken out of above")
    assert record.read_bytes() == before


def test_a_button_held_down_while_the_record_changes_still_acts(desk, record):
    page = desk(record.parent).page()
    page.keyboard.press("1")
    page.locator("#s-test").wait_for()
    page.get_by_role("button", name="Motion", exact=True).hover()
    page.mouse.down()
    record.write_bytes(record.read_bytes() + b"# a line of another's\r\n")
    page.wait_for_timeout(1500)  # the page asks every half second; a press is no longer than this
    page.mouse.up()
    page.locator("nav button[aria-current=page]", has_text="Motion").wait_for()


def test_what_is_being_typed_stays_when_the_form_is_built_again(desk, record):
    page = desk(record.parent).page()
    page.keyboard.press("1")
    field = page.locator('[id="f-test.title"]')
    field.fill("Half a tit")
    seen = state(page)["hash"]
    text = record.read_bytes().replace(
        b"[[test.events]]", b"[test.report]\r\nsite = 'A'\r\n\r\n[[test.events]]"
    )
    record.write_bytes(text)
    saved(page, seen)
    page.locator('[id="f-test.report.site"]').wait_for()
    assert field.input_value() == "Half a tit"
    assert tomllib.loads(record.read_text("utf-8"))["test"].get("title") != "Half a tit"
    page.keyboard.type("le")
    seen = state(page)["hash"]
    page.keyboard.press("Tab")
    saved(page, seen)
    assert tomllib.loads(record.read_text("utf-8"))["test"]["title"] == "Half a title"
    assert tomllib.loads(record.read_text("utf-8"))["test"]["report"]["site"] == "A"
