"""Files are opened for writing in one room, `tracker/storage`, and in `calibration/files.py`.

Whoever looks for what the program can write to a disk looks there. A call is found by its name in
the source; the few elsewhere hand a name to a library that writes by itself, and say why.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
HERE = ("tracker/storage/", "calibration/files.py")
WRITES = {
    "write_text", "write_bytes", "mkstemp", "mkdtemp", "NamedTemporaryFile", "TemporaryFile",
    "SpooledTemporaryFile", "TemporaryDirectory", "memmap", "savetxt", "savez",
    "savez_compressed", "copyfile", "copy2", "copytree", "copyfileobj", "imwrite", "tofile",
    "touch", "symlink", "symlink_to", "hardlink_to", "truncate", "make_archive",
}  # fmt: skip
MODULES = {"os", "shutil", "tempfile"}  # through which a file may be opened or moved under any name
MOVES = {"open", "fdopen", "replace", "rename", "link", "copy", "move", "write"}
OURS = {"write_text", "write_bytes"}  # functions of storage, called by their bare names
NO_FILES = {"webbrowser", "self", "bench"}
KEPT = {
    ("tracker/demo/write.py", "savetxt"): "NumPy writes the demonstration's tables",
    ("tracker/demo/write.py", "av.open w"): "the encoder writes the demonstration's films",
    ("tracker/demo/roadside/write.py", "savetxt"): "NumPy writes the demonstration's tables",
    ("tracker/report/films.py", "av.open w"): "the encoder writes marked films, in a new folder",
    ("tracker/report/plots.py", "savefig"): "plots are drawn into a new results folder",
    ("tracker/report/series_plots.py", "savefig"): "plots are drawn into a new folder",
    ("tracker/report/sequence.py", "imwrite"): "photographs are written into a new results folder",
    ("tracker/planning/drawing.py", "savefig"): "plots are drawn into a temporary folder",
    ("tracker/planning/sheets.py", "savefig"): "sheets are drawn into memory",
    ("tracker/results/hdf5.py", "h5py.File w"): "made in memory",
    ("tracker/workbench/result_files.py", "zipfile.ZipFile w"): "into a file of storage",
}
"""Calls outside storage, and why they are there."""


READS = {
    "read_text", "read_bytes", "loadtxt", "genfromtxt", "fromfile", "imread", "load_module",
    "rglob",
}  # fmt: skip
READERS = {("tomllib", "load"), ("tomllib", "loads"), ("json", "load"), ("np", "load"),
           ("pickle", "load"), ("pickle", "loads"), ("tomlkit", "parse"), ("tomlkit", "load"),
           ("av", "open"), ("h5py", "File"), ("io", "open"), ("zipfile", "ZipFile")}  # fmt: skip
OWN = "of the program itself"
KEPT_READS = {
    ("tracker/demo/truth.py", "loadtxt"): "a demonstration that this program wrote",
    ("tracker/demo/truth.py", "open"): "a demonstration that this program wrote",
    ("tracker/demo/truth.py", "read_text"): "a demonstration that this program wrote",
    ("tracker/demo/write.py", "av.open"): "the encoder, for writing",
    ("tracker/report/films.py", "av.open"): "plain files of the results folder; the encoder",
    ("tracker/film/movie.py", "av.open"): "the decoder, by an absolute place or an open file",
    ("tracker/report/html.py", "read_text"): OWN,
    ("tracker/report/html.py", "read_bytes"): "pictures that were just drawn",
    ("tracker/report/pdf.py", "read_bytes"): OWN,
    ("tracker/criteria/sets.py", "read_text"): OWN,
    ("tracker/results/folder.py", "read_text"): OWN,
    ("tracker/results/hdf5.py", "h5py.File"): "made in memory",
    ("tracker/workbench/result_files.py", "zipfile.ZipFile"): "into a file of storage",
    ("tracker/workbench/tomledit.py", "tomlkit.parse"): "after `toml_tables` has bounded the text",
    ("tracker/batch/run.py", "read_text"): "what the system says of its memory",
    ("tracker/film/places.py", "open"): "an address, by fsspec",
    ("tracker/workbench/disk_cache.py", "open"): "this user's own cache",
    ("tracker/workbench/guide.py", "read_text"): OWN,
    ("tracker/workbench/recent.py", "read_text"): "this user's own settings",
    ("tracker/record/input_digests.py", "rglob"): "names only",
    ("tracker/record/check_files.py", "rglob"): "names only",
}
"""Calls outside storage that read, and why they are there: none reads an unbounded file of others,
or waits for a pipe.
"""


def reading(path: Path) -> Iterator[str]:
    """What a module calls that opens a file for reading, or parses text without bounds."""
    for call in ast.walk(ast.parse(path.read_text("utf-8"))):
        if not isinstance(call, ast.Call):
            continue
        if isinstance(call.func, ast.Name):
            if call.func.id == "open":
                yield "open"
            continue
        if not isinstance(call.func, ast.Attribute):
            continue
        name, owner = call.func.attr, ast.unparse(call.func.value)
        if (owner, name) in READERS:
            yield f"{owner}.{name}"
        elif name in READS or (name == "open" and owner not in NO_FILES | {"films", "bench"}):
            yield name


def found_reads() -> set[tuple[str, str]]:
    """Module and call that reads, outside storage."""
    return {
        (path.relative_to(ROOT).as_posix(), name)
        for package in ("tracker", "calibration")
        for path in sorted((ROOT / package).rglob("*.py"))
        if not path.relative_to(ROOT).as_posix().startswith(HERE)
        for name in reading(path)
    }


def test_files_of_others_are_read_by_storage_alone():
    assert found_reads() - set(KEPT_READS) == set()


def test_what_is_kept_elsewhere_still_reads():
    assert set(KEPT_READS) - found_reads() == set()


def test_a_new_reading_would_be_found(tmp_path):
    """The first of these was a mend undone: a record parsed before its bounds were looked at."""
    module = tmp_path / "m.py"
    for text, name in (
        ("tomllib.loads(x)", "tomllib.loads"),
        ("p.read_text()", "read_text"),
        ("p.open('rb')", "open"),
        ("open(p)", "open"),
        ("h5py.File(p)", "h5py.File"),
        ("pickle.load(f)", "pickle.load"),
    ):
        module.write_text(text)
        assert list(reading(module)) == [name]


def mode_of(call: ast.Call, place: int) -> str:
    """The mode that a call opens with; "?" where it is no text in the source."""
    given = [word.value for word in call.keywords if word.arg == "mode"] or call.args[place:][:1]
    if not given:
        return "r"
    return str(given[0].value) if isinstance(given[0], ast.Constant) else "?"


def writing(path: Path) -> Iterator[str]:
    """What a module calls that opens, makes or moves a file."""
    for call in ast.walk(ast.parse(path.read_text("utf-8"))):
        if not isinstance(call, ast.Call):
            continue
        if isinstance(call.func, ast.Name):
            name, owner = call.func.id, ""
        elif isinstance(call.func, ast.Attribute):
            name, owner = call.func.attr, ast.unparse(call.func.value)
        else:
            continue
        if name == "savefig" or (name in WRITES and (owner or name not in OURS)):
            yield name
        elif owner in MODULES and name in MOVES:
            yield f"{owner}.{name}"
        elif name in ("open", "File", "ZipFile") and owner not in NO_FILES:
            after = owner in ("av", "h5py", "zipfile", "system", "") and bool(call.args)
            mode = mode_of(call, 1 if after else 0)
            if any(letter in mode for letter in "wax+?"):
                yield f"{owner}.{name} w" if owner in ("av", "h5py", "zipfile") else f"open {mode}"


def found() -> set[tuple[str, str]]:
    """Module and call, outside storage."""
    calls = set()
    for package in ("tracker", "calibration"):
        for path in sorted((ROOT / package).rglob("*.py")):
            module = path.relative_to(ROOT).as_posix()
            if not module.startswith(HERE):
                calls |= {(module, name) for name in writing(path)}
    return calls


def test_storage_is_the_only_place_that_opens_for_writing():
    assert found() - set(KEPT) == set()


def test_what_is_kept_elsewhere_is_still_there():
    assert set(KEPT) - found() == set()


def test_a_new_opening_would_be_found(tmp_path):
    module = tmp_path / "m.py"
    for text, name in (
        ("open('x', 'w')", "open w"),
        ("open('x', mode='ab')", "open ab"),
        ("p.open('r+')", "open r+"),
        ("p.open(how)", "open ?"),
        ("p.write_text('x')", "write_text"),
        ("os.open('x', 1)", "os.open"),
        ("h5py.File(p, 'a')", "h5py.File w"),
    ):
        module.write_text(text)
        assert list(writing(module)) == [name]
    module.write_text("p.open('rb'), open('x'), h5py.File(p, 'r'), write_text(p, 'x')")
    assert list(writing(module)) == []
