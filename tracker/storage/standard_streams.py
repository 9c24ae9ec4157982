"""Standard streams that were closed: nothing else may take their numbers."""

from __future__ import annotations

import os
import sys


def fill_standard_streams() -> None:
    """Give the null device to each of input, output and errors that is closed.

    Otherwise the next file or socket opened has its number, and what is printed goes there.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            opened = os.open(os.devnull, os.O_RDWR)
            if opened != number:
                os.dup2(opened, number)
                os.close(opened)
    sys.stdin = sys.stdin or os.fdopen(0, "r", closefd=False)
    sys.stdout = sys.stdout or os.fdopen(1, "w", closefd=False)
    sys.stderr = sys.stderr or os.fdopen(2, "w", closefd=False)
