"""What a request says, checked: any program on this machine may have written it."""

from __future__ import annotations

import json
from typing import Any

from starlette.requests import Request

from calibration.errors import RECORD, Problem, RecordError
from tracker.workbench.options import WORKBENCH


async def body_of(request: Request) -> dict[str, Any]:
    """The JSON object of a request, bounded. Raises `Problem` where there is none."""
    data = b""
    async for part in request.stream():
        data += part
        if len(data) > WORKBENCH.body_bytes:
            raise unreadable()
    try:
        body = json.loads(data)
    except (ValueError, RecursionError):
        raise unreadable() from None
    if not isinstance(body, dict):
        raise unreadable()
    return body


def text_of(body: dict[str, Any], key: str) -> str:
    """A text that is not empty. Raises `Problem` where there is none."""
    value = body.get(key)
    if not isinstance(value, str) or not value.strip() or not is_text(value):
        raise unreadable()
    return value


def is_text(value: str) -> bool:
    """Whether a text can be written to files and name them: no NUL, no half of a surrogate pair."""
    return "\0" not in value and value == value.encode("utf-8", "replace").decode()


def is_plain_path(path: tuple[Any, ...]) -> bool:
    """Whether a key path holds names and numbers of entries only."""
    return all(isinstance(p, str) or (isinstance(p, int) and not isinstance(p, bool)) for p in path)


def unreadable() -> Problem:
    """What is answered to a request that no page of ours makes."""
    return RecordError(
        "the request can't be understood",
        where="the workbench",
        remedy="reload the page",
        status=RECORD,
    )
