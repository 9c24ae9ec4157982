"""A workbench that is really served on loopback, in a thread, and a client for it."""

from __future__ import annotations

import contextlib
import json
import socket
import threading
import time
from dataclasses import dataclass
from typing import Any

import httpx
import uvicorn

from tracker.workbench.routes import Workbench, make_app

FIRST = "what-the-address-carries-once"
TOKEN = "a-secret-of-this-test"
"""What requests carry from then on."""


@dataclass
class Client:
    """Sends paths as they are, without tidying them up."""

    port: int
    headers: dict[str, str]

    def ask(
        self, method: str, path: str, body: bytes | None = None, **headers: str
    ) -> httpx.Response:
        with httpx.Client(timeout=60, trust_env=False) as client:
            return client.request(
                method,
                f"http://127.0.0.1:{self.port}/",
                content=body,
                headers={**self.headers, **headers},
                extensions={"target": path.encode()},
            )

    def get(self, path: str, **headers: str) -> httpx.Response:
        return self.ask("GET", path, **headers)

    def post(self, path: str, json_: Any = None, content: bytes | None = None) -> httpx.Response:
        body = json.dumps({} if json_ is None else json_).encode() if content is None else content
        return self.ask("POST", path, body)


@contextlib.contextmanager
def served(bench: Workbench):
    """The port on which the workbench answers to the token."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        hosts = frozenset({f"127.0.0.1:{port}"})
        config = uvicorn.Config(
            make_app(bench, FIRST, hosts, TOKEN), log_level="error", lifespan="off", ws="none",
            timeout_graceful_shutdown=1,
        )  # fmt: skip
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.005)
        try:
            yield port
        finally:
            bench.close()
            server.should_exit = True
            thread.join(10)
