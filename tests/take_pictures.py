"""Takes every picture of the documentation: views of the workbench, pages of report and plan.

    python tests/take_pictures.py FOLDER [OUT]

Every view is taken in light colours at 1366 x 768 and in dark ones at 1920 x 1080. FOLDER holds an
analysed demonstration (`impactfilm demo --out FOLDER`); OUT defaults to docs/pictures/. A picture
that a reader could not distinguish from the present one is not written.
"""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from PIL import Image
from playwright.sync_api import Page, sync_playwright

from tests.support.browser_page import ARGUMENTS, Desk, shown

HERE = Path(__file__).parent

SCREENS = (("light", (1366, 768), ""), ("dark", (1920, 1080), "-dark"))
VIEWS = ("setup", "films", "motion", "calibration", "verdicts", "report")
QUALITY = 74
MOST = 2_000_000  # bytes of all pictures
CHOSEN = "car.roof1"
PAUSE = 1200  # ms
WIDTH = 900  # px, of a page of paper
ALIKE = (
    8,
    0.001,
)  # grey levels by which pixels may differ, and the share of those that differ more


def is_alike(old: Image.Image, new: Image.Image) -> bool:
    """Whether a reader sees no difference between two pictures."""
    if old.size != new.size:
        return False
    difference = np.abs(np.asarray(old.convert("RGB"), int) - np.asarray(new.convert("RGB"), int))
    return bool(np.mean(difference.max(axis=-1) > ALIKE[0]) < ALIKE[1])


def keep(picture: Image.Image, path: Path) -> None:
    """Write a picture small, unless the one that is there looks the same."""
    data = io.BytesIO()
    picture.convert("RGB").save(data, "WEBP", quality=QUALITY, method=6)
    if path.exists() and is_alike(Image.open(path), Image.open(data)):
        return
    path.write_bytes(data.getvalue())
    print(f"{path.name}: {len(data.getvalue()) / 1000:.0f} kB")


def take(page: Page, out: Path, name: str) -> None:
    page.wait_for_timeout(PAUSE)
    keep(Image.open(io.BytesIO(page.screenshot())), out / f"workbench-{name}.webp")


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
        take(page, out, f"{view}{ending}")


def closer(page: Page, out: Path) -> None:
    """A mark close up with its trail, and the check before an analysis."""
    page.keyboard.press("2")
    shown(page)
    page.keyboard.press("g")
    page.keyboard.press("+")
    page.get_by_label("Trails").check()
    page.locator("canvas[data-camera]").first.focus()
    take(page, out, "close-up")
    page.get_by_label("Trails").uncheck()
    page.keyboard.press("f")
    page.keyboard.press("K")
    page.locator("dialog").wait_for()
    take(page, out, "check")
    page.keyboard.press("Escape")


def workbench(folder: Path, home: dict[str, str], out: Path) -> None:
    """Every view and the first page on every screen, a mark and the check on one."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        with Desk(browser, home, folder, folder.parent) as desk:
            for scheme, (width, height), ending in SCREENS:
                page = desk.page()
                page.set_viewport_size({"width": width, "height": height})
                page.emulate_media(color_scheme=scheme)
                views(page, out, ending)
                if scheme == "light":
                    closer(page, out)
                page.get_by_role("button", name="impactfilm").click()
                take(page, out, f"start{ending}")
                page.close()
        browser.close()


def paper(document: Path, number: int, path: Path) -> None:
    """A page of a PDF as a picture (poppler-utils)."""
    command = ["pdftoppm", "-r", "150", "-f", str(number), "-l", str(number), "-png"]
    data = subprocess.run([*command, document], check=True, capture_output=True).stdout
    page = Image.open(io.BytesIO(data))
    keep(page.resize((WIDTH, WIDTH * page.height // page.width)), path)


def main() -> None:
    out = Path(sys.argv[2]) if len(sys.argv) > 2 else HERE.parent / "docs" / "pictures"
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "tests" / "demo"
        shutil.copytree(sys.argv[1], folder, ignore=shutil.ignore_patterns(".impactfilm"))
        home = {**os.environ, "HOME": place, "XDG_CONFIG_HOME": place, "XDG_CACHE_HOME": place}
        command = [sys.executable, "-m", "tracker.cli", "plan", folder / "record.toml"]
        subprocess.run(command, check=True, env=home, capture_output=True)
        paper(folder / "results" / "report.pdf", 1, out / "report-summary.webp")
        paper(folder / "plan" / "plan.pdf", 2, out / "plan-view.webp")
        workbench(folder, home, out)
    size = sum(path.stat().st_size for path in out.iterdir())
    print(f"all pictures: {size / 1e6:.2f} MB")
    assert size <= MOST, "too large for the wheel, which holds them for the guide"


if __name__ == "__main__":
    main()
