"""Starts the workbench on loopback and opens it in the browser."""

from __future__ import annotations

import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from tracker.workbench.options import WORKBENCH
from tracker.workbench.routes import Workbench, make_app
from tracker.workbench.snap import warm

LOOPBACK = "127.0.0.1"


def open_workbench(
    record: Path | None, port: int, browser: bool, show_address: Callable[[str], None]
) -> None:
    """Serve the workbench until it is interrupted.

    Parameters
    ----------
    record : the test to open first.
    port : on loopback; 0 for any that is free.
    browser : whether to open the page in the browser.
    show_address : called with the address to open.
    """
    bench = Workbench(record)
    token = secrets.token_urlsafe(24)
    with socket.create_server((LOOPBACK, port)) as listening:
        port = listening.getsockname()[1]
        hosts = frozenset({f"{LOOPBACK}:{port}", f"localhost:{port}"})
        address = f"http://{LOOPBACK}:{port}/?token={token}"
        show_address(address)
        threading.Thread(target=bench.get_ready, daemon=True).start()
        if browser:
            webbrowser.open(address)
        config = uvicorn.Config(
            make_app(bench, token, hosts),
            log_level="critical",
            access_log=False,
            timeout_graceful_shutdown=1,
            lifespan="off",
        )
        later = threading.Timer(WORKBENCH.warm_delay, warm)
        later.daemon = True
        later.start()
        try:
            uvicorn.Server(config).run(sockets=[listening])
        except KeyboardInterrupt:
            pass
        finally:
            later.cancel()
            bench.close()
