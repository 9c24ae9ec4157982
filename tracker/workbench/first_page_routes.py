"""Addresses of the first page: recent tests and folders, the demonstration, dropped films."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from tracker.core.types import PATTERNS
from tracker.record.schema import CHANNELS, CRITERIA, DECISIONS, DEVICES
from tracker.workbench import arrivals, recent
from tracker.workbench.demo_job import SCENARIOS
from tracker.workbench.first_record import KINDS, write_first_record
from tracker.workbench.form_labels import GROUPS, LABELS
from tracker.workbench.pointing_routes import Answer
from tracker.workbench.request_values import body_of, is_text, text_of, unreadable

if TYPE_CHECKING:
    from tracker.workbench.routes import Workbench
    from tracker.workbench.session import OpenTest

CHOICES = {
    "patterns": list(PATTERNS),
    "criteria": sorted(CRITERIA, key=lambda name: name == "none"),
    "channels": list(CHANNELS),
    "kinds": list(KINDS),
    "devices": [device for device in DEVICES if device != "other"],
    "decisions": [decision for decision in DECISIONS if decision != "guarded"],
    "scenarios": list(SCENARIOS),
    "endings": list(arrivals.ACCEPTED),
    "labels": LABELS,
    "groups": GROUPS,
}
"""What the record may name, as the page's form offers it."""


def first_page_routes(bench: Workbench) -> list[Route]:
    """All of them."""
    return [
        Route("/api/start", _start(bench)),
        Route("/api/folders", _folders),
        Route("/api/open", _open(bench), methods=["POST"]),
        Route("/api/new", _new(bench), methods=["POST"]),
        Route("/api/demo", _demo_state(bench)),
        Route("/api/demo", _demo(bench), methods=["POST"]),
        Route("/api/demo/cancel", _demo_cancel(bench), methods=["POST"]),
        Route("/api/dropped", _find_dropped, methods=["POST"]),
        Route("/api/arrivals", _arrive(bench), methods=["POST"]),
        Route("/api/arrivals/{arrival}", _end_arrival(bench), methods=["POST"]),
        Route("/api/arrivals/{arrival}/{number:int}", _part(bench), methods=["PUT"]),
    ]


async def _folders(request: Request) -> Response:
    at = request.query_params.get("at") or str(Path.cwd())
    if not is_text(at):
        raise unreadable()
    return JSONResponse(await run_in_threadpool(recent.folder_view, Path(at)))


def _start(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        start = {
            "first": bench.first,
            "recent": recent.recent_records(),
            "at": str(Path.cwd()),
            "home": str(Path.home()),
            "choices": CHOICES,
        }
        return JSONResponse(start)

    return answer


def _open(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        body = await body_of(request)
        test = await run_in_threadpool(bench.open, Path(text_of(body, "path")))
        return JSONResponse({"id": test.id})

    return answer


def _new(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        body = await body_of(request)
        folder = Path(text_of(body, "path")).expanduser()
        number, kind = text_of(body, "number"), text_of(body, "kind")
        if kind not in KINDS:
            raise unreadable()

        def make() -> OpenTest:
            recent.folder_view(folder)  # raises if it can't be read
            return bench.open(write_first_record(folder, number, kind))

        return JSONResponse({"id": (await run_in_threadpool(make)).id})

    return answer


def _demo_state(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        return JSONResponse(dict(bench.demonstration.state))

    return answer


def _demo(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        body = await body_of(request)
        place, scenario = text_of(body, "path"), text_of(body, "scenario")
        if scenario not in SCENARIOS:
            raise unreadable()
        started = await run_in_threadpool(bench.demonstration.start, place, scenario)
        return JSONResponse({"started": started})

    return answer


def _demo_cancel(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        await run_in_threadpool(bench.demonstration.cancel)
        return JSONResponse({})

    return answer


async def _find_dropped(request: Request) -> Response:
    """Folders in which the dropped files lie."""
    body = await body_of(request)
    files = arrivals.dropped_files(body.get("files"))
    near = Path(text_of(body, "near")).expanduser()
    found = await run_in_threadpool(arrivals.folders_that_hold, files, near)
    return JSONResponse({"folders": [str(folder) for folder in found]})


def _arrive(bench: Workbench) -> Answer:
    async def answer(request: Request) -> Response:
        body = await body_of(request)
        files = arrivals.dropped_files(body.get("files"))
        place = text_of(body, "path")
        name, arrival = await run_in_threadpool(bench.arrivals.begin, place, files)
        return JSONResponse({"id": name, "at": str(arrival.folder)})

    return answer


def _part(bench: Workbench) -> Answer:
    """One of the files, which arrives as the body of the request."""

    async def answer(request: Request) -> Response:
        arrival = bench.arrivals.of(request.path_params["arrival"])
        file = arrival.file(request.path_params["number"])
        is_whole = False
        try:
            async for part in request.stream():
                await run_in_threadpool(file.write, part)
        except ClientDisconnect:
            pass
        except OSError as error:
            raise arrivals.copy_problem("the film", error) from None
        finally:
            is_whole = await run_in_threadpool(file.close)
        return JSONResponse({"whole": is_whole})

    return answer


def _end_arrival(bench: Workbench) -> Answer:
    """The files are there, or are not wanted any more."""

    async def answer(request: Request) -> Response:
        keep: Any = (await body_of(request)).get("keep")
        name = request.path_params["arrival"]
        folder = await run_in_threadpool(bench.arrivals.end, name, keep is True)
        return JSONResponse({"at": str(folder)})

    return answer
