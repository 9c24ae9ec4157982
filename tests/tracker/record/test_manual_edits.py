"""What people decided by hand stands in the log, and lost lines of it stop no analysis."""

from dataclasses import replace

import pytest

from tests.support.made_results import made_results
from tests.support.small_scene import record_text
from tracker.record.load import load_record
from tracker.record.manual_edits import ACTIONS, PLACE, actions, note_edits, spans
from tracker.report.blocks import TableBlock, Text
from tracker.report.content import document
from tracker.storage.audit_log import Entry, Log, log_text, read_log
from tracker.workbench.history import RecordFile, digest
from tracker.workbench.tomledit import Change

BY_HAND = """
[[cameras.above.edits]]
mark = "car.roof1"
frame = 8
pixel = [101.5, 99]
[[cameras.above.edits]]
mark = "car.roof1"
frame = 7
pixel = [100.5, 99]
[[cameras.above.ruled_out]]
mark = "car.roof2"
first = 20
"""


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "above.mp4").write_bytes(b"a film")
    (tmp_path / "record.toml").write_text(record_text() + BY_HAND)
    return tmp_path


@pytest.mark.parametrize(
    ("frames", "reported"),
    [
        ([4], "frame 4"),
        ([4, 4], "frame 4"),
        ([9, 4], "frames 4, 9"),
        ([4, 5, 6], "frames 4 to 6"),
        ([1, 7, 8, 3], "frames 1, 3, 7 to 8"),
    ],
)
def test_frames_in_a_row_are_one_span(frames, reported):
    assert spans(frames) == reported


def test_every_edit_of_the_record_is_in_the_log_with_all_that_makes_it_again(folder):
    log = Log()
    note_edits(log, load_record(folder / "record.toml"))

    assert [(e.kind, e.where, e.text) for e in log.entries] == [
        ("edit", "cameras.above", "car.roof1 placed by hand in frames 7 to 8"),
        ("edit", "cameras.above", "car.roof2 ruled out from frame 20 to the end"),
        ("edit", "cameras.above.time", "time zero set by hand to frame 12"),
    ]
    placed, ruled, _ = log.entries
    assert placed.data["frames"] == [7, 8]
    assert placed.data["pixels"] == [[100.5, 99.0], [101.5, 99.0]]
    assert (ruled.data["first"], ruled.data["last"]) == (20, None)
    assert read_log(log_text(log.entries), "log") == log.entries


def test_a_line_that_lost_power_left_torn_costs_no_other(folder):
    file = RecordFile(folder / "record.toml")
    file.change(digest(file.text), "first", [Change(("test", "title"), "One")])
    place = folder / PLACE / ACTIONS
    place.write_bytes(place.read_bytes() + b'{"at": "2026-01-01T')
    file.change(digest(file.text), "second", [Change(("test", "title"), "Two")])

    assert [entry.text for entry in actions(folder)] == ["first", "second"]


def test_without_a_workbench_there_are_no_actions(tmp_path):
    assert actions(tmp_path) == ()


def test_the_report_tells_what_holds_by_hand_from_what_the_program_decided():
    results = made_results()
    acts = (
        Entry("edit", "roof1 moved", "record.toml", {"changes": [{"path": ["a"], "value": 1}]}),
        Entry("edit", "undone: roof1 moved", "record.toml"),
        Entry("edit", "car.roof9 ruled out from frame 3 to the end", "cameras.side", {"first": 3}),
        Entry("decision", "truck.bed2 left out", "cameras.overhead"),
    )
    blocks = document(replace(results, log=acts), {}).parts[1].blocks
    tables = {block.caption: block.rows for block in blocks if isinstance(block, TableBlock)}
    texts = [block.text for block in blocks if isinstance(block, Text)]

    assert tables["Edits made by hand"] == (
        ("cameras.side", "car.roof9 ruled out from frame 3 to the end"),
    )
    assert tables["Decisions of the program"] == (("cameras.overhead", "truck.bed2 left out"),)
    assert "2 changes of the record in the workbench: see What was done." in texts
    bare = document(replace(results, log=()), {}).parts[1].blocks
    assert "No edits by hand: the program measured every mark." in [
        block.text for block in bare if isinstance(block, Text)
    ]
