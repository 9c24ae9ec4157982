"""Processes that begin as copies of one that has loaded what they need, where that can be."""

from __future__ import annotations

import multiprocessing
from functools import cache
from typing import Any

LOADED = ("tracker.workbench.decoder",)
"""Modules that the copied process has loaded."""


@cache
def context() -> Any:
    """How processes begin."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    forking = multiprocessing.get_context("forkserver")
    forking.set_forkserver_preload(list(LOADED))
    return forking


def get_ready() -> None:
    """Start the process that will be copied, without waiting for it."""
    if context().get_start_method() == "forkserver":
        from multiprocessing import forkserver

        forkserver.ensure_running()
