"""Opens the workbench's page without a secret in any command line, which all users can read."""

from __future__ import annotations

import html
import tempfile
import webbrowser
from pathlib import Path

from tracker.storage.private_file import remove, write_private

PAGE = """<!doctype html>
<meta charset="utf-8"><meta name="referrer" content="no-referrer">
<meta http-equiv="refresh" content="0;url={address}"><title>impactfilm</title>
"""


def open_in_browser(address: str) -> Path | None:
    """Open an address that holds a token; gives the file that hands it over, to be removed.

    The file is readable by this user only. It lies in the home folder, not among hidden files: a
    browser that is confined to the user's own files reads no others. None where there is no place
    for it: the address was printed, too.
    """
    page = PAGE.format(address=html.escape(address)).encode()
    for place in (Path.home(), Path(tempfile.gettempdir())):
        try:
            file = write_private(place, "impactfilm-", ".html", page)
        except OSError:
            continue
        if webbrowser.open(file.as_uri()):
            return file
        remove(file)
        return None
    return None
