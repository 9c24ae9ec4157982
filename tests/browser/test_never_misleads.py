"""The workbench says what it knows and questions what can't be: in a real browser, by clicks."""

from __future__ import annotations

import csv
import re
import shutil
import tomllib

import numpy as np
import pytest

from tests.support.browser_page import (
    click_at,
    frame,
    on_page,
    saved,
    shown,
    shown_status,
    state,
    until,
)
from tests.support.small_scene import FIXED, FRAMES, marker, pixel

pytestmark = pytest.mark.browser

# W3C, Web Content Accessibility Guidelines 2.2, 1.4.3: contrast 4.5 to 1 of text below 18 point.
CONTRAST = """() => {
  const pen = Object.assign(document.createElement("canvas"), { width: 1, height: 1 })
    .getContext("2d", { willReadFrequently: true });
  const rgb = (text) => { pen.clearRect(0, 0, 1, 1); pen.fillStyle = text; pen.fillRect(0, 0, 1, 1);
    return [...pen.getImageData(0, 0, 1, 1).data]; };
  const light = ([r, g, b]) => [r, g, b].map((c) => c / 255)
    .map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4))
    .reduce((s, c, i) => s + c * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (node) => { for (let n = node; n; n = n.parentElement) {
    const c = rgb(getComputedStyle(n).backgroundColor); if (c[3] === 255) return c; }
    return [255, 255, 255, 255]; };
  const low = [];
  for (const node of document.querySelectorAll("body *")) {
    const own = [...node.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!own || !node.checkVisibility() || node.disabled || node.closest("script, style")) continue;
    const a = light(rgb(getComputedStyle(node).color)), b = light(ground(node));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) low.push(`${node.textContent.trim().slice(0, 30)} ${ratio.toFixed(2)}`);
  }
  return low;
}"""
UNNAMED = """() => [...document.querySelectorAll("button, a[href], input, select, textarea")]
  .filter((n) => n.checkVisibility() && !n.closest("[aria-hidden=true]"))
  .filter((n) => !(n.textContent.trim() || n.ariaLabel || n.title || n.labels?.length))
  .map((n) => n.outerHTML.slice(0, 80))"""


def own_copy(analysed, tmp_path):
    folder = tmp_path / "S-1"
    shutil.copytree(analysed, folder)
    return folder


def click_unsnapped(page, pixel):
    """Click a place of the picture with Alt held: it stays as pointed."""
    page.keyboard.down("Alt")
    click_at(page, pixel)
    page.keyboard.up("Alt")


def begun(page):
    page.wait_for_function("() => window.impactfilm.state().tracked.includes('above')")
    page.locator("canvas[data-camera]").focus()


def test_an_empty_record_is_not_complete(desk, small_test, tmp_path):
    folder = tmp_path / "E-1"
    folder.mkdir()
    shutil.copy(small_test / "above.mp4", folder)
    page = desk().page(ready=False)
    page.get_by_label("Folder of the test").fill(str(folder))
    page.keyboard.press("Enter")
    page.get_by_role("button", name="New test from 1 film").click()
    page.get_by_label("Test number").fill("E-1")
    page.keyboard.press("Enter")
    needed = page.locator(".problems")
    needed.get_by_text("surveyed fixed targets").first.wait_for()
    needed.get_by_text("Vehicle truck: surveyed markers").wait_for()
    assert not page.get_by_text("Nothing is missing").count()
    page.locator("nav").get_by_role("button", name="Films").click()
    page.locator(".clock", has_text="no time zero yet").wait_for()
    page.get_by_role("button", name="Analyse", exact=True).click()
    question = page.get_by_role("dialog", name="Still needed for an analysis")
    question.get_by_text("Vehicle truck: surveyed markers").wait_for()
    page.keyboard.press("Enter")  # what the dialog begins with leaves it
    question.wait_for(state="hidden")
    assert state(page)["job"]["state"] == "idle"


def test_a_check_that_comes_late_interrupts_nobody(desk, analysed, tmp_path):
    page = desk(own_copy(analysed, tmp_path)).page()
    held = []
    page.route("**/check", lambda route: held.append(route))
    page.keyboard.press("Shift+K")
    until(page, lambda: held)
    page.keyboard.press("1")
    field, before = page.locator('[id="f-test.title"]'), state(page)["hash"]
    field.fill("Another title")
    field.press("Tab")
    saved(page, before)
    held[0].continue_()
    shown_status(page, "check it again")
    assert not page.locator("dialog").count()


def test_an_error_of_the_first_page_stands_at_its_field_and_goes_with_its_cause(desk, small_test):
    page = desk().page(ready=False)
    page.wait_for_function("() => document.getElementById('folder')?.value")
    field = page.get_by_label("Folder of the test")
    field.fill(str(small_test / "nowhere"))
    page.keyboard.press("Enter")
    wrong = page.locator(".start .wrong")
    wrong.filter(has_text="nowhere").wait_for()
    field.fill(str(small_test))
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Open this test").wait_for()
    assert wrong.inner_text() == ""


@pytest.mark.parametrize(
    ("text", "reported"),
    [
        ("roof8 1 2", "has spaces"),
        ("roof8, 1, 2, 3\nroof8, 2, 2, 3", "there twice"),
        ("roof8, 1, two, 3", "not a length"),
        ("roof1, 1, 2, 3", "in the record already"),
    ],
)
def test_rows_that_can_not_be_meant_so_are_refused_or_questioned(desk, analysed, text, reported):
    before = (analysed / "record.toml").read_bytes()
    page = desk(analysed).page()
    page.keyboard.press("1")
    page.get_by_role("button", name="Add rows").first.click()
    page.get_by_role("textbox", name="Rows", exact=True).fill(text)
    page.get_by_role("button", name="Add", exact=True).click()
    page.locator("dialog .wrong", has_text=reported).wait_for()
    assert (analysed / "record.toml").read_bytes() == before


def test_keys_begin_at_the_mark_and_a_correction_shows_at_once(desk, analysed, tmp_path):
    folder = own_copy(analysed, tmp_path)
    page = desk(folder).page()
    begun(page)
    page.keyboard.press("Control+ArrowRight")
    assert frame(page) == FRAMES - 1
    while state(page)["mark"] != "car.roof3":
        page.keyboard.press("j")
    page.keyboard.press("c")
    page.keyboard.press("d")
    before = state(page)["hash"]
    page.keyboard.press("Alt+Enter")
    saved(page, before)
    (edit,) = tomllib.loads((folder / "record.toml").read_text())["cameras"]["above"]["edits"]
    u, v = marker("roof3", FRAMES - 1)
    assert np.allclose(edit["pixel"], [u + 1, v], atol=0.5)
    page.locator('[data-mark="car.roof3"] .state', has_text="corrected").wait_for()


def test_a_place_far_from_the_motion_is_questioned(desk, analysed, tmp_path):
    folder = own_copy(analysed, tmp_path)
    text = (folder / "record.toml").read_text()
    page = desk(folder).page()
    begun(page)
    page.keyboard.press("Control+ArrowRight")
    at = frame(page)
    while state(page)["mark"] != "car.roof3":
        page.keyboard.press("j")
    page.keyboard.press("c")
    u, v = marker("roof3", at)
    click_unsnapped(page, (u + 60, v - 40))
    page.get_by_role("dialog").get_by_text("px from where the solved motion").wait_for()
    page.get_by_role("button", name="Leave").click()
    page.wait_for_function("() => !document.querySelector('dialog')")
    assert (folder / "record.toml").read_text() == text


def test_a_line_on_the_picture_has_its_length_on_the_ground(desk, analysed):
    page = desk(analysed).page()
    begun(page)
    while state(page)["mark"] != "survey.g1":
        page.keyboard.press("j")
    page.get_by_role("button", name="Length", exact=True).click()
    ends = [pixel(*FIXED[name]) for name in ("g1", "g2")]
    page.mouse.move(*on_page(page, ends[0]))
    page.mouse.down()
    page.mouse.move(*on_page(page, ends[1]), steps=4)
    page.mouse.up()
    shown_status(page, "level, through survey.g1")
    text = page.locator("#status").inner_text()
    length, u = map(float, re.search(r"([\d.]+) ± ([\d.]+) m,", text).groups())
    truth = np.hypot(*np.subtract(FIXED["g2"], FIXED["g1"]))
    assert abs(length - truth) < 3 * u
    assert 0.01 < u < 0.05  # half a pixel at each end is 14 mm on the ground


def test_a_mark_has_a_table_frame_by_frame(desk, analysed):
    page = desk(analysed).page()
    begun(page)
    while state(page)["mark"] != "car.roof3":
        page.keyboard.press("j")
    page.get_by_role("button", name="Frame by frame").click()
    rows = page.get_by_role("dialog").locator("tbody tr")
    assert rows.count() == FRAMES
    cells = rows.nth(20).locator("td").all_inner_texts()
    assert np.allclose([float(x) for x in cells[1:3]], marker("roof3", 20), atol=0.1)
    rows.nth(20).get_by_role("button").click()
    assert frame(page) == 20


def test_one_pixel_can_not_serve_two_marks(desk, analysed, tmp_path):
    folder = own_copy(analysed, tmp_path)
    page = desk(folder).page()
    begun(page)
    page.keyboard.press("Alt+ArrowLeft")
    assert frame(page) == 0
    text = (folder / "record.toml").read_text()
    while state(page)["mark"] != "car.roof3":
        page.keyboard.press("j")
    page.keyboard.press("p")
    pick = tomllib.loads(text)["cameras"]["above"]["picks"]["car.roof2"]["pixel"]
    click_unsnapped(page, pick)
    shown_status(page, "one pixel can't serve two marks")
    assert (folder / "record.toml").read_text() == text


def test_readings_are_k_1_as_in_the_verdicts_and_a_plot_gives_its_values(desk, analysed):
    page = desk(analysed).page()
    page.keyboard.press("3")
    box = page.locator("figure.plotbox").filter(has_text="Velocity along x").first
    box.get_by_text("± k = 1").wait_for()
    with page.expect_download() as got:
        box.get_by_role("button", name="CSV").click()
    with got.value.path().open(encoding="utf-8") as file:
        table = [[float(cell) for cell in row[1:]] for row in list(csv.reader(file))[1:] if row[3]]
    page.wait_for_function("() => /±/.test(document.querySelector('.plothead .here')?.innerText)")
    time = page.evaluate("window.impactfilm.state().time")
    value, u = next(row[1:] for row in table if abs(row[0] - time) < 1e-3)
    shown_value, shown_u = map(
        float, re.findall(r"-?[\d.]+", box.locator(".here").inner_text())[:2]
    )
    assert shown_u == pytest.approx(u, rel=0.1)
    assert shown_value == pytest.approx(value, abs=2 * shown_u)


def test_a_zoom_is_shown_and_taken_back(desk, analysed):
    page = desk(analysed).page()
    page.keyboard.press("3")
    box = page.locator("figure.plotbox .u-over").first
    box.wait_for()
    assert page.locator(".zoomed", has_text="show all").count() == 0
    at = box.bounding_box()
    page.mouse.move(at["x"] + 0.3 * at["width"], at["y"] + 30)
    page.mouse.down()
    page.mouse.move(at["x"] + 0.6 * at["width"], at["y"] + 30, steps=4)
    page.mouse.up()
    buttons = page.locator(".zoomed:visible", has_text="show all")
    buttons.nth(1).wait_for()
    buttons.first.click()
    buttons.first.wait_for(state="hidden")


def test_back_and_forward_go_through_the_views(desk, analysed):
    page = desk(analysed).page()
    page.keyboard.press("5")
    page.locator(".verdicts").first.wait_for()
    page.keyboard.press("6")
    page.locator(".report").first.wait_for()
    page.go_back()
    page.locator(".verdicts").first.wait_for()
    page.go_back()
    shown(page)
    page.go_forward()
    page.locator(".verdicts").first.wait_for()


def test_help_says_what_each_view_is_for(desk, analysed):
    page = desk(analysed).page()
    texts = set()
    for key in "123456":
        page.keyboard.press(key)
        page.keyboard.press("?")
        box = page.get_by_role("dialog", name="Help")
        texts.add(box.locator("p").first.inner_text())
        box.get_by_role("button", name="Close").click()
        box.wait_for(state="detached")
    assert len(texts) == 6


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [(1366, 768), (1920, 1080)])
def test_every_view_is_legible_named_and_fits(desk, analysed, scheme, size):
    page = desk(analysed).page()
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.emulate_media(color_scheme=scheme)
    for key in "123456":
        page.keyboard.press(key)
        page.wait_for_timeout(400)
        assert page.evaluate(CONTRAST) == [], key
        assert page.evaluate(UNNAMED) == [], key
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), key
