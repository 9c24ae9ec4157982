"""Write a file in one go: whole, in place of an earlier one, or not at all."""

from __future__ import annotations

import os
import threading
from pathlib import Path

from calibration.problem import RECORD, Problem


def put(path: Path, content: bytes, *, what: str, remedy: str) -> None:
    """Write `content` beside `path` and move it into place; folders are made where they aren't.

    Raises Problem, saying `what` can't be done and the `remedy`, where that can't be.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.{threading.get_ident()}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        raise Problem(
            f"{what} ({error.strerror})", where=str(path), remedy=remedy, status=RECORD
        ) from None
    finally:
        beside.unlink(missing_ok=True)
