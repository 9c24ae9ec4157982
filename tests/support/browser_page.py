"""A served workbench and the pages on it, for tests in a real browser."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENCE = 180_000  # ms; a slow machine is no failure


class Desk:
    """`impactfilm open` in a process of its own, and the browser's pages on it."""

    def __init__(self, browser, home, place: Path | None = None, at: Path | None = None) -> None:
        self.browser, self.home, self.place, self.at = browser, home, place, at
        self.wrong: list[str] = []
        self.pages: list = []
        self.pages_may_complain = False

    def __enter__(self) -> Desk:
        command = [sys.executable, "-m", "tracker.cli.main", "open", "--no-browser"]
        command += [] if self.place is None else [str(self.place)]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, env=self.home, cwd=self.at
        )
        self.address = self.process.stdout.readline().strip()
        self.context = self.browser.new_context(viewport={"width": 1366, "height": 768})
        return self

    def __exit__(self, *reported) -> None:
        self.context.close()
        with contextlib.suppress(ProcessLookupError):
            self.process.send_signal(signal.SIGINT)
        self.process.wait(30)
        self.process.stdout.close()
        if reported[0] is None:
            assert self.wrong == [], self.wrong

    def crashes(self) -> None:
        """The server is killed without warning; what pages complain of from now on is no fault."""
        self.pages_may_complain = True
        self.process.kill()
        self.process.wait(30)

    def page(self, ready: bool = True):
        """A further page; `ready`: once every film shows a frame."""
        page = self.context.new_page()
        page.set_default_timeout(PATIENCE)
        page.on("console", self._console)
        page.on("pageerror", lambda error: self.wrong.append(f"error in the page: {error}"))
        page.on("request", self._request)
        page.goto(self.address)
        if ready:
            shown(page)
        self.pages.append(page)
        return page

    def _console(self, message) -> None:
        # The browser itself writes a line for each refusal that the page handles.
        refused = "status of 409" in message.text or "status of 422" in message.text
        if message.type in ("error", "warning") and not (refused or self.pages_may_complain):
            self.wrong.append(f"{message.type}: {message.text} {message.location}")

    def _request(self, request) -> None:
        parts = urlsplit(request.url)
        if parts.scheme not in ("data", "blob") and parts.hostname != "127.0.0.1":
            self.wrong.append(f"asked for {request.url}")


def state(page) -> dict:
    return page.evaluate("window.impactfilm.state()")


def shown(page) -> None:
    """Wait until every film shows the frame that it should."""
    page.wait_for_function(
        """() => { const s = window.impactfilm?.state(); const p = Object.entries(s?.panes ?? {});
        return p.length && p.every(([c, x]) => x.shown === s.frame[c] && x.view); }"""
    )


def frame(page, camera: str = "above") -> int:
    shown(page)
    return state(page)["panes"][camera]["shown"]


def on_page(page, pixel, camera: str = "above") -> tuple[float, float]:
    """Where a place of the picture lies on the page."""
    shown(page)
    found = page.evaluate(
        """([c, u, v]) => { const box = document.querySelector(`canvas[data-camera="${c}"]`)
        .getBoundingClientRect(), [x, y] = window.impactfilm.toScreen(c, u, v);
        return [box.x + x, box.y + y]; }""",
        [camera, *map(float, pixel)],
    )
    return tuple(found)


def click_at(page, pixel, camera: str = "above", **given) -> None:
    """Click a place of the picture."""
    page.mouse.click(*on_page(page, pixel, camera), **given)


def shown_status(page, words: str) -> None:
    """Wait until the foot of the page says something."""
    page.locator("#status", has_text=words).wait_for()


def analysed(page) -> None:
    """Wait until the analysis under way has ended well and its numbers are there."""
    page.wait_for_function("() => window.impactfilm.state().job?.state === 'done'")
    page.locator(".jobstate", has_text="Results up to date").wait_for()


def saved(page, before: str) -> None:
    """Wait until the record is another than `before`."""
    page.wait_for_function("(h) => window.impactfilm.state().hash !== h", arg=before)


def until(page, found: Callable[[], object]) -> None:
    """Wait, with the page at work, until `found()` is true."""
    end = time.monotonic() + PATIENCE / 1000
    while not found():
        assert time.monotonic() < end, "it did not come about"
        page.wait_for_timeout(10)


def cell(page, name: str) -> str:
    """The value beside a name in the tables of the verdicts."""
    row = page.locator("tbody tr").filter(has=page.locator("th", has_text=name)).first
    return row.locator("td").first.inner_text()
