"""A workbench that is really served on loopback, in a thread, and a client for it."""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
import threading
import time
from dataclasses import dataclass
from typing import Any

import uvicorn

from tracker.workbench.routes import Workbench, make_app

TOKEN = "a-secret-of-this-test"


@dataclass
class Answer:
    status_code: int
    headers: dict[str, str]
    content: bytes

    @property
    def text(self) -> str:
        return self.content.decode()

    def json(self) -> Any:
        return json.loads(self.content)


@dataclass
class Client:
    """Sends paths as they are, unlike clients that tidy them up."""

    port: int
    headers: dict[str, str]

    def ask(self, method: str, path: str, body: bytes | None = None, **headers: str) -> Answer:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            connection.request(method, path, body, {**self.headers, **headers})
            answer = connection.getresponse()
            told = {name.lower(): value for name, value in answer.getheaders()}
            return Answer(answer.status, told, answer.read())
        finally:
            connection.close()

    def get(self, path: str, **headers: str) -> Answer:
        return self.ask("GET", path, **headers)

    def post(self, path: str, json_: Any = None, content: bytes | None = None) -> Answer:
        body = json.dumps({} if json_ is None else json_).encode() if content is None else content
        return self.ask("POST", path, body)


@contextlib.contextmanager
def served(bench: Workbench):
    """The port on which the workbench answers to the token."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        hosts = frozenset({f"127.0.0.1:{port}"})
        config = uvicorn.Config(
            make_app(bench, TOKEN, hosts), log_level="error", lifespan="off", ws="none",
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
