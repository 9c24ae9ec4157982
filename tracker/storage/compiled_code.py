"""Where the compiler keeps compiled code: a place is found even where nothing of ours is writable.

It keeps code beside the packages or in the user's cache, and raises where it can do neither: a
service's account, a container's user, a worker of a cluster.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from pathlib import Path

PLACE = "NUMBA_CACHE_DIR"
"""The compiler's own variable; what the user has set is left alone. Child processes inherit it."""


def place_compiled_code(package: Path) -> None:
    """Name a place in the temporary folder if neither `package` nor the user's cache is writable.

    The place is private to this user and stays; where it can't be, it goes when the program ends.
    """
    if PLACE in os.environ or _is_writable(package / "__pycache__") or _is_writable(_users_cache()):
        return
    from tracker.storage.private_folder import private_folder

    user = os.getuid() if hasattr(os, "getuid") else "user"
    try:
        temporary = Path(tempfile.gettempdir())
        private = private_folder(temporary, f"impactfilm-{user}", "compiled")
        if private is not None and os.access(private, os.W_OK | os.X_OK):
            os.environ[PLACE] = str(private)
            return
        passing = tempfile.mkdtemp(prefix="impactfilm-")
    except OSError:
        return  # without any temporary folder films can't be read either
    os.environ[PLACE] = passing
    atexit.register(shutil.rmtree, passing, ignore_errors=True)


def _users_cache() -> Path:
    import platformdirs

    return Path(platformdirs.user_cache_dir("numba", appauthor=False))


def _is_writable(folder: Path) -> bool:
    """Whether files can be made in the folder, or the folder itself where it isn't yet."""
    try:
        while not folder.exists() and folder != folder.parent:
            folder = folder.parent
        return folder.is_dir() and os.access(folder, os.W_OK | os.X_OK)
    except OSError:
        return False
