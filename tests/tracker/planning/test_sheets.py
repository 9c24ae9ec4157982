"""Marks to print: true to scale on the paper, whole when the tiles are put together."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest
from matplotlib.backends.backend_pdf import PdfPages

from calibration.errors import Problem
from tests.support.plan_case import planned
from tracker.planning import write_sheets
from tracker.planning.sheets import (
    MARGIN,
    PAPERS,
    Paper,
    Printed,
    mark_sheets,
    marks_to_print,
    sheets_pdf,
    tile,
    tiling,
)
from tracker.report.style import style

DPI = 100
MM = DPI / 25.4
rasterized = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs pdftoppm")


def _pages(content: bytes, folder: Path) -> list[np.ndarray]:
    """Every page in grey at 100 dpi, by a program that has nothing to do with ours."""
    (folder / "in.pdf").write_bytes(content)
    command = ["pdftoppm", "-r", str(DPI), "-gray", "-png", "in.pdf", "page"]
    subprocess.run(command, cwd=folder, check=True, timeout=60)
    return [cv2.imread(str(p), cv2.IMREAD_GRAYSCALE) for p in sorted(folder.glob("page*.png"))]


def _one(mark: Printed, paper: Paper) -> bytes:
    """The sheets of one mark as a PDF."""
    out = io.BytesIO()
    with style(), PdfPages(out) as pages:
        for figure in mark_sheets(mark, paper):
            pages.savefig(figure)
    return out.getvalue()


def _tile(page: np.ndarray, paper: Paper) -> np.ndarray:
    """Darkness (0 to 1) of the part of a page that carries the mark."""
    left, bottom, width, height = tile(paper)
    top = PAPERS[paper][1] - bottom - height
    rows = slice(round(top * MM), round((top + height) * MM))
    return 1 - page[rows, round(left * MM) : round((left + width) * MM)] / 255


def _extent(dark: np.ndarray) -> float:
    """Length from the first to the last dark pixel, mm."""
    return float((np.ptp(np.flatnonzero(dark)) + 1) / MM)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_pages_have_the_size_of_their_paper(paper: Paper) -> None:
    content = _one(Printed("cross", 150.0, ("car.a",)), paper)
    boxes = re.findall(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", content)
    expected = [side / 25.4 * 72 for side in PAPERS[paper]]  # points; ISO 216, ANSI Y14.1
    assert boxes
    for box in boxes:
        assert [float(b) for b in box] == pytest.approx(expected, abs=0.01)


@rasterized
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_printed_disc_and_the_ruler_have_their_true_size(tmp_path: Path, paper: Paper) -> None:
    (page,) = _pages(_one(Printed("disc", 100.0, ("car.a",)), paper), tmp_path)
    assert np.array(page.shape[::-1]) == pytest.approx(np.array(PAPERS[paper]) * MM, abs=1)
    dark = _tile(page, paper)
    assert dark.sum() / MM**2 == pytest.approx(np.pi * 50**2, rel=0.003)
    assert _extent(dark.max(axis=0) > 0.5) == pytest.approx(100, abs=0.4)
    assert _extent(dark.max(axis=1) > 0.5) == pytest.approx(100, abs=0.4)
    bar = 1 - page[round((PAPERS[paper][1] - 18.5) * MM)] / 255
    inked = np.flatnonzero(bar > 0.3)
    assert inked[0] / MM == pytest.approx(MARGIN, abs=0.3)
    assert _extent(bar > 0.3) == pytest.approx(100, abs=0.4)


@rasterized
@pytest.mark.parametrize(
    ("pattern", "area"),
    [
        ("quadrant", np.pi * 0.25 / 2),
        ("disc", np.pi * 0.25),
        ("ring", np.pi * 0.25 * (1 - 0.66**2 + 0.33**2)),
        ("cross", 2 * 0.2 - 0.2**2),
        ("hourglass", 0.5 * np.tan(np.radians(27.5))),
    ],
)
def test_tiles_cut_at_their_marks_make_the_whole(tmp_path: Path, pattern: str, area: float) -> None:
    size = 260.0
    pages = _pages(_one(Printed(pattern, size, ("car.a", "car.b")), "a4"), tmp_path)
    columns, rows = tiling(size, "a4")
    assert (columns, rows) == (2, 2)
    assert len(pages) == 4
    dark = [_tile(page, "a4") for page in pages]
    whole = np.block([dark[:2], dark[2:]])
    # the thin outlines are 1.4 % of the hourglass at 100 dpi
    assert whole.sum() / MM**2 == pytest.approx(area * size**2, rel=0.02)
    centre = (np.array(whole.shape)[::-1] - 1) / 2
    mirrored = whole[::-1, ::-1]  # every pattern looks the same turned by half a turn
    assert np.mean(np.abs(whole - mirrored)) < 0.004
    v, u = np.nonzero(whole > 0.5)
    assert [np.mean(u), np.mean(v)] == pytest.approx(centre, abs=1.5)


def test_each_pattern_and_size_is_printed_once_with_all_its_names(tmp_path: Path) -> None:
    printed = marks_to_print(planned(tmp_path))
    found = {(m.pattern, m.size): m.names for m in printed}
    assert len(found) == len(printed)
    assert found["disc", 200.0] == ("car.roof2", "car.door2", "car.sill2")
    assert set(found["quadrant", 300.0]) >= {"survey.g1", "survey.b4"}


def test_sheets_are_written_on_the_paper_that_the_units_suggest(tmp_path: Path) -> None:
    small = [('size = "0.2 m"', 'size = "0.1 m"'), ('size = "0.3 m"', 'size = "0.1 m"')]
    record = planned(tmp_path, *small, ('size = "0.4 m"', 'size = "0.1 m"'))
    path = write_sheets(record, tmp_path / "out")
    assert path == tmp_path / "out" / "sheets.pdf"
    assert b"/MediaBox [ 0 0 595.27" in path.read_bytes()


def test_a_mark_as_large_as_a_wall_is_refused(tmp_path: Path) -> None:
    record = planned(tmp_path, ('size = "0.4 m"', 'size = "4 m"'))
    with pytest.raises(Problem, match="would take"):
        sheets_pdf(record, "a4")
