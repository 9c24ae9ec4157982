"""The process that waits for an analysis: used once, replaced if it has ended, gone at last."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tracker.workbench.standby import Standby


@pytest.fixture
def standby() -> Iterator[Standby]:
    made = Standby()
    yield made
    made.close()


def why(standby: Standby, record: Path) -> str:
    """What an analysis of a record that is not there says."""
    process = standby.begin(record, record.parent / "results")
    try:
        problem = process.failure(lambda *_: None)
        assert problem is not None
        return f"{problem.where} {problem.what}"
    finally:
        process.close()


def is_there(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_an_analysis_begins_with_and_without_one_that_waits(
    standby: Standby, tmp_path: Path
) -> None:
    record = tmp_path / "none" / "record.toml"
    again = why(standby, record)
    assert standby.waiting is None
    standby.keep_one()
    first = standby.waiting
    assert first is not None
    assert why(standby, record) == again
    assert str(record) in again
    assert not is_there(first)
    standby.refill()
    assert standby.waiting not in (None, first)


def test_one_that_was_killed_is_replaced_and_none_outlives_the_workbench(
    standby: Standby, tmp_path: Path
) -> None:
    standby.keep_one()
    waiting = standby.waiting
    assert waiting is not None
    os.kill(waiting, 9)
    until = time.monotonic() + 20
    while standby.is_ready() and time.monotonic() < until:
        time.sleep(0.01)
    assert "none" in why(standby, tmp_path / "none" / "record.toml")
    standby.refill()
    left = standby.waiting
    assert left is not None
    standby.close()
    assert not is_there(left)
    standby.refill()
    assert standby.waiting is None
