"""Read ahead in a thread, so that decoding goes on while marks are fitted."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from tracker.film import Frames, Luma

_POLL = 0.1


@contextmanager
def ahead(frames: Frames, depth: int = 4) -> Iterator[Frames]:
    """The same frames, up to `depth` of them decoded in advance; errors come in their place."""
    waiting: queue.Queue[tuple[int, Luma] | BaseException | None] = queue.Queue(depth)
    stop = threading.Event()

    def put(item: tuple[int, Luma] | BaseException | None) -> None:
        while not stop.is_set():
            try:
                waiting.put(item, timeout=_POLL)
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

    def handed() -> Frames:
        while (item := waiting.get()) is not None:
            if isinstance(item, BaseException):
                raise item
            yield item

    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    try:
        yield handed()
    finally:
        stop.set()
        thread.join()
