"""Whole jobs in a real browser, by clicks and keys only."""

from __future__ import annotations

import shutil
import tomllib

import numpy as np
import pytest

from tests.support.browser_page import analysed as ended
from tests.support.browser_page import (
    cell,
    click_at,
    frame,
    on_page,
    saved,
    shown,
    shown_status,
    state,
    until,
)
from tests.support.small_scene import (
    CAR,
    FIXED,
    FRAMES,
    MARK,
    RATE,
    ROOF,
    SPEED,
    TARGET,
    ZERO,
    marker,
    pixel,
)

pytestmark = pytest.mark.browser


def rows(table: dict[str, tuple[float, float]], height: float, size: float) -> str:
    return "\n".join(f"{n}\t{x}\t{y}\t{height}\tquadrant\t{size}" for n, (x, y) in table.items())


def fill(page, key: str, text: str) -> None:
    """Type into a field of the form and wait until it is saved."""
    field = page.locator(f'[id="f-{key}"]')
    field.wait_for()  # the test may still be on its way
    before = state(page)["hash"]
    field.fill(text)
    field.press("Tab")
    saved(page, before)


def drag(page, start, end, held=None):
    """Press the button at a place of the picture, move, let go."""
    (x, y), (a, b) = on_page(page, start), on_page(page, end)
    if held:
        page.keyboard.down(held)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move((x + a) / 2, (y + b) / 2, steps=3)
    page.mouse.move(a, b, steps=3)
    page.mouse.up()
    if held:
        page.keyboard.up(held)


def quiet(route):
    route.fulfill(status=200, content_type="text/event-stream", body=": nothing new\n\n")


def test_from_a_film_to_the_report_by_clicks_and_keys(desk, small_test, tmp_path):
    folder = tmp_path / "N-7"
    folder.mkdir()
    shutil.copy(small_test / "above.mp4", folder)
    page = desk().page(ready=False)
    page.get_by_label("Folder of the test").fill(str(folder))
    page.keyboard.press("Enter")
    page.get_by_role("button", name="New test from 1 film").click()
    page.get_by_label("Test number").fill("N-7")
    page.get_by_label("A vehicle").select_option("one vehicle alone")
    page.keyboard.press("Enter")

    fill(page, "test.intended.speed", "50 km/h")
    fill(page, "vehicles.car.mass", "1100")
    page.locator('[data-key="vehicles.car.mass"] .wrong', has_text="no unit").wait_for()
    fill(page, "vehicles.car.mass", "1100 kg")
    fill(page, "vehicles.car.cg", "0 m, 0 m, -0.6 m")
    fill(page, "cameras.above.frame_rate", f"{RATE:g} 1/s")
    fill(page, "cameras.above.exposure", "0.1 ms")
    fill(page, "cameras.above.position", "0 m, 0 m, -10 m")
    fill(page, "cameras.above.lens.camera_matrix", "360, 360, 239.5, 159.5")
    for button, text in ((0, rows(CAR, -ROOF, MARK)), (2, rows(FIXED, 0, TARGET))):
        before = state(page)["hash"]
        page.get_by_role("button", name="Add rows").nth(button).click()
        page.get_by_role("textbox", name="Rows", exact=True).fill(text)
        page.get_by_role("button", name="Add", exact=True).click()
        saved(page, before)

    page.keyboard.press("Escape")
    page.locator("nav").get_by_role("button", name="Films").click()
    shown(page)
    page.locator("canvas[data-camera]").focus()
    page.keyboard.press("o")  # point at everything that has no pick, in the order asked for
    places = {f"survey.{n}": pixel(*p) for n, p in FIXED.items()}
    places |= {f"car.{n}": marker(n, 0) for n in CAR}
    for _ in places:
        asked = state(page)["task"]
        before = state(page)["hash"]
        u, v = places[asked]
        click_at(page, (u + 2, v - 1.5))
        saved(page, before)
        page.wait_for_function("(m) => window.impactfilm.state().task !== m", arg=asked)
    for _ in range(ZERO):
        page.keyboard.press("ArrowRight")
    assert frame(page) == ZERO
    before = state(page)["hash"]
    page.keyboard.press("z")
    saved(page, before)
    assert state(page)["errors"] == []

    page.keyboard.press("r")
    ended(page)
    page.keyboard.press("5")
    value, u = (float(x) for x in cell(page, "Impact speed").replace("−", "-").split(" ± "))
    assert abs(value - 3.6 * SPEED) < 4 * u + 0.1
    page.keyboard.press("6")
    report = page.frame_locator("iframe")
    report.get_by_text("Test N-7").first.wait_for()
    with page.expect_download() as got:
        page.get_by_role("link", name="Report (PDF)").click()
    assert got.value.path().read_bytes().startswith(b"%PDF")
    assert (
        tomllib.loads((folder / "record.toml").read_text())["cameras"]["above"]["time"]["zero"]
        == ZERO
    )


def test_a_listing_that_comes_late_leaves_what_is_typed_meanwhile(desk, small_test):
    page, late = desk().page(ready=False), []
    page.wait_for_function("() => document.getElementById('folder')?.value")
    page.route("**/api/folders*", lambda route: late.append(route))
    field = page.get_by_label("Folder of the test")
    page.get_by_role("button", name="up to the folder above").click()
    until(page, lambda: late)
    field.fill(str(small_test))
    with page.expect_response("**/api/folders*"):
        late[0].continue_()
    page.unroute("**/api/folders*")
    page.wait_for_timeout(200)
    assert field.input_value() == str(small_test)
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Open this test").wait_for()


def test_the_first_listing_writes_nothing_into_a_field_about_to_be_typed_in(desk, small_test):
    opened, late = desk(), []
    opened.context.route("**/api/folders*", lambda route: late.append(route))
    page = opened.page(ready=False)
    field = page.get_by_label("Folder of the test")
    field.focus()
    until(page, lambda: late)
    with page.expect_response("**/api/folders*"):
        late[0].continue_()
    opened.context.unroute("**/api/folders*")
    page.get_by_role("button", name="up to the folder above").wait_for()
    page.keyboard.type(str(small_test))
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Open this test").wait_for()
    assert small_test.name in field.input_value()


def test_a_wrong_mark_corrected_changes_the_numbers_and_undo_brings_them_back(
    desk, analysed, tmp_path
):
    folder = tmp_path / "S-1"
    shutil.copytree(analysed, folder)
    text = (folder / "record.toml").read_text()
    page = desk(folder).page()
    page.locator(".jobstate", has_text="Results up to date").wait_for()
    page.keyboard.press("5")
    right = cell(page, "Impact speed").strip()  # padded as wide as its neighbours
    page.keyboard.press("2")
    shown(page)
    page.locator('[data-mark="car.roof1"]').click()
    before = state(page)["hash"]
    page.locator("canvas[data-camera]").focus()
    page.keyboard.press("x")
    page.keyboard.press("End")
    page.keyboard.press("x")  # ruled out over the whole film
    saved(page, before)
    page.locator(".jobstate", has_text="Record changed").wait_for()
    page.keyboard.press("r")
    ended(page)
    page.keyboard.press("5")
    assert cell(page, "Impact speed").strip() != right
    page.keyboard.press("Control+z")
    shown_status(page, "Undone: car.roof1 ruled out in above")
    assert (folder / "record.toml").read_text() == text
    page.keyboard.press("r")
    ended(page)
    assert cell(page, "Impact speed").strip() == right
    log = (folder / "results" / "log.jsonl").read_text()
    assert "car.roof1 ruled out" in log
    assert "undone" in log


def test_this_run_stands_beside_the_run_before(desk, analysed, tmp_path):
    folder = tmp_path / "S-1"
    shutil.copytree(analysed, folder)
    page = desk(folder).page()
    page.locator(".jobstate", has_text="Results up to date").wait_for()
    box = page.get_by_role("region", name="Headline numbers")
    assert box.count() == 0  # nothing has been analysed since the page was opened
    page.keyboard.press("5")
    before = cell(page, "Impact speed")
    page.keyboard.press("2")
    shown(page)
    page.locator('[data-mark="car.roof1"]').click()
    unchanged = state(page)["hash"]
    page.locator("canvas[data-camera]").focus()
    page.keyboard.press("x")
    page.keyboard.press("End")
    page.keyboard.press("x")  # ruled out over the whole film
    saved(page, unchanged)
    page.keyboard.press("r")
    ended(page)
    box.get_by_text("Before and after").wait_for()
    this, last = box.locator("tr", has_text="impact speed").locator("td.number").all_inner_texts()
    assert this != last
    assert last.split(" ± ")[0] in before
    box.get_by_role("button", name="Close").click()
    box.wait_for(state="hidden")


def test_keys_step_through_the_film_and_all_films_follow_one_moment(desk, analysed):
    page = desk(analysed).page()
    page.locator("canvas[data-camera]").focus()
    assert frame(page) == ZERO  # a film opens at time zero where that is known
    steps = [
        ("ArrowRight", ZERO + 1),
        ("Shift+ArrowRight", ZERO + 11),
        ("ArrowLeft", ZERO + 10),
        ("Control+ArrowRight", FRAMES - 1),
        ("0", ZERO),
        ("Alt+ArrowLeft", 0),
    ]
    for key, expected in steps:
        page.keyboard.press(key)
        assert frame(page) == expected
    for _ in range(30):
        page.keyboard.press("ArrowRight")
    assert frame(page) == 30
    # A plot clicked shows its moment: the click is at the plot's last third.
    drawn = "() => document.querySelector('.strip .u-over')?.clientWidth"
    width = page.wait_for_function(drawn).json_value()
    page.locator(".strip .u-over").click(position={"x": width * 0.9, "y": 20})
    page.wait_for_function("() => window.impactfilm.state().frame.above > 33")


def test_films_open_at_a_time_zero_that_only_the_results_know(desk, analysed, tmp_path):
    folder = tmp_path / "S-1"
    shutil.copytree(analysed, folder)
    record = folder / "record.toml"
    text = record.read_text()
    lines = [line for line in text.splitlines() if not line.startswith("zero =")]
    assert len(lines) == len(text.splitlines()) - 1
    record.write_text("\n".join(lines))
    page = desk(folder).page()
    page.wait_for_function("(f) => window.impactfilm.state().panes.above.shown === f", arg=ZERO)
    page.locator("canvas[data-camera]").focus()
    page.keyboard.press("ArrowLeft")
    assert frame(page) == ZERO - 1


def test_a_plot_follows_its_window_and_stays_where_it_is(desk, analysed):
    page = desk(analysed).page()
    height = "() => document.querySelector('.strip .uplot')?.clientHeight"
    before = page.wait_for_function(height).json_value()
    page.evaluate("document.querySelector('.strip .uplot').dataset.mine = 'yes'")
    page.set_viewport_size({"width": 1366, "height": 1000})
    page.wait_for_function(f"(h) => ({height})() > h + 20", arg=before)
    assert page.locator(".strip .uplot[data-mine=yes]").count() == 1


def test_pixels_have_their_centres_at_whole_numbers_at_every_zoom(desk, analysed):
    page = desk(analysed).page()
    page.locator("canvas[data-camera]").focus()
    for key in ("f", "+", "+", "+", "-"):
        page.keyboard.press(key)
        view = state(page)["panes"]["above"]["view"]
        left, top = page.evaluate("() => window.impactfilm.toScreen('above', -0.5, -0.5)")
        assert np.allclose([left, top], [view["x"], view["y"]])
        back = page.evaluate("([x, y]) => window.impactfilm.toImage('above', x, y)", [left, top])
        assert np.allclose(back, [-0.5, -0.5])


def test_an_analysis_can_be_cancelled_and_survives_a_reload(desk, home, analysed, tmp_path):
    folder = tmp_path / "S-1"
    shutil.copytree(analysed, folder)
    results = (folder / "results" / "results.json").read_bytes()
    home["XDG_CACHE_HOME"] = str(tmp_path / "k")  # nothing kept, or it could end before the click
    page = desk(folder).page()
    page.keyboard.press("r")
    page.get_by_role("button", name="Cancel").wait_for()
    page.reload()
    shown(page)
    page.get_by_role("button", name="Cancel").click()
    page.locator(".jobstate", has_text="Cancelled").wait_for()
    assert (folder / "results" / "results.json").read_bytes() == results
    assert [p.name for p in folder.iterdir() if p.name.startswith(".results")] == []


def test_two_pages_on_one_test_do_not_overwrite_each_other(desk, analysed, tmp_path):
    folder = tmp_path / "S-1"
    shutil.copytree(analysed, folder)
    bench = desk(folder)
    one, two = bench.page(), bench.page()
    before = state(two)["hash"]
    one.keyboard.press("1")
    fill(one, "test.title", "Named by one")
    # The other page sees the change by itself, and its own next change builds on it.
    saved(two, before)
    two.keyboard.press("1")
    fill(two, "test.intended.offset", "0.1 m")
    test = tomllib.loads((folder / "record.toml").read_text())["test"]
    assert test["title"] == "Named by one"
    assert test["intended"]["offset"] == "0.1 m"


def test_a_warning_leads_to_the_place_it_is_about(desk, analysed):
    page = desk(analysed).page()
    page.locator(".count").first.wait_for()
    page.keyboard.press("5")
    warning = page.locator(".warnings li button").first
    warning.click()
    page.wait_for_function("() => ['films', 'setup'].includes(window.impactfilm.state().view)")


def test_marks_are_placed_by_keys_alone(desk, analysed, tmp_path):
    folder = tmp_path / "S-1"
    shutil.copytree(analysed, folder)
    page = desk(folder).page()
    page.locator("canvas[data-camera]").focus()
    page.keyboard.press("Control+ArrowRight")
    frame(page)
    while state(page)["mark"] != "car.roof3":
        page.keyboard.press("j")
    page.keyboard.press("c")
    page.keyboard.press("Shift+d")
    page.keyboard.press("s")
    before = state(page)["hash"]
    page.keyboard.press("Alt+Enter")
    saved(page, before)
    edit = tomllib.loads((folder / "record.toml").read_text())["cameras"]["above"]["edits"][0]
    assert edit["mark"] == "car.roof3"
    assert edit["frame"] == FRAMES - 1
    page.keyboard.press("Control+z")
    shown_status(page, "Undone")
    assert "edits" not in (folder / "record.toml").read_text()


def test_a_mark_dragged_is_moved_and_undone_and_moved_again(desk, analysed, tmp_path):
    folder = tmp_path / "S-1"
    shutil.copytree(analysed, folder)
    record = folder / "record.toml"
    text = record.read_text()
    page = desk(folder).page()
    page.locator("canvas[data-camera]").focus()
    page.keyboard.press("Alt+ArrowLeft")
    assert frame(page) == 0  # where the mark is picked
    click_at(page, marker("roof2", 0))
    page.wait_for_function("() => window.impactfilm.state().mark === 'car.roof2'")
    before = state(page)["hash"]
    u, v = marker("roof2", 0)
    drag(page, (u, v), (u + 4, v - 3))
    saved(page, before)
    shown_status(page, "snapped to its centre")
    moved = record.read_text()
    pick = tomllib.loads(moved)["cameras"]["above"]["picks"]["car.roof2"]
    assert np.hypot(pick["pixel"][0] - u, pick["pixel"][1] - v) < 0.1  # back at its centre
    page.keyboard.press("Control+z")
    shown_status(page, "Undone")
    assert record.read_text() == text
    page.keyboard.press("Control+Shift+z")
    shown_status(page, "Done again")
    assert record.read_text() == moved
    for _ in range(3):  # elsewhere in the film the same drag corrects that frame only
        page.keyboard.press("Shift+ArrowRight")
    at = frame(page)
    before = state(page)["hash"]
    drag(page, marker("roof2", at), np.add(marker("roof2", at), (2, 2)), "Alt")
    saved(page, before)
    (edit,) = tomllib.loads(record.read_text())["cameras"]["above"]["edits"]
    assert (edit["mark"], edit["frame"]) == ("car.roof2", at)
    assert np.allclose(edit["pixel"], np.add(marker("roof2", at), (2, 2)), atol=1.5)


def test_the_later_of_two_changes_is_reported_and_overwrites_nothing(desk, analysed, tmp_path):
    folder = tmp_path / "S-1"
    shutil.copytree(analysed, folder)
    bench = desk(folder)
    one = bench.page()
    bench.context.route("**/events", quiet)  # the second page receives nothing
    two = bench.page()
    fresh = state(two)["hash"]
    for page in (one, two):
        page.keyboard.press("1")
    fill(one, "test.title", "The first")
    assert state(two)["hash"] == fresh
    field = two.locator('[id="f-test.title"]')
    field.fill("The second")
    field.press("Tab")
    shown_status(two, "changed elsewhere")
    saved(two, fresh)
    assert tomllib.loads((folder / "record.toml").read_text())["test"]["title"] == "The first"
    assert field.input_value() == "The first"
    fill(two, "test.title", "The second")  # knowing better now
    assert tomllib.loads((folder / "record.toml").read_text())["test"]["title"] == "The second"


def test_after_the_server_died_everything_saved_is_there_and_can_be_undone(
    desk, analysed, tmp_path
):
    folder = tmp_path / "S-1"
    shutil.copytree(analysed, folder)
    record = folder / "record.toml"
    text = record.read_text()
    first = desk(folder)
    page = first.page()
    page.keyboard.press("1")
    fill(page, "test.title", "Before the crash")
    first.crashes()
    shown_status(page, "does not answer; nothing saved is lost")
    page = desk(folder).page()
    page.keyboard.press("1")
    assert page.locator('[id="f-test.title"]').input_value() == "Before the crash"
    page.get_by_role("button", name="Undo").click()
    shown_status(page, "Undone")
    assert record.read_text() == text
