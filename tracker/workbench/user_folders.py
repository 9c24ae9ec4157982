"""Where this user's settings and what can be made again lie."""

from __future__ import annotations

from pathlib import Path

from platformdirs import PlatformDirs

NAME = "impactfilm"
_DIRS = PlatformDirs(NAME, appauthor=False)


def settings_folder() -> Path:
    """Where this user's settings lie."""
    return _absolute(Path(_DIRS.user_config_dir), ".config")


def cache_folder() -> Path:
    """Where this user's things that can be made again lie."""
    return _absolute(Path(_DIRS.user_cache_dir), ".cache")


def _absolute(folder: Path, usual: str) -> Path:
    """The folder; a relative one is no setting (XDG Base Directory Specification 0.8)."""
    return folder if folder.is_absolute() else Path.home() / usual / NAME
