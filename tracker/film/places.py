"""Files, folders, globs and addresses: one way to list them and to open them."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO, Any, cast

from calibration.errors import FilmError
from calibration.files import open_regular
from tracker.film.options import FILM

MOVIE_SUFFIXES = (
    ".mp4",
    ".avi",
    ".mkv",
    ".mov",
    ".m4v",
    ".mxf",
    ".cine",
    ".webm",
    ".mpg",
    ".mpeg",
    ".wmv",
)
"""Endings of files that are taken for movies where a folder is searched for them."""
PICTURES = (".png", ".tif", ".tiff", ".jpg", ".jpeg", ".bmp", ".pgm", ".ppm", ".webp", ".jp2")


def has_scheme(path: str) -> bool:
    """Whether the path is an address such as s3://... (one letter is a drive, not a scheme)."""
    return re.match(r"[A-Za-z][A-Za-z0-9+.-]+://", path) is not None


def is_movie(path: str, where: str) -> bool:
    """Whether the path names one movie file, not a folder or a glob. Raises `FilmError`."""
    if has_scheme(path):
        system, inner = _system(path, where)
        if _is_glob(inner):
            return False
        if inner.lower().endswith(MOVIE_SUFFIXES):
            return True  # over HTTP looking for a folder fetches the whole film
        with _reaching(where):
            return not system.isdir(inner)
    file = Path(path)
    if file.is_dir():
        return False
    if file.is_file():
        return True
    if _is_glob(path):
        return False
    if file.exists():
        raise FilmError(
            "this is no file but a pipe or a device", where=where, remedy="give the film's file"
        )
    raise missing_film(path, where)


def picture_files(path: str, where: str) -> list[str]:
    """The pictures of a folder or glob in natural order: 2 before 10. Raises `FilmError`."""
    if has_scheme(path):
        system, inner = _system(path, where)
        with _reaching(where):
            found = system.glob(inner) if _is_glob(inner) else system.ls(inner, detail=False)
        scheme = path.split("://", 1)[0]
        names = [f"{scheme}://{str(name).lstrip('/')}" for name in found]
    else:
        folder = Path(path)
        if folder.is_dir():
            names = [str(file) for file in folder.iterdir()]
        else:
            # from the first part without wildcards on, so that absolute globs work too
            whole = folder.absolute()
            names = [str(f) for f in Path(whole.anchor).glob(str(whole.relative_to(whole.anchor)))]
    pictures = sorted(_pictures(names), key=natural_key)
    if not pictures:
        raise missing_film(path, where)
    return pictures


def natural_key(name: str) -> list[tuple[int, str]]:
    """A sorting key by which numbers inside names count as numbers."""
    parts = re.split(r"(\d+)", name)
    return [(int(part), "") if part.isdecimal() else (-1, part.lower()) for part in parts]


def open_bytes(path: str, where: str) -> IO[bytes]:
    """The file, open for reading bytes."""
    if has_scheme(path):
        system, inner = _system(path, where)
        with _reaching(where):
            return cast("IO[bytes]", _RemoteFile(system.open(inner, "rb"), where))
    return open_regular(Path(path))


class _RemoteFile:
    """A file at an address, whose own errors become sentences."""

    def __init__(self, file: IO[bytes], where: str) -> None:
        self.file, self.where = file, where

    def read(self, size: int = -1) -> bytes:
        with _reaching(self.where):
            return self.file.read(size)

    def seek(self, offset: int, whence: int = 0) -> int:
        with _reaching(self.where):
            return self.file.seek(offset, whence)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.file, name)

    def __enter__(self) -> _RemoteFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.file.close()


def missing_film(path: str, where: str) -> FilmError:
    """The error for a film that isn't there."""
    folder = _is_glob(path) or Path(path).is_dir()
    what = "there are no pictures there" if folder else "there is no such file"
    return FilmError(what, where=where, remedy="give the film's path")


def too_large_picture(width: int, height: int, where: str) -> FilmError:
    """The error for pictures of more pixels than are read."""
    limit = FILM.largest_pixels / 1e6
    return FilmError(
        f"pictures of {width} x {height} px are not read (limit {limit:.0f} megapixels)",
        where=where,
        remedy="check that this is the film, or crop it to what is needed",
    )


def _pictures(names: Iterable[str]) -> list[str]:
    return [name for name in names if name.lower().endswith(PICTURES)]


def _is_glob(path: str) -> bool:
    return any(sign in path for sign in "*?[")


def _system(path: str, where: str) -> tuple[Any, str]:
    """The file system of an address and the path inside it."""
    try:
        import fsspec  # type: ignore[import-untyped, unused-ignore]
    except ImportError:
        raise FilmError(
            "this address needs the package fsspec",
            where=where,
            remedy="install fsspec, or copy the film to this machine",
        ) from None
    with _reaching(where):
        system, inner = fsspec.url_to_fs(path)
        if not _is_glob(inner) and not system.exists(inner):
            raise missing_film(path, where)
    return system, str(inner)


@contextlib.contextmanager
def _reaching(where: str) -> Iterator[None]:
    """Makes a sentence of whatever goes wrong at an address: each kind has errors of its own."""
    try:
        yield
    except FilmError:
        raise
    except Exception as error:
        raise FilmError(
            f"the address can't be reached ({str(error) or 'the other side hung up'})",
            where=where,
            remedy="check the address, or copy the film to this machine",
        ) from None
