"""Tables and channel folders of others: what was written is read, whatever its layout, and what is
damaged is read or refused in a sentence, never anything else.

No published source: round trips, and bytes drawn at random.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calibration.errors import RECORD, Problem
from tracker.accelerometers import read_accelerometer
from tracker.accelerometers.file_formats import read_source
from tracker.accelerometers.iso13499 import IsoTest, make_channel, read_folder, write_folder
from tracker.accelerometers.text_table import LINE_LIMIT, read_columns
from tracker.record.schema import AccelerometerEntry
from tracker.storage.audit_log import Entry, log_text, read_log

QUICK = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
NUMBERS = st.floats(-1e9, 1e9).map(lambda x: float(f"{x:.9g}"))
NAMES = st.lists(
    st.from_regex(r"[A-Za-z][A-Za-z0-9_]{0,8}", fullmatch=True),
    min_size=2,
    max_size=4,
    unique_by=str.casefold,
)
LAYOUTS = st.sampled_from(
    [(",", "."), (";", ","), (";", "."), ("\t", "."), ("\t", ","), ("|", ".")]
)
CODES = st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-32", "cp1252"])
LINE_ENDS = st.sampled_from(["\n", "\r\n", "\r"])


@QUICK
@given(st.data(), NAMES, LAYOUTS, CODES, LINE_ENDS)
def test_a_table_reads_as_it_was_written_whatever_its_layout(
    tmp_path, data, names, layout, code, end
):
    delimiter, point = layout
    rows = data.draw(
        st.lists(
            st.lists(NUMBERS, min_size=len(names), max_size=len(names)), min_size=2, max_size=8
        )
    )
    before = data.draw(st.lists(st.sampled_from(["", "# größer", "Labor 7", "//"]), max_size=2))
    cells = [[f"{x!r}".replace(".", point) for x in row] for row in rows]
    lines = [*before, delimiter.join(names), *(delimiter.join(row) for row in cells)]
    path = tmp_path / "a.csv"
    path.write_bytes(end.join(lines).encode(code))
    wanted = data.draw(st.permutations(names))[:2]

    got = read_columns(path, wanted)

    for name in wanted:
        assert got.values[name].tolist() == [row[names.index(name)] for row in rows]
    assert got.text_cells == {}


TIME = np.arange(-0.02, 0.1, 0.002)
TEXT = "time,ax\n" + "\n".join(f"{t:.4f},{50 * t:.3f}" for t in TIME)
CODE = "11CARS000000ACXP"
WOUND = st.tuples(
    st.floats(0, 1),
    st.integers(0, 80),
    st.sampled_from(
        [b"", b"\x00", b"\xff\xfe", b"1e999", b"nan", b"9" * 400, b"\n", b":", b'"', b";"]
    ),
)


def wounded(raw: bytes, wounds) -> bytes:
    for place, length, piece in wounds:
        at = int(place * len(raw))
        raw = raw[:at] + piece + raw[at + length :]
    return raw


def table(file: str, column: str, **more: object) -> AccelerometerEntry:
    return AccelerometerEntry.model_validate(
        {
            "vehicle": "car",
            "at": ["0 m"] * 3,
            "file": file,
            "channels": {"ax": {"column": column, "unit": "m/s^2"}},
        }
        | more
    )


def read_or_refused(spec: AccelerometerEntry, folder) -> None:
    found: list[object] = []
    try:
        found.append(read_accelerometer(spec, folder))
    except Problem as problem:
        found.append(problem)
    (got,) = found
    if isinstance(got, Problem):
        assert got.status == RECORD
        assert str(folder) in got.where
        assert len(str(got)) < 800
        assert str(got).isprintable()
        return
    assert np.isfinite(got.time).all()
    assert (np.diff(got.time) > 0).all()
    assert np.isfinite(got.as_read["ax"]).any()


@QUICK
@given(st.lists(WOUND, min_size=1, max_size=5), CODES)
def test_a_damaged_table_is_read_or_refused(tmp_path, wounds, code):
    (tmp_path / "a.csv").write_bytes(wounded(TEXT.encode(code), wounds))
    read_or_refused(table("a.csv", "ax", time={"column": "time", "unit": "s"}), tmp_path)


@QUICK
@given(st.binary(max_size=300))
def test_any_bytes_are_a_table_or_are_refused(tmp_path, data):
    (tmp_path / "a.csv").write_bytes(data)
    read_or_refused(table("a.csv", "2", time={"column": "1", "unit": "s"}), tmp_path)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("iso")
    channel = make_channel(CODE, TIME, 50 * TIME, "m/s^2")
    write_folder(IsoTest("T1", (("Title", "x"),), (), (channel,)), folder / "T1")
    files = sorted(p for p in (folder / "T1").rglob("*") if p.is_file())
    return folder, {file: file.read_bytes() for file in files}


@QUICK
@given(st.data(), st.lists(WOUND, min_size=1, max_size=5))
def test_a_damaged_channel_folder_is_read_or_refused(written, data, wounds):
    folder, whole = written
    file = data.draw(st.sampled_from(sorted(whole)))
    file.write_bytes(wounded(whole[file], wounds))
    try:
        read_or_refused(table("T1", CODE), folder)
    finally:
        file.write_bytes(whole[file])


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.lists(NUMBERS, min_size=2, max_size=30),
    st.floats(1e-6, 1.0),
    st.floats(-1.0, 1.0),
    st.integers(0, 10**6),
)
def test_a_channel_folder_reads_as_it_was_written(tmp_path, values, step, first, number):
    time = first + step * np.arange(len(values))
    channel = make_channel(CODE, time, np.array(values), "m/s^2")
    folder = tmp_path / f"T{number}-{abs(hash((step, first, *values)))}"
    if folder.exists():
        return
    write_folder(IsoTest("T", (), (), (channel,)), folder)
    (read,) = read_folder(folder).channels
    assert read.values.tolist() == values
    assert read.time == pytest.approx(time, abs=1e-9, rel=1e-9)
    assert (read.code, read.unit, read.notes) == (CODE, "m/s^2", ())


@pytest.mark.parametrize(
    ("size", "text", "sentence"),
    [
        (10**10, "", "larger than 256 MiB"),
        (0, "time,ax\n" + "1," * LINE_LIMIT, "line 2 has"),
    ],
)
def test_a_table_too_large_to_be_one_is_not_read(tmp_path, size, text, sentence):
    path = tmp_path / "a.csv"
    path.write_text(text)
    if size:
        with path.open("r+b") as file:
            file.truncate(size)  # a hole: it takes no room on the disk
    with pytest.raises(Problem, match=sentence):
        read_columns(path, ["time", "ax"])


@pytest.mark.parametrize(
    ("text", "reported"),
    [
        ("time,ax,ax\n0,1,2\n1,3,4\n", "2 columns are called 'ax'; the first is taken"),
        (
            "time,ax\ns,g\n?,1\n\x00,2\n1,3\n",
            "2 rows before line 5 have no number in column 'time' and are left out",
        ),
        ("time,ax\n0,1\n1,0_05\n", "1 cells of column 'ax' are no numbers, the first is '0_05'"),
    ],
)
def test_what_is_doubtful_in_a_table_is_reported(tmp_path, text, reported):
    (tmp_path / "a.csv").write_text(text)
    (note,) = read_source(tmp_path / "a.csv", "time", ["ax"]).notes
    assert note.startswith(reported)


def test_control_characters_of_a_log_are_replaced():
    entry = Entry("edit", "\x1b[2Jgone \x9b1m", "a\x07", {}, "")
    (read,) = read_log(log_text([entry]), "log")
    assert (read.text, read.where) == ("\ufffd[2Jgone \ufffd1m", "a\ufffd")


def test_other_ends_of_lines_in_a_log_stay_in_their_entry():
    entry = Entry("edit", "a\u2028b\u2029c", "", {"value": "d\u0085e"}, "")
    assert read_log(log_text([entry]), "log") == (entry,)
