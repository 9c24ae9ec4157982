"""How soon a frame stands on the screen: steps forward, backward and at random through a film of
2,000 frames of 1280 x 1024 (H.264, a frame that stands by itself every 40).

Run by hand: python tests/bench/workbench.py [FRAMES [STEPS]]. A step is timed in the page, from the
wish to the first animation frame after the right frame was drawn; which frame is on the screen is
read from a code painted into its picture.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from playwright.sync_api import sync_playwright

from tests.support.browser_page import ARGUMENTS, Desk, shown

SIZE, BITS, SQUARE = (1280, 1024), 11, 16

STEP = """async ([frame, bits, square]) => {
  const pane = window.impactfilm.panes().find((p) => p.camera === "long");
  const read = () => { let code = 0; const d = pane.paint.getImageData(0, 8, bits * square, 1).data;
    for (let b = 0; b < bits; b++) if (d[4 * (b * square + 8)] > 128) code |= 1 << b; return code; };
  const start = performance.now();
  window.impactfilm.showFrame("long", frame);
  return await new Promise((done) => { const look = () => {
    if (pane.shown === frame && read() === frame) requestAnimationFrame(() => done(performance.now() - start));
    else if (performance.now() - start > 20000) done(-1); else requestAnimationFrame(look); };
    look(); });
}"""  # noqa: E501


def write_film(path: Path, frames: int) -> None:
    rng = np.random.default_rng(3)
    base = np.clip(rng.normal(100, 12, SIZE[::-1]), 40, 200)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=1000)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.options = {"crf": "18", "preset": "ultrafast", "g": "40"}
        neutral = np.full((SIZE[1] // 2, SIZE[0]), 128, np.uint8)
        for index in range(frames):
            grey = np.roll(base, 2 * index, axis=1).astype(np.uint8)
            for bit in range(BITS):
                grey[:16, bit * SQUARE : (bit + 1) * SQUARE] = 235 if index >> bit & 1 else 16
            image = av.VideoFrame.from_ndarray(np.concatenate([grey, neutral]), format="yuv420p")
            image.pts, image.time_base = index, Fraction(1, 1000)
            container.mux(stream.encode(image))
        container.mux(stream.encode(None))


def reported(name: str, times: list[float]) -> None:
    lost = sum(t < 0 for t in times)
    found = [t for t in times if t >= 0]
    middle, high = np.percentile(found, [50, 95])
    line = f"{name:<26} median {middle:6.1f} ms   p95 {high:6.1f} ms   max {max(found):6.1f} ms"
    print(f"{line}   lost {lost}")


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    steps = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    with tempfile.TemporaryDirectory() as place, sync_playwright() as play:
        folder = Path(place)
        write_film(folder / "long.mp4", frames)
        record = 'schema = 1\n[test]\nnumber = "L-1"\n[vehicles.car]\n[cameras.long]\nfilm = "long.mp4"\n'  # noqa: E501
        (folder / "record.toml").write_text(record)
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        home = {**os.environ, "XDG_CONFIG_HOME": str(folder / "c")}
        called = time.perf_counter()
        with Desk(browser, home, folder) as desk:
            started = time.perf_counter()
            print(f"from the command to the address: {started - called:.2f} s")
            page = desk.page(ready=False)
            page.keyboard.press("2")
            shown(page)
            shows = time.perf_counter()
            print(f"from the address to the first of {frames} frames: {shows - started:.2f} s")
            rng = np.random.default_rng(1)
            runs = {
                "forward, copy under way": list(range(1, steps + 1)),
                "backward, copy under way": list(range(steps, 0, -1)),
                "at random, copy under way": rng.integers(0, frames, steps).tolist(),
            }
            for name, wanted in runs.items():
                reported(name, [page.evaluate(STEP, [i, BITS, SQUARE]) for i in wanted])
            page.wait_for_timeout(20_000)
            again = rng.integers(0, frames, steps).tolist()
            reported(
                "at random, copy made", [page.evaluate(STEP, [i, BITS, SQUARE]) for i in again]
            )
        browser.close()


if __name__ == "__main__":
    main()
