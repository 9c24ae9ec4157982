"""The addresses of the workbench: JSON for the page, grey levels of frames, files of results.

What draws plots or fits marks is slow to load and is imported when it is first asked for, so that
the films stand on the screen at once.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from calibration.errors import RECORD, Problem, RecordError
from tracker.record.load import load_record
from tracker.workbench import recent, result_files
from tracker.workbench.arrivals import Arrivals
from tracker.workbench.demonstration import Demonstration
from tracker.workbench.film_process import check_in_process
from tracker.workbench.first_page_routes import first_page_routes
from tracker.workbench.form_words import with_place
from tracker.workbench.guard import Guard
from tracker.workbench.guide import guide_routes
from tracker.workbench.history import Conflict
from tracker.workbench.options import WORKBENCH
from tracker.workbench.pointing_routes import Answer, line_length, mark_centre
from tracker.workbench.request_values import body_of, is_plain_path, text_of, unreadable
from tracker.workbench.session import OpenTest
from tracker.workbench.standby import Standby
from tracker.workbench.tomledit import Change

STATIC = Path(__file__).parent / "static"

FRAME = re.compile("[0-9]{1,12}")


class Workbench:
    """The tests that are open in this process."""

    def __init__(self, start: Path | None = None, copy: bool = True) -> None:
        self.tests: dict[str, OpenTest] = {}
        self.copy = copy
        self.standby = Standby()
        self.demonstration = Demonstration()
        self.arrivals = Arrivals()
        self.first: str | None = None if start is None else self.open(start).id
        self.closing = False

    def open(self, place: Path) -> OpenTest:
        """Open the test of a record or of the folder it lies in."""
        try:
            place = place.expanduser()
            record = place / "record.toml" if place.is_dir() else place
            is_there = record.is_file()
        except (OSError, RuntimeError):  # no name of a file, or no such user
            is_there = False
        if not is_there:
            raise RecordError(
                "there is no record here",
                where=str(place),
                remedy="name a record.toml or its folder, or start a new test",
                status=RECORD,
            )
        test = OpenTest(record, self.standby, self.copy)
        test = self.tests.setdefault(test.id, test)
        _ = test.file.text  # raises if it can't be read
        recent.remember(test.record)
        return test

    def get_ready(self) -> None:
        """Open the films of the first test, while the browser is still on its way to it."""
        if self.first is not None:
            with contextlib.suppress(Problem):  # the page shows it where it belongs
                self.tests[self.first].state()

    def test(self, request: Request) -> OpenTest:
        """The test that a request is about."""
        found = self.tests.get(request.path_params["test"])
        if found is None:
            raise RecordError(
                "this test is not open",
                where="the workbench",
                remedy="open it from the start page",
                status=RECORD,
            )
        return found

    def close(self) -> None:
        """End everything under way."""
        self.closing = True
        for test in self.tests.values():
            test.close()
        self.demonstration.cancel()
        self.arrivals.close()
        self.standby.close()


def make_app(
    bench: Workbench, token: str, hosts: frozenset[str], secret: str | None = None
) -> Guard:
    """The application behind its guard; see `Guard` for `token`, `hosts` and `secret`."""
    t = "/api/test/{test}"
    routes = [
        Route("/", _page),
        *first_page_routes(bench),
        *guide_routes(),
        Route(t, _json_answer(bench, lambda test, request: test.state())),
        Route(f"{t}/events", _events(bench)),
        Route(f"{t}/record", _change(bench), methods=["POST"]),
        Route(f"{t}/fetch", _fetch(bench), methods=["POST"]),
        Route(f"{t}/undo", _step(bench, "undo"), methods=["POST"]),
        Route(f"{t}/redo", _step(bench, "redo"), methods=["POST"]),
        Route(f"{t}/frame/{{camera}}/{{frame}}", _frame(bench)),
        Route(f"{t}/snap", mark_centre(bench.test), methods=["POST"]),
        Route(f"{t}/line", line_length(bench.test), methods=["POST"]),
        Route(f"{t}/check", _json_answer(bench, _check_rows)),
        Route(f"{t}/analyse", _analyse(bench), methods=["POST"]),
        Route(f"{t}/cancel", _cancel(bench), methods=["POST"]),
        Route(f"{t}/results", _json_answer(bench, _summary)),
        Route(f"{t}/motion", _json_answer(bench, _motion)),
        Route(f"{t}/tracks/{{camera}}", _json_answer(bench, _tracks)),
        Route(f"{t}/files", _json_answer(bench, _files)),
        Route(f"{t}/files/{{path:path}}", _file(bench)),
        Route(f"{t}/all.zip", _all(bench)),
        Mount("/static", StaticFiles(directory=STATIC)),
    ]
    handlers: Any = {Problem: _problem, Conflict: _conflict}
    return Guard(Starlette(routes=routes, exception_handlers=handlers), token, hosts, secret)


async def _problem(request: Request, error: Exception) -> Response:
    assert isinstance(error, Problem)
    answer_body = {"what": error.what, "where": error.where, "remedy": error.remedy}
    return JSONResponse(answer_body, status_code=422)


async def _conflict(request: Request, error: Exception) -> Response:
    answer_body = {
        "what": "the record was changed elsewhere since this page read it",
        "where": "record.toml",
        "remedy": "look at the newer record, which is shown now, and repeat the change",
    }
    return JSONResponse(answer_body, status_code=409)


async def _page(request: Request) -> Response:
    return FileResponse(STATIC / "index.html", headers={"Cache-Control": "no-store"})


def _json_answer(bench: Workbench, content: Callable[[OpenTest, Request], Any]) -> Answer:
    """An address that answers with JSON, worked out beside the event loop."""

    async def answer(request: Request) -> Response:
        return JSONResponse(await run_in_threadpool(content, bench.test(request), request))

    return answer


def _events(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        test = bench.test(request)

        async def news() -> AsyncIterator[str]:
            last: object = None
            silence = 0.0
            while not bench.closing and not await request.is_disconnected():
                now = await run_in_threadpool(test.signature)
                if now != last:
                    last, silence = now, 0.0
                    state = {"job": test.running.state, "revision": str(hash(now))}
                    yield f"data: {json.dumps(state)}\n\n"
                elif silence > WORKBENCH.silence:
                    silence = 0.0
                    yield ": still here\n\n"
                await asyncio.sleep(WORKBENCH.event_interval)
                silence += WORKBENCH.event_interval

        return StreamingResponse(news(), media_type="text/event-stream")

    return answer


def _change(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        test, body = bench.test(request), await body_of(request)
        try:
            changes = [Change(tuple(c["path"]), c.get("value")) for c in body["changes"]]
            if not changes or not all(c.path and is_plain_path(c.path) for c in changes):
                raise ValueError
        except (KeyError, TypeError, ValueError):
            raise unreadable() from None
        label = text_of(body, "label")[: WORKBENCH.label_length]
        await run_in_threadpool(test.change, text_of(body, "hash"), label, changes)
        return JSONResponse(await run_in_threadpool(test.state))

    return answer


def _fetch(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        test, body = bench.test(request), await body_of(request)
        test.agree_to_fetch(text_of(body, "address"))
        return JSONResponse(await run_in_threadpool(test.state))

    return answer


def _step(bench: Workbench, way: str) -> Answer:
    async def answer(request: Request) -> Response:
        test, body = bench.test(request), await body_of(request)
        await run_in_threadpool(getattr(test.file, way), text_of(body, "hash"))
        test.bump_revision()
        return JSONResponse(await run_in_threadpool(test.state))

    return answer


def _frame(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        def grey() -> bytes:
            frames = bench.test(request).frames(request.path_params["camera"])
            number = request.path_params["frame"]
            if not FRAME.fullmatch(number):
                raise unreadable()
            return frames.bytes_of(int(number))

        return Response(await run_in_threadpool(grey), media_type="application/octet-stream")

    return answer


def _check_rows(test: OpenTest, request: Request) -> Any:
    return [with_place(row) for row in check_in_process(test.record)]


def _analyse(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        test = bench.test(request)
        await run_in_threadpool(load_record, test.record)  # raises if it can't be analysed
        return JSONResponse({"started": test.running.start()})

    return answer


def _cancel(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        await run_in_threadpool(bench.test(request).running.cancel)
        return JSONResponse({})

    return answer


def _summary(test: OpenTest, request: Request) -> Any:
    from tracker.workbench import payload

    results = test.results()
    return None if results is None else payload.summary(results)


def _motion(test: OpenTest, request: Request) -> Any:
    from tracker.workbench import payload

    results = test.results()
    return {} if results is None else payload.motion_plots(results)


def _tracks(test: OpenTest, request: Request) -> Any:
    from tracker.workbench import payload
    from tracker.workbench.predicted_marks import predicted_pixels

    results, camera = test.results(), request.path_params["camera"]
    if results is None or camera not in results.tracks:
        return {"marks": [], "predicted": {}}
    try:
        predicted = predicted_pixels(load_record(test.record), results, camera)
    except Problem:
        predicted = {}
    return payload.marks_by_frame(results.tracks[camera], predicted)


def _files(test: OpenTest, request: Request) -> Any:
    return result_files.listing(test.results_folder)


def _file(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        test, name = bench.test(request), request.path_params["path"]
        return result_files.file_response(test.folder, name, "save" in request.query_params)

    return answer


def _all(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        test = bench.test(request)
        path = await run_in_threadpool(result_files.pack_folder, test.results_folder)
        name = f"{test.folder.name}-results.zip"
        return FileResponse(path, filename=name, background=BackgroundTask(path.unlink))

    return answer
