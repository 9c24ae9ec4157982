"""Nothing that was saved is lost: not to another person, not to a crash."""

import itertools
import subprocess
import sys
import threading
import tomllib

import pytest

from tests.support.small_scene import record_text
from tracker.record.manual_edits import actions
from tracker.workbench.history import Conflict, RecordFile, digest
from tracker.workbench.tomledit import Change

KILLS, EACH = 2, 10
ACTING = """
import sys
from pathlib import Path
from tracker.workbench.history import RecordFile, digest
from tracker.workbench.tomledit import Change
file = RecordFile(Path(sys.argv[1]))
for i in range(10_000):
    title = f"{sys.argv[2]}, change {i}"
    file.change(digest(file.text), title, [Change(("test", "title"), title)])
    print(title, flush=True)
"""


@pytest.fixture
def record(tmp_path):
    place = tmp_path / "record.toml"
    place.write_text(record_text(), encoding="utf-8")
    return place


def title(record):
    return tomllib.loads(record.read_text("utf-8"))["test"]["title"]


def test_a_killed_workbench_loses_at_most_the_action_under_way(record):
    for kill in range(KILLS):
        command = [sys.executable, "-c", ACTING, str(record), f"life {kill}"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            reported = [process.stdout.readline().strip() for _ in range(3 + kill)]
            process.kill()  # SIGKILL: in the middle of whatever it does
            reported += [line.strip() for line in process.stdout]
        done, under_way = reported[-1], f"life {kill}, change {len(reported)}"
        found = title(record)
        assert found in (done, under_way)
        again = RecordFile(record)
        assert again.undoable == found
        before = reported[-1] if found == under_way else reported[-2]
        assert tomllib.loads(again.undo(digest(again.text)))["test"]["title"] == before
        assert again.redoable == found
        assert again.redo(digest(again.text)) == record.read_text("utf-8")
        assert title(record) == found
        noted = [entry.text for entry in actions(record.parent)]
        own = [text for text in noted if text.startswith(f"life {kill}, ")]
        assert own == [f"life {kill}, change {i}" for i in range(len(own))]
        assert len(reported) <= len(own) <= len(reported) + 1


def test_two_workbenches_on_one_record_keep_every_change_of_both(record):
    late = []

    def work(name):
        file = RecordFile(record)  # each has its own, as in two processes
        for i in range(EACH):
            edit = {"mark": "car.roof1", "frame": i, "pixel": [float(name), float(i)]}
            for _ in itertools.count():
                path = ("cameras", "above", "edits", "+")
                try:
                    file.change(digest(file.text), f"{name}.{i}", [Change(path, edit)])
                    break
                except Conflict:
                    late.append((name, i))  # reported, and nothing was written

    workers = [threading.Thread(target=work, args=(name,)) for name in (1, 2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    edits = tomllib.loads(record.read_text("utf-8"))["cameras"]["above"]["edits"]
    assert sorted(e["pixel"] for e in edits) == [
        [a, b] for a in (1.0, 2.0) for b in map(float, range(EACH))
    ]
    texts = [entry.text for entry in actions(record.parent)]
    assert sorted(texts) == sorted(f"{a}.{b}" for a in (1, 2) for b in range(EACH))
    file = RecordFile(record)
    for _ in range(2 * EACH):  # the history of both is one
        file.undo(digest(file.text))
    assert record.read_text("utf-8") == record_text()
