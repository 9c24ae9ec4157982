"""Draws the rooms of the two packages and the floors that their imports put them on.

    python tests/draw_floors.py

writes the drawing and the table of rooms into docs/architecture.md, between two marks. A room is
`calibration` or a package directly in `tracker`; it stands one floor above the highest room that
it imports. What a room holds is the first sentence of its package's docstring.
"""

from __future__ import annotations

import ast
import re
from graphlib import TopologicalSorter
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "architecture.md"
BEGIN, END = "<!-- floors: python tests/draw_floors.py -->", "<!-- end of floors -->"
PACKAGES = ("tracker", "calibration")
WIDTH = 78  # columns of the drawing


def modules(root: Path = ROOT) -> dict[str, Path]:
    """Every module of the packages by its dotted name."""
    found = {}
    for path in sorted(file for package in PACKAGES for file in (root / package).rglob("*.py")):
        parts = path.relative_to(root).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def room(module: str) -> str:
    """The room that a module stands in; "tracker" is the door itself."""
    first, *rest = module.split(".")
    return first if first == "calibration" or not rest else rest[0]


def imported(tree: ast.AST, known: dict[str, Path]) -> set[str]:
    """The packages' own modules that a module imports, wherever in it."""
    names = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            full = {f"{node.module}.{alias.name}" for alias in node.names}
            names |= {name if name in known else node.module for name in full}
        elif isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
    return {name for name in names if name.split(".")[0] in PACKAGES}


def arrows(root: Path = ROOT) -> dict[str, set[str]]:
    """For each room the rooms that it imports. The door, `tracker` itself, is no room."""
    known = modules(root)
    found: dict[str, set[str]] = {room(name): set() for name in known}
    for name, path in known.items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        found[room(name)] |= {room(other) for other in imported(tree, known)} - {room(name)}
    found.pop("tracker")
    return {here: there - {"tracker"} for here, there in found.items()}


def floors(uses: dict[str, set[str]]) -> dict[str, int]:
    """The floor of each room, 0 the lowest; graphlib.CycleError where imports run in a circle."""
    level: dict[str, int] = {}
    for here in TopologicalSorter(uses).static_order():
        level[here] = 1 + max((level[there] for there in uses[here]), default=-1)
    return level


def purpose(name: str, root: Path = ROOT) -> str:
    """The first sentence of a room's docstring."""
    folder = root / name if name == "calibration" else root / "tracker" / name
    text = ast.get_docstring(ast.parse((folder / "__init__.py").read_text(encoding="utf-8"))) or ""
    return " ".join(re.split(r"(?<=\.)\s|\n\n", text, maxsplit=1)[0].split())


def drawing(uses: dict[str, set[str]]) -> str:
    """The floors, the highest first."""
    level = floors(uses)
    rule = "     +" + "-" * (WIDTH - 6) + "+"
    lines = [rule]
    for floor in sorted(set(level.values()), reverse=True):
        rooms = "   ".join(sorted(name for name in level if level[name] == floor))
        lines += [f" {floor:2}  |{rooms:^{WIDTH - 6}}|", rule]
    return "\n".join(lines)


def table(uses: dict[str, set[str]], root: Path = ROOT) -> str:
    """One line a room."""
    level = floors(uses)
    lines = ["| floor | room | holds |", "| --- | --- | --- |"]
    for name in sorted(uses, key=lambda name: (-level[name], name)):
        place = f"`{name}/`" if name == "calibration" else f"`tracker/{name}/`"
        lines.append(f"| {level[name]} | {place} | {purpose(name, root)} |")
    return "\n".join(lines)


def section() -> str:
    """What stands between the marks of the page."""
    uses = arrows()
    sums = f"{len(uses)} rooms on {max(floors(uses).values()) + 1} floors."
    return f"{BEGIN}\n\n```text\n{drawing(uses)}\n```\n\n{sums}\n\n{table(uses)}\n\n{END}"


def main() -> None:
    text = PAGE.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN)
    PAGE.write_text(before + section() + rest.split(END)[1], encoding="utf-8")


if __name__ == "__main__":
    main()
