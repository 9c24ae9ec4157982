"""Addresses that serve a person who points at a film."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable

import numpy as np
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from tracker.core.types import PATTERNS
from tracker.record.load import load_record
from tracker.workbench.request_values import body_of, text_of, unreadable
from tracker.workbench.session import OpenTest

Answer = Callable[[Request], Awaitable[Response]]


def mark_centre(test_of: Callable[[Request], OpenTest]) -> Answer:
    """Answers with the fitted centre of the mark that a person points at."""

    async def answer(request: Request) -> Response:
        test, body = test_of(request), await body_of(request)
        try:
            pixel = (float(body["pixel"][0]), float(body["pixel"][1]))
            frame = int(body["frame"])
        except (KeyError, TypeError, ValueError, IndexError, OverflowError):
            raise unreadable() from None
        if not all(map(math.isfinite, pixel)) or body.get("pattern") not in PATTERNS:
            raise unreadable()
        from tracker.workbench.snap import snap

        words = [text_of(body, key) for key in ("camera", "mark", "pattern")]
        found = await run_in_threadpool(snap, test, words[0], frame, pixel, words[1], words[2])
        return JSONResponse(found)

    return answer


def line_length(test_of: Callable[[Request], OpenTest]) -> Answer:
    """Answers with length and angle of the line that a person draws on a film."""

    async def answer(request: Request) -> Response:
        test, body = test_of(request), await body_of(request)
        try:
            ends = np.array([body["from"], body["to"]], dtype=float)
            frame = int(body["frame"])
        except (KeyError, TypeError, ValueError, OverflowError):
            raise unreadable() from None
        mark = body.get("mark") or ""
        if ends.shape != (2, 2) or not np.isfinite(ends).all() or not isinstance(mark, str):
            raise unreadable()
        camera = text_of(body, "camera")

        def words() -> dict[str, str]:
            from tracker.workbench.picture_length import line_length_words

            record = load_record(test.record)
            return line_length_words(record, test.results(), camera, frame, ends, mark)

        return JSONResponse(await run_in_threadpool(words))

    return answer
