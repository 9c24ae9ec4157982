"""Starts the workbench on loopback and opens it in the browser."""

from __future__ import annotations

import secrets
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import uvicorn

from calibration.errors import RECORD, RecordError
from tracker.storage.private_file import remove
from tracker.workbench.browser import open_in_browser
from tracker.workbench.guard import Guard
from tracker.workbench.options import WORKBENCH
from tracker.workbench.routes import Workbench, make_app
from tracker.workbench.warm import warm

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

    Raises `Problem` where the port is taken.
    """
    _end_in_order()
    bench = Workbench(record)
    token = secrets.token_urlsafe(24)
    with _listening(port) as listening:
        port = listening.getsockname()[1]
        hosts = frozenset({f"{LOOPBACK}:{port}", f"localhost:{port}"})
        address = f"http://{LOOPBACK}:{port}/?token={token}"
        show_address(address)
        threading.Thread(target=bench.get_ready, daemon=True).start()
        app = make_app(bench, token, hosts)
        handed = open_in_browser(address) if browser else None
        if handed is not None:
            threading.Thread(target=_remove_used, args=(handed, app), daemon=True).start()
        config = uvicorn.Config(
            app,
            log_level="critical",
            access_log=False,
            timeout_graceful_shutdown=1,
            lifespan="off",
        )
        later = threading.Timer(WORKBENCH.warm_delay, _warm, (bench,))
        later.daemon = True
        later.start()
        try:
            uvicorn.Server(config).run(sockets=[listening])
        except KeyboardInterrupt:
            pass
        finally:
            later.cancel()
            if handed is not None:
                remove(handed)
            bench.close()


def _end_in_order() -> None:
    """Have SIGTERM unwind the program, so that what is kept for the browser is taken away.

    By itself it ends a program where it stands; the server repeats it after its own end.
    """
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, lambda number, _: sys.exit(128 + number))


def _warm(bench: Workbench) -> None:
    """Load what the first fitted mark and the next analysis need."""
    warm()
    bench.standby.keep_one()


def _listening(port: int) -> socket.socket:
    try:
        return socket.create_server((LOOPBACK, port))
    except OSError as error:
        raise RecordError(
            f"the workbench can't be served there ({error.strerror})",
            where=f"--port {port}",
            remedy="take another port, or leave --port out for any that is free",
            status=RECORD,
        ) from None


def _remove_used(handed: Path, app: Guard) -> None:
    """Take the file away that handed the token over, once it has."""
    while not app.is_entered:
        time.sleep(WORKBENCH.event_interval)
    remove(handed)
