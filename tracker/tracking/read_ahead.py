"""Read ahead in a thread, so that decoding goes on while marks are fitted."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from tracker.film import Frames, Luma
from tracker.tracking.options import TRACKING

_POLL_S = 0.1
"""How often the thread looks whether its reader has gone, s."""


@contextmanager
def read_ahead(frames: Frames, depth: int = TRACKING.read_ahead) -> Iterator[Frames]:
    """The same frames, up to `depth` of them decoded in advance; errors come in their place."""
    waiting: queue.Queue[tuple[int, Luma] | BaseException | None] = queue.Queue(depth)
    stop = threading.Event()

    def put(item: tuple[int, Luma] | BaseException | None) -> None:
        while not stop.is_set():
            try:
                waiting.put(item, timeout=_POLL_S)
                return
            except queue.Full:
                continue

    def read() -> None:
        try:
            for item in frames:
                put(item)
                if stop.is_set():
                    return
            put(None)
        except BaseException as error:
            put(error)

    def decoded_frames() -> Frames:
        while (item := waiting.get()) is not None:
            if isinstance(item, BaseException):
                raise item
            yield item

    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    try:
        yield decoded_frames()
    finally:
        stop.set()
        thread.join()
