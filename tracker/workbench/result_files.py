"""Files of a results folder for the page: listed, given one by one, packed. No link is followed."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any

from starlette.responses import FileResponse, JSONResponse, Response

from tracker.storage.inside import check_inside, files_inside
from tracker.storage.plain_files import temporary_file
from tracker.workbench.options import WORKBENCH

RESULTS_FOLDER = "results"
SANDBOX = (
    "sandbox allow-same-origin; default-src 'none'; img-src 'self' data:; style-src 'self' "
    "'unsafe-inline'; font-src data:; media-src 'self'"
)
"""Content-Security-Policy of such files: their scripts don't run, nothing is loaded."""


def listing(folder: Path) -> list[dict[str, Any]]:
    """Path and size of each file of a results folder."""
    return [{"path": name, "bytes": status.st_size} for name, status in files_inside(folder)]


def file_response(home: Path, name: str, is_saved: bool) -> Response:
    """A file of a test's results; 404 where there is none inside."""
    try:
        check_inside(home, f"{RESULTS_FOLDER}/{name}")
    except (OSError, ValueError):
        return JSONResponse({"what": "there is no such file"}, status_code=404)
    path = home / RESULTS_FOLDER / name
    response = FileResponse(path, filename=path.name if is_saved else None)
    response.headers["Content-Security-Policy"] = SANDBOX
    return response


def pack_folder(folder: Path) -> Path:
    """A temporary zip file of all files of a results folder; whoever asks removes it."""
    with temporary_file(suffix=".zip") as file:
        try:
            with zipfile.ZipFile(
                file,
                "w",
                zipfile.ZIP_DEFLATED,
                compresslevel=WORKBENCH.zip_level,
                strict_timestamps=False,
            ) as archive:
                for name, _ in files_inside(folder):
                    archive.write(folder / name, name)
        except BaseException:
            Path(file.name).unlink(missing_ok=True)
            raise
    return Path(file.name)
