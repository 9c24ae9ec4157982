"""A new user's first test: from films to report in a real browser, by clicks and keys only.

Run by hand: python tests/bench/first_job.py FOLDER [--mistakes]. FOLDER is what `impactfilm
demo` leaves: its films and accelerometer file are copied, what stands in its record is typed in
as from a survey sheet, every mark is clicked where the record's rough picks are. The numbers that
come out are printed beside the truth and beside FOLDER's own results. With --mistakes one target's
coordinate is typed in mm without saying so and two picks are exchanged: what the page says of it
before the analysis is printed.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
import time
import tomllib
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.support.browser_page import (
    ARGUMENTS,
    Desk,
    analysed,
    click_at,
    on_page,
    saved,
    shown,
    state,
)
from tracker.demo import load_truth

NUMBERS = {
    "car.impact_speed": ("car", "impact_speed"),
    "car.oiv_x": ("car", "occupant", "film", "oiv_x"),
    "car.ridedown_x": ("car", "occupant", "film", "ridedown_x"),
    "car.min_pitch": ("car", "min_pitch"),
    "truck.travel_x": ("truck", "travel_x"),
}


class Person:
    """Types, clicks and waits for what the page says."""

    def __init__(self, page) -> None:
        self.page = page
        self.acts = 0

    def field(self, key: str, text: str) -> None:
        """Fill in a field of the form."""
        before, self.acts = state(self.page)["hash"], self.acts + 1
        field = self.page.locator(f'[id="f-{key}"]')
        if field.evaluate("e => e.tagName") == "SELECT":
            field.select_option(text)
        else:
            field.fill(text)
            field.press("Tab")
        saved(self.page, before)

    def rows(self, part: str, number: int, text: str) -> None:
        """Add rows to a table of a part of the form, as from a spreadsheet."""
        before, self.acts = state(self.page)["hash"], self.acts + 1
        place = self.page.locator(f'[id="{part}"]')
        place.get_by_role("button", name="Add rows").nth(number).click()
        self.page.get_by_role("textbox", name="Rows", exact=True).fill(text)
        self.page.get_by_role("button", name="Add", exact=True).click()
        saved(self.page, before)

    def begin(self, button: str, name: str | None = None) -> None:
        """Press a button that adds a part to the form."""
        before, self.acts = state(self.page)["hash"], self.acts + 1
        self.page.get_by_role("button", name=button, exact=True).click()
        if name is not None:
            self.page.get_by_label("Name", exact=True).fill(name)
            self.page.keyboard.press("Enter")
        saved(self.page, before)

    def point(self, camera: str, places: dict[str, tuple[list[float], int]]) -> None:
        """Click every mark that this camera sees; leave the others out."""
        self.page.locator(f'canvas[data-camera="{camera}"]').focus()
        self.page.keyboard.press("Alt+ArrowLeft")
        shown(self.page)
        self.page.keyboard.press("o")
        while (asked := state(self.page)["task"]) is not None:
            self.acts += 1
            if asked in places:
                pixel, frame = places[asked]
                while state(self.page)["frame"][camera] < frame:
                    self.page.keyboard.press("ArrowRight")
                before = state(self.page)["hash"]
                click_at(self.page, pixel, camera)
                saved(self.page, before)
            else:
                self.page.keyboard.press("n")
            self.page.wait_for_function("(m) => window.impactfilm.state().task !== m", arg=asked)

    def flash(self, camera: str, region: list[int]) -> None:
        """Drag over the place that the flash lights up."""
        before, self.acts = state(self.page)["hash"], self.acts + 1
        self.page.locator(f'canvas[data-camera="{camera}"]').focus()
        self.page.get_by_role("button", name="Flash").click()
        u, v, width, height = region
        x, y = on_page(self.page, (u, v), camera)
        a, b = on_page(self.page, (u + width, v + height), camera)
        self.page.mouse.move(x, y)
        self.page.mouse.down()
        self.page.mouse.move(a, b, steps=4)
        self.page.mouse.up()
        saved(self.page, before)


def marks(table: dict) -> str:
    return "\n".join(
        "\t".join([name, *mark.get("at", ["", "", ""]), mark["pattern"], mark.get("size", "")])
        for name, mark in table.items()
    )


def comma(values: list) -> str:
    return ", ".join(str(value) for value in values)


def fill_in(person: Person, record: dict) -> None:
    """The whole form."""
    for key in ("title", "criteria", "report_units"):
        person.field(f"test.{key}", record["test"][key])
    for key, text in record["test"]["intended"].items():
        person.field(f"test.intended.{key}", text)
    for name, vehicle in record["vehicles"].items():
        # The form begins with a striking car and a struck truck.
        person.field(f"vehicles.{name}.mass", vehicle["mass"])
        person.field(f"vehicles.{name}.cg", comma(vehicle["cg"]))
        person.rows(f"s-vehicle-{name}", 0, marks(vehicle["markers"]))
    for name, camera in record["cameras"].items():
        at = f"cameras.{name}"
        for key in ("frame_rate", "exposure"):
            person.field(f"{at}.{key}", camera[key])
        person.field(f"{at}.position", comma(camera["position"]))
        (fx, _, cx), (_, fy, cy), _ = camera["lens"]["camera_matrix"]
        person.field(f"{at}.lens.camera_matrix", comma([fx, fy, cx, cy]))
        person.field(f"{at}.lens.distortion", comma(camera["lens"]["distortion"]))
        person.rows(f"s-camera-{name}", 0, marks(camera["survey"]))
    (sensor,) = record["accelerometers"]
    person.begin("Add accelerometers")
    person.field("accelerometers[1].vehicle", sensor["vehicle"])
    person.field("accelerometers[1].at", comma(sensor["at"]))
    person.field("accelerometers[1].file", sensor["file"])
    for key in ("column", "unit"):
        person.field(f"accelerometers[1].time.{key}", sensor["time"][key])
    for channel, column in sensor["channels"].items():
        for key in ("column", "unit"):
            person.field(f"accelerometers[1].channels.{channel}.{key}", column[key])
    person.field("accelerometers[1].full_scale", sensor["full_scale"])


def begin(page, person: Person, new: Path, record: dict) -> None:
    """From the folder of films to a record that can be analysed."""
    page.get_by_label("Folder of the test").fill(str(new))
    page.keyboard.press("Enter")
    page.get_by_role("button", name="New test from 2 films").click()
    page.get_by_label("Test number").fill("NEW-1")
    page.keyboard.press("Enter")
    page.locator('[id="f-test.title"]').wait_for()
    fill_in(person, record)
    page.keyboard.press("Escape")
    page.locator("nav").get_by_role("button", name="Films").click()
    shown(page)
    for name, camera in record["cameras"].items():
        places = {mark: (p["pixel"], p["frame"]) for mark, p in camera["picks"].items()}
        places |= {f"survey.{n}": (t["pixel"], t["frame"]) for n, t in camera["survey"].items()}
        person.point(name, places)
        person.flash(name, camera["time"]["flash_region"])


def work(page, person: Person, new: Path, record: dict) -> None:
    begin(page, person, new, record)
    assert state(page)["errors"] == [], state(page)["errors"]
    page.locator("canvas[data-camera]").first.focus()
    page.keyboard.press("r")
    analysed(page)
    page.keyboard.press("6")
    page.frame_locator("iframe").get_by_text("Test NEW-1").first.wait_for()
    with page.expect_download() as got:
        page.get_by_role("link", name="Report (PDF)").click()
    assert got.value.path().read_bytes().startswith(b"%PDF")


def reported(page, person: Person, new: Path, record: dict) -> None:
    """What the page says before the analysis of two slips of a tired person: a coordinate in mm
    for m, which is then mended, and two marks taken for each other.
    """
    name, camera = next(iter(record["cameras"].items()))
    target, entry = next(iter(camera["survey"].items()))
    right = list(entry["at"])
    entry["at"][0] = f"{1000 * float(right[0].removesuffix(' m')):g} m"
    first, second = list(camera["picks"])[:2]
    picks = camera["picks"]
    picks[first], picks[second] = picks[second], picks[first]
    begin(page, person, new, record)
    print(f"{target} in mm, {first} and {second} exchanged:")
    checked(page)
    page.keyboard.press("1")
    person.field(f"cameras.{name}.survey.{target}.at", comma(right))
    page.keyboard.press("Escape")
    page.locator("nav").get_by_role("button", name="Films").click()
    shown(page)
    print(f"{target} mended:")
    checked(page)


def checked(page) -> None:
    """Print what Check finds that is not in order."""
    page.keyboard.press("Shift+K")
    answer = page.locator("dialog tbody tr").first.or_(page.locator("#status.bad"))
    answer.first.wait_for()
    print("   ", page.locator("#status").inner_text())
    for row in page.locator("dialog tbody tr").all():
        text = " | ".join(row.locator("td").all_inner_texts())
        if not text.startswith("✓"):
            print("   ", text)
    page.keyboard.press("Escape")


def number(results: dict, path: tuple[str, ...]) -> dict:
    here = results["vehicles"]
    for part in path:
        here = here[part]
    return here


def main() -> None:
    folder, spoilt = Path(sys.argv[1]), "--mistakes" in sys.argv
    record = tomllib.loads((folder / "record.toml").read_text("utf-8"))
    truth = load_truth(folder).headline
    with tempfile.TemporaryDirectory() as place, sync_playwright() as play:
        new = Path(place) / "NEW-1"
        new.mkdir()
        for file in [*folder.glob("*.mp4"), *folder.glob("*.csv")]:
            shutil.copy(file, new)
        home = {**os.environ, "XDG_CONFIG_HOME": place, "XDG_CACHE_HOME": f"{place}/cache"}
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        began = time.perf_counter()
        with Desk(browser, home) as desk:
            page = desk.page(ready=False)
            page.set_default_timeout(1_800_000)  # a slow machine is no failure
            person = Person(page)
            (reported if spoilt else work)(page, person, new, record)
            took = time.perf_counter() - began
        browser.close()
        if spoilt:
            print(f"{person.acts} acts, {took:.0f} s")
            return
        found = json.loads((new / "results" / "results.json").read_text("utf-8"))
    own = folder / "results" / "results.json"
    before = json.loads(own.read_text("utf-8")) if own.is_file() else None
    print(f"from films to report: {person.acts} acts, {took:.0f} s, page silent")
    for name, path in NUMBERS.items():
        it = number(found, path)
        line = f"{name:<18} {it['value']:10.4f}  u {it['u']:.4f}  truth {truth[name]:.4f}"
        if before is not None:
            line += f"  from the record {number(before, path)['value']:.4f}"
        print(line)


if __name__ == "__main__":
    main()
