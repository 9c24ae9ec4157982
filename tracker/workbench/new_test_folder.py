"""The folder that a new test gets: named by the user, where nothing is yet."""

from __future__ import annotations

from pathlib import Path

from calibration.errors import RECORD, RecordError
from tracker.storage.new_folder import make_folder


def new_test_folder(place: str) -> Path:
    """Make the folder. Raises `Problem` where something is there, or nothing can be."""
    try:
        folder = Path(place).expanduser().absolute()
        make_folder(folder)
    except FileExistsError:
        raise RecordError(
            "there is something of this name already",
            where=place,
            remedy="name a folder that is not there yet",
            status=RECORD,
        ) from None
    except (OSError, RuntimeError) as error:
        raise RecordError(
            f"the folder can't be made ({getattr(error, 'strerror', None) or error})",
            where=place,
            remedy="name another place, in a folder that is there and in which you may write",
            status=RECORD,
        ) from None
    return folder
