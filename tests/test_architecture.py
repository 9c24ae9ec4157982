"""The floors of the house: few rooms, imports that run downward, and a page that shows them."""

import ast
import re
from collections import Counter
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from tests import draw_floors

STATIC = draw_floors.ROOT / "tracker" / "workbench" / "static"


def test_there_are_few_rooms_on_few_floors_and_no_import_runs_in_a_circle() -> None:
    uses = draw_floors.arrows()
    level = draw_floors.floors(uses)

    assert len(uses) <= 24
    assert 1 + max(level.values()) <= 10


def test_calibration_stands_on_the_ground() -> None:
    assert draw_floors.arrows()["calibration"] == set()


def test_every_module_stands_in_a_room_and_every_room_says_what_it_holds() -> None:
    loose = {path.name for path in (draw_floors.ROOT / "tracker").glob("*.py")}

    assert loose <= {"__init__.py", "__main__.py"}
    for name in draw_floors.arrows():
        assert draw_floors.purpose(name).endswith("."), name


def test_the_page_shows_the_floors_as_they_are() -> None:
    page = draw_floors.PAGE.read_text(encoding="utf-8")

    assert draw_floors.section() in page, "run python tests/draw_floors.py"


def test_a_circle_would_be_noticed(tmp_path: Path) -> None:
    for name, other in (("film", "marks"), ("marks", "film")):
        (tmp_path / "tracker" / name).mkdir(parents=True)
        text = f'"""A room."""\n\nfrom tracker.{other} import x\n'
        (tmp_path / "tracker" / name / "__init__.py").write_text(text)
    (tmp_path / "tracker" / "__init__.py").write_text("")
    uses = draw_floors.arrows(tmp_path)

    assert uses == {"film": {"marks"}, "marks": {"film"}}
    with pytest.raises(CycleError):
        draw_floors.floors(uses)


def test_modules_of_the_page_import_in_no_circle() -> None:
    imports = re.compile(r"""^(?:import|export)\b[^;]*?["']\./([\w.]+)["']""", re.MULTILINE)
    uses = {
        path.name: set(imports.findall(path.read_text(encoding="utf-8")))
        for path in STATIC.glob("*.js")
    }

    assert sum(map(len, uses.values())) > len(uses)
    list(TopologicalSorter(uses).static_order())


MODULES = {
    path: ast.parse(path.read_text(encoding="utf-8"))
    for package in ("calibration", "tracker")
    for path in sorted((draw_floors.ROOT / package).rglob("*.py"))
}
RETIRED = {
    *("askew", "doubt", "doubts", "drawn", "felt", "held", "kept", "misfelt", "prove", "proven"),
    *("said", "shaken", "steadied", "taken", "tell", "tether", "told", "trust", "trusts"),
    *("unposed", "veil", "veiled", "wobble"),
}
PHRASES = re.compile(
    r"\b(askew|anew|lest|misfelt|felt|tether|unposed|wobble|told|tells?|said|veil(ed)?|crept|strayed"
    r"|steadied|doubts?|doubted|shaken|be it that"
    r"|by themselves|a word about)\b",
    re.IGNORECASE,
)
"""Words that the glossary replaced, wherever somebody reads: in code, comments, pages, screens."""
ENDINGS = {"aligned", "changed", "drawn", "finished", "fixed", "joined", "kept", "made", "measured"}
ENDINGS |= {"moved", "named", "packed", "picked", "placed", "recorded", "repeated", "rounded"}
ENDINGS |= {"saved", "seen", "shifted", "snapped", "split", "taken", "thrown", "turned", "used"}


CHANGES = draw_floors.ROOT / "docs" / "CHANGELOG.md"


def is_valued(node: ast.AST) -> bool:
    """Whether a function's annotation names something that it returns."""
    return node.returns is not None and ast.unparse(node.returns) != "None"


def defined(kind: type[ast.AST]) -> list[tuple[Path, ast.AST]]:
    return [
        (p, node) for p, tree in MODULES.items() for node in ast.walk(tree) if type(node) is kind
    ]


def test_no_class_name_stands_twice() -> None:
    names = Counter(node.name for _, node in defined(ast.ClassDef))

    assert [name for name, count in names.items() if count > 1] == []


def test_no_function_takes_more_than_eight_arguments() -> None:
    for path, node in defined(ast.FunctionDef):
        arguments = node.args.posonlyargs + node.args.args + node.args.kwonlyargs
        own = [a for a in arguments if a.arg not in ("self", "cls")]
        assert len(own) <= 8, f"{path}: {node.name}"


def test_no_name_is_made_of_a_word_that_the_glossary_retired() -> None:
    names = [(path, node.name) for path, node in defined(ast.FunctionDef)]
    names += [(path, node.id) for path, node in defined(ast.Name)]
    names += [(path, node.arg) for path, node in defined(ast.arg)]

    assert [(p, n) for p, n in names if RETIRED & set(n.lower().split("_"))] == []


def test_no_module_is_longer_than_a_reader_can_hold() -> None:
    lengths = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in MODULES}

    assert [path for path, lines in lengths.items() if lines > 400] == []


def test_no_page_or_comment_uses_a_word_that_the_glossary_retired() -> None:
    kinds = ("*.py", "*.md", "*.js", "*.css", "*.j2", "*.html")
    places = [draw_floors.ROOT / name for name in ("calibration", "docs", "tests", "tracker")]
    pages = [p for place in places for kind in kinds for p in sorted(place.rglob(kind))]
    read = [p for p in pages if "uPlot" not in p.name and p not in (Path(__file__), CHANGES)]
    found = [
        f"{path}: {match.group()}"
        for path in read
        for match in PHRASES.finditer(path.read_text(encoding="utf-8"))
    ]

    assert len(read) > 500
    assert not found, "\n".join(found)


def test_a_function_that_returns_a_value_is_no_bare_participle() -> None:
    named = [(path, node.name) for path, node in defined(ast.FunctionDef) if is_valued(node)]

    assert len(named) > 2000
    assert [(p, name) for p, name in named if name.strip("_") in ENDINGS] == []


def test_a_function_that_returns_a_bool_is_a_predicate_or_an_action() -> None:
    actions = {"close", "cut_picture", "start"}
    named = [
        (path, node.name)
        for path, node in defined(ast.FunctionDef)
        if node.returns is not None and ast.unparse(node.returns) == "bool"
    ]
    plain = [
        (p, n)
        for p, n in named
        if not n.strip("_").startswith(("is_", "has_")) and n not in actions
    ]

    assert [(p, n) for p, n in plain if not n.startswith("__")] == []
