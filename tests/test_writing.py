"""Files are opened in one room, `tracker/storage`, and in `calibration/files.py`.

Whoever looks for what the program can read from a disk, write to it or start looks there. A use is
found by its name in the source, under whatever name the module imports it, whether it is called or
handed on. The few elsewhere are listed with their reason.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
HERE = ("tracker/storage/", "calibration/files.py")
OURS = ("tracker.", "calibration.")  # functions of the program, looked at where they are made
NO_FILES = {"webbrowser", "self", "bench", "films"}  # whose `open` opens none

WRITES = {  # of any owner
    "write_text", "write_bytes", "mkstemp", "mkdtemp", "NamedTemporaryFile", "TemporaryFile",
    "SpooledTemporaryFile", "TemporaryDirectory", "memmap", "open_memmap", "savetxt", "savez",
    "savez_compressed", "copyfile", "copy2", "copytree", "copyfileobj", "imwrite", "imwritemulti",
    "VideoWriter", "tofile", "touch", "symlink", "symlink_to", "hardlink_to", "truncate",
    "make_archive", "unpack_archive", "savefig", "savemat", "extractall",
}  # fmt: skip
_MOVING = {
    "open", "fdopen", "replace", "rename", "renames", "link", "copy", "move", "write", "mkfifo",
    "mknod", "sendfile",
}  # fmt: skip
MOVES = {
    "os": _MOVING, "shutil": _MOVING, "tempfile": _MOVING,
    "numpy": {"save"}, "pickle": {"dump", "Pickler"}, "shelve": {"open"}, "dbm": {"open"},
    "sqlite3": {"connect"}, "mmap": {"mmap"},
}  # fmt: skip
READS = {  # of any owner
    "read_text", "read_bytes", "loadtxt", "genfromtxt", "fromfile", "imread", "imreadmulti",
    "VideoCapture", "FileStorage", "loadmat", "load_module", "rglob", "urlopen", "urlretrieve",
    "FileResponse", "StaticFiles", "FileSystemLoader",
}  # fmt: skip
READERS = {
    "tomllib": {"load", "loads"}, "tomlkit": {"parse", "load", "loads"}, "json": {"load"},
    "numpy": {"load", "DataSource"}, "pickle": {"load", "loads", "Unpickler"},
    "marshal": {"load", "loads"}, "av": {"open"}, "h5py": {"File"}, "io": {"open", "FileIO"},
    "codecs": {"open"}, "zipfile": {"ZipFile"}, "tarfile": {"open", "TarFile"},
    "gzip": {"open", "GzipFile"}, "bz2": {"open"}, "lzma": {"open"}, "builtins": {"open"},
    "runpy": {"run_path", "run_module"}, "importlib": {"import_module"},
    "subprocess": {"Popen", "run", "call", "check_call", "check_output"},
    "os": {"system", "popen", "startfile"}, "typst": {"Compiler", "compile"},
    "": {"eval", "exec", "__import__"},
}  # fmt: skip

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
"""Writing outside storage, and why it is there."""

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
    ("tracker/results/hdf5.py", "h5py.File"): "made in memory",
    ("tracker/workbench/result_files.py", "zipfile.ZipFile"): "into a file of storage",
    ("tracker/workbench/tomledit.py", "tomlkit.parse"): "after `toml_tables` has bounded the text",
    ("tracker/batch/run.py", "read_text"): "what the system says of its memory",
    ("tracker/film/places.py", "open"): "an address, by fsspec",
    ("tracker/workbench/disk_cache.py", "open"): "this user's own cache",
    ("tracker/workbench/guide.py", "read_text"): OWN,
    ("tracker/workbench/recent.py", "read_text"): "this user's own settings",
    ("tracker/workbench/guide.py", "FileResponse"): OWN,
    ("tracker/workbench/routes.py", "StaticFiles"): OWN,
    ("tracker/workbench/routes.py", "FileResponse"): "of the program itself; a pack just made",
    ("tracker/workbench/result_files.py", "FileResponse"): "after `check_inside`",
    ("tracker/report/pdf.py", "typst.Compiler"): "in a folder of its own",
    ("tracker/__init__.py", "importlib.import_module"): OWN,
    ("tracker/results/frames.py", "importlib.import_module"): "pandas and xarray",
    ("tracker/processes/supervisor.py", "subprocess.Popen"): "modules of the program itself",
    ("tracker/record/input_digests.py", "rglob"): "names only",
    ("tracker/record/check_files.py", "rglob"): "names only",
}
"""Reading outside storage, and why it is there: none reads an unbounded file of others, or waits
for a pipe.
"""


def imported_names(tree: ast.AST) -> dict[str, str]:
    """What each name that the module imports stands for, in full."""
    names = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for a in node.names:
                names[a.asname or a.name.split(".")[0]] = (
                    a.name if a.asname else a.name.split(".")[0]
                )
        elif isinstance(node, ast.ImportFrom):
            names |= {a.asname or a.name: f"{node.module}.{a.name}" for a in node.names}
    return names


def uses(path: Path) -> Iterator[tuple[str, str, ast.Call | None]]:
    """Owner and name, in full, of all that a module uses, and the call where it is called."""
    tree = ast.parse(path.read_text("utf-8"))
    names = imported_names(tree)
    calls = {id(node.func): node for node in ast.walk(tree) if isinstance(node, ast.Call)}
    for node in ast.walk(tree):
        if not isinstance(node, ast.Name | ast.Attribute) or not isinstance(node.ctx, ast.Load):
            continue
        first, dot, rest = ast.unparse(node).partition(".")
        full = names.get(first, first) + dot + rest
        if not full.startswith(OURS):
            owner, _, name = full.rpartition(".")
            yield owner, name, calls.get(id(node))


def reading(path: Path) -> Iterator[str]:
    """What a module uses that opens a file for reading, parses text without bounds or runs code."""
    for owner, name, call in uses(path):
        if name in READERS.get(owner, ()):
            yield f"{owner}.{name}" if owner else name
        elif name in READS and (owner or call is None):
            yield name
        elif name == "open" and owner not in NO_FILES | set(MOVES):
            yield "open"


def mode_of(call: ast.Call | None, place: int) -> str:
    """The mode that a call opens with; "?" where it is no text in the source."""
    if call is None:
        return "?"
    given = [word.value for word in call.keywords if word.arg == "mode"] or call.args[place:][:1]
    if not given:
        return "r"
    return str(given[0].value) if isinstance(given[0], ast.Constant) else "?"


def writing(path: Path) -> Iterator[str]:
    """What a module uses that opens for writing, makes or moves a file."""
    for owner, name, call in uses(path):
        if name in MOVES.get(owner, ()):
            yield f"{owner}.{name}"
        elif name in WRITES and owner:
            yield name
        elif name in ("open", "File", "ZipFile") and owner not in NO_FILES:
            libraries = ("av", "h5py", "zipfile")
            after = owner in (*libraries, "io", "codecs", "system", "") and bool(call and call.args)
            mode = mode_of(call, 1 if after else 0)
            if any(letter in mode for letter in "wax+?"):
                yield f"{owner}.{name} w" if owner in libraries else f"open {mode}"


def found(what) -> set[tuple[str, str]]:
    """Module and use, outside storage."""
    return {
        (module, name)
        for package in ("tracker", "calibration")
        for path in sorted((ROOT / package).rglob("*.py"))
        if not (module := path.relative_to(ROOT).as_posix()).startswith(HERE)
        for name in what(path)
    }


@pytest.mark.parametrize(("what", "kept"), [(reading, KEPT_READS), (writing, KEPT)])
def test_storage_is_the_only_place_that_opens_files(what, kept):
    there = found(what)
    assert there - set(kept) == set()
    assert set(kept) - there == set(), "listed, and no longer there"


def test_a_new_reading_would_be_found(tmp_path):
    """The first of these was a mend undone: a record parsed before its bounds were looked at."""
    module = tmp_path / "m.py"
    for text, name in (
        ("import tomllib; tomllib.loads(x)", "tomllib.loads"),
        ("from tomllib import load as parsed; parsed(f)", "tomllib.load"),
        ("p.read_text()", "read_text"),
        ("map(Path.read_bytes, places)", "read_bytes"),
        ("p.open('rb')", "open"),
        ("open(p)", "open"),
        ("opened = open", "open"),
        ("from io import open as opened; opened(p)", "io.open"),
        ("import numpy as np; np.load(p)", "numpy.load"),
        ("from numpy import load; load(p)", "numpy.load"),
        ("import numpy as np; np.fromfile(p)", "fromfile"),
        ("import h5py; h5py.File(p)", "h5py.File"),
        ("from h5py import File; File(p)", "h5py.File"),
        ("import av; av.open(p)", "av.open"),
        ("import cv2; cv2.VideoCapture(p)", "VideoCapture"),
        ("from cv2 import imread; imread(p)", "imread"),
        ("import pickle; pickle.load(f)", "pickle.load"),
        ("from starlette.responses import FileResponse; FileResponse(p)", "FileResponse"),
        ("eval(x)", "eval"),
    ):
        module.write_text(text)
        assert list(reading(module)) == [name], text


def test_a_new_writing_would_be_found(tmp_path):
    module = tmp_path / "m.py"
    for text, name in (
        ("open('x', 'w')", "open w"),
        ("open('x', mode='ab')", "open ab"),
        ("p.open('r+')", "open r+"),
        ("p.open(how)", "open ?"),
        ("opened = open", "open ?"),
        ("p.write_text('x')", "write_text"),
        ("import os; os.open('x', 1)", "os.open"),
        ("from os import open; open('x', 1)", "os.open"),
        ("from os import replace as moved; moved(a, b)", "os.replace"),
        ("import os as system; system.rename(a, b)", "os.rename"),
        ("import shutil; shutil.copy(a, b)", "shutil.copy"),
        ("from shutil import copyfile; copyfile(a, b)", "copyfile"),
        ("import numpy as np; np.save(p, x)", "numpy.save"),
        ("from cv2 import imwrite; imwrite(p, x)", "imwrite"),
        ("from io import open; open(p, 'w')", "open w"),
        ("import h5py; h5py.File(p, 'a')", "h5py.File w"),
        ("from av import open; open(p, 'w')", "av.open w"),
    ):
        module.write_text(text)
        assert list(writing(module)) == [name], text
    module.write_text(
        "from tracker.storage.plain_files import write_text\n"
        "import h5py; p.open('rb'), open('x'), h5py.File(p, 'r'), write_text(p, 'x')"
    )
    assert list(writing(module)) == []
