"""Photographs every view of the workbench, and the report's first page, for the documentation.

Run by hand: python tests/take_pictures.py FOLDER [OUT]. FOLDER holds an analysed test; OUT defaults
to docs/pictures/.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from tests.support.browser_page import ARGUMENTS, Desk, shown

HERE = Path(__file__).parent

SIZES = {"laptop": (1366, 768), "large": (1920, 1080)}
VIEWS = ("setup", "films", "motion", "calibration", "verdicts", "report")
FILMS = ("films", "motion", "close-up", "keys", "check")
CHOSEN = "car.roof1"
SETTLE = 1200  # ms


def take(page: Page, out: Path, name: str) -> None:
    page.wait_for_timeout(SETTLE)
    path = out / f"workbench-{name}.png"
    page.screenshot(path=path)
    if not any(film in name for film in FILMS):  # a palette would spoil a film's greys
        small = Image.open(path).convert("RGB").quantize(256, method=Image.Quantize.MAXCOVERAGE)
        small.save(path, optimize=True)


def views(page: Page, out: Path, ending: str) -> None:
    """Every view, with a mark chosen and a moment after contact shown."""
    page.locator(".count").first.wait_for()
    for number, view in enumerate(VIEWS, 1):
        page.keyboard.press(str(number))
        if view == "films":
            shown(page)
            page.locator(f'[data-mark="{CHOSEN}"]').click()
            page.locator("canvas[data-camera]").first.focus()
            page.keyboard.press("0")
            for _ in range(3):
                page.keyboard.press("Shift+ArrowRight")
            shown(page)
        take(page, out, f"{view}-{ending}")


def closer(page: Page, out: Path) -> None:
    """A mark close up, trails, the keys, the check."""
    page.keyboard.press("2")
    shown(page)
    page.keyboard.press("g")
    page.keyboard.press("+")
    page.get_by_label("Trails").check()
    page.locator("canvas[data-camera]").first.focus()
    take(page, out, "close-up")
    page.get_by_label("Trails").uncheck()
    page.keyboard.press("f")
    page.keyboard.press("?")
    take(page, out, "keys")
    page.keyboard.press("Escape")
    page.keyboard.press("K")
    page.locator("dialog").wait_for()
    take(page, out, "check")
    page.keyboard.press("Escape")


def first_page(report: Path, out: Path) -> None:
    """The first page of the report as a picture (poppler-utils)."""
    command = ["pdftoppm", "-r", "110", "-f", "1", "-l", "1", "-singlefile", "-png"]
    subprocess.run([*command, report, out / "report-summary"], check=True)


def main() -> None:
    out = Path(sys.argv[2]) if len(sys.argv) > 2 else HERE.parent / "docs" / "pictures"
    out.mkdir(parents=True, exist_ok=True)
    first_page(Path(sys.argv[1]) / "results" / "report.pdf", out)
    with tempfile.TemporaryDirectory() as place, sync_playwright() as play:
        folder = Path(place) / "tests" / "demo"
        shutil.copytree(sys.argv[1], folder, ignore=shutil.ignore_patterns(".impactfilm"))
        home = {**os.environ, "HOME": place, "XDG_CONFIG_HOME": place, "XDG_CACHE_HOME": place}
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        with Desk(browser, home, folder, folder.parent) as desk:
            for size, (width, height) in SIZES.items():
                for scheme in ("light", "dark"):
                    page = desk.page()
                    page.set_viewport_size({"width": width, "height": height})
                    page.emulate_media(color_scheme=scheme)
                    views(page, out, f"{size}-{scheme}")
                    if (size, scheme) == ("laptop", "light"):
                        closer(page, out)
                        page.get_by_role("button", name="impactfilm").click()
                        take(page, out, "start")
                    page.close()
        browser.close()


if __name__ == "__main__":
    main()
