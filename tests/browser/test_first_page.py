"""The first page: a demonstration by a button, films and folders dropped, the guide."""

from __future__ import annotations

import base64
import json
import shutil
import tomllib

import pytest

from tests.support.browser_page import PATIENCE, shown, shown_status, until

pytestmark = pytest.mark.browser

DROP = """async ([folder, files]) => {
  const data = new DataTransfer(), entry = (name, bytes) => new File([bytes], name);
  const made = files.map(([name, text]) =>
    entry(name, Uint8Array.from(atob(text), (c) => c.charCodeAt(0))));
  made.forEach((file) => data.items.add(file));
  const event = new DragEvent("drop", { dataTransfer: data, bubbles: true, cancelable: true });
  if (folder) {  // scripts can't make a dropped folder: what the page asks of one
    const inside = made.map((file) => ({ isFile: true, file: (done) => done(file) }));
    const of = { isDirectory: true, name: folder, createReader: () => {
      const parts = [inside, []]; return { readEntries: (done) => done(parts.shift()) }; } };
    Object.defineProperty(event, "dataTransfer",
      { value: { items: [{ webkitGetAsEntry: () => of }], files: [] } });
  }
  document.querySelector(".start").dispatchEvent(event);
}"""


def drop(page, files, folder=None):
    page.evaluate(DROP, [folder, [[name, base64.b64encode(data).decode()] for name, data in files]])


@pytest.fixture
def first_page(desk, home, tmp_path, monkeypatch):
    """The first page, which shows `tmp_path`, of a user without recent tests."""
    home |= {"XDG_CONFIG_HOME": str(tmp_path / ".c")}
    page = desk().page(ready=False)
    field = page.get_by_label("Folder of the test")
    page.wait_for_function("() => document.getElementById('folder')?.value")
    field.fill(str(tmp_path))
    page.keyboard.press("Enter")  # what is done next counts for this folder, listed or not yet
    return page


def test_the_demonstration_is_made_and_opened_by_a_button(first_page, tmp_path):
    page = first_page
    (tmp_path / "demo").mkdir()
    page.locator("form.open button").click()
    page.locator(".folders", has_text="demo").wait_for()
    page.get_by_role("button", name="Make the demonstration").click()
    page.keyboard.press("Enter")  # the name that the page proposes is free
    page.locator(".underway", has_text="of 400").wait_for()
    page.set_default_timeout(5 * PATIENCE)  # 800 frames are drawn
    page.locator("#head", has_text="DEMO-1").wait_for()
    shown(page)
    folder = tmp_path / "demo-2"
    assert tomllib.loads((folder / "record.toml").read_text())["cameras"].keys() >= {"side"}
    assert json.loads((folder / "truth" / "truth.json").read_text())
    assert not list((tmp_path / "demo").iterdir())


def test_a_demonstration_that_is_cancelled_leaves_nothing(first_page, tmp_path):
    page = first_page
    page.get_by_role("button", name="Make the demonstration").click()
    page.get_by_role("textbox", name="New folder").fill(str(tmp_path / "d"))
    page.keyboard.press("Enter")
    page.locator(".underway", has_text="of 400").wait_for()
    page.locator(".underway").get_by_role("button", name="Cancel").click()
    shown_status(page, "Cancelled")
    assert not (tmp_path / "d").exists()


def test_a_place_that_is_taken_is_refused(first_page, tmp_path):
    page = first_page
    (tmp_path / "mine").mkdir()
    page.get_by_role("button", name="Make the demonstration").click()
    page.get_by_role("textbox", name="New folder").fill(str(tmp_path / "mine"))
    page.keyboard.press("Enter")
    shown_status(page, "there is something of this name already")


def test_films_that_lie_nearby_are_found_not_copied(first_page, small_test, tmp_path):
    page = first_page
    folder = tmp_path / "T-7"
    folder.mkdir()
    shutil.copy(small_test / "above.mp4", folder)
    drop(page, [("above.mp4", (folder / "above.mp4").read_bytes())])
    page.get_by_role("dialog", name="A new test").wait_for()
    assert [p.name for p in tmp_path.iterdir() if p.name != ".c"] == ["T-7"]
    page.get_by_label("Test number").fill("T-7")
    page.keyboard.press("Enter")
    page.locator(".problems").wait_for()
    assert (folder / "record.toml").is_file()


def test_films_from_elsewhere_are_copied_into_a_folder_that_the_user_names(
    first_page, small_test, tmp_path
):
    page = first_page
    data = (small_test / "above.mp4").read_bytes()
    drop(page, [("above.mp4", data), ("notes.txt", b"no film"), ("car.csv", b"time,ax\n0,0\n")])
    page.get_by_role("textbox", name="New folder").fill(str(tmp_path / "N-1"))
    page.keyboard.press("Enter")
    page.get_by_role("dialog", name="A new test").wait_for()
    there = {p.name: p.read_bytes() for p in (tmp_path / "N-1").iterdir()}
    assert there == {"above.mp4": data, "car.csv": b"time,ax\n0,0\n"}


def test_films_are_chosen_by_keys_as_they_are_dropped(first_page, small_test):
    page = first_page
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name="choose films").focus()
        page.keyboard.press("Enter")
    chooser.value.set_files(small_test / "above.mp4")
    page.get_by_role("dialog", name="Copy into a new folder").get_by_text("above.mp4").wait_for()


def test_a_dropped_folder_is_opened_where_it_lies(first_page, small_test, tmp_path):
    page = first_page
    shutil.copytree(small_test, tmp_path / "S-1")
    files = [
        (p.name, p.read_bytes())
        for p in (tmp_path / "S-1").iterdir()
        if p.suffix in (".toml", ".mp4")
    ]
    drop(page, files, folder="S-1")
    page.get_by_role("button", name="Open this test").click()
    shown(page)


def test_a_test_from_elsewhere_is_not_copied_in_part(first_page, small_test, tmp_path):
    page = first_page
    files = [(p.name, p.read_bytes()) for p in small_test.iterdir() if p.suffix != ".json"]
    drop(page, files, folder="S-9")
    shown_status(page, "type its path")
    assert not [p for p in tmp_path.iterdir() if p.name != ".c"]


def test_the_guide_is_served_whole(first_page):
    page = first_page
    with page.expect_popup() as opened:
        page.get_by_role("link", name="Guide").click()
    guide = opened.value
    guide.set_default_timeout(PATIENCE)
    guide.get_by_role("heading", name="From films to a report").wait_for()
    until(guide, lambda: guide.evaluate("[...document.images].every((i) => i.naturalWidth > 0)"))
    for name in guide.evaluate(
        "[...document.querySelectorAll('nav a, main a')].map((a) => a.href)"
    ):
        if "/guide/" in name:
            answer = guide.goto(name)
            assert answer is None or answer.status == 200, name
            where = name.partition("#")[2]
            assert not where or guide.locator(f'[id="{where}"]').count(), name
