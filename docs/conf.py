"""Settings of the documentation's site: `bash docs/build` makes it.

Nothing is fetched, neither while it is built nor by the browser that shows it: formulas become
MathML here, fonts are the reader's own.
"""

from __future__ import annotations

import dataclasses
import importlib
from importlib.metadata import version as installed_version
from importlib.util import find_spec
from typing import Any

from docutils import nodes
from docutils.parsers.rst import Directive
from docutils.statemachine import StringList
from latex2mathml.converter import convert
from sphinx.application import Sphinx

from calibration.options import TUNED, describe_options

project = "impactfilm"
author = "the impactfilm project"
copyright = author
release = version = installed_version("impactfilm")

extensions = ["myst_parser"]
exclude_patterns = ["site", "pictures"]
myst_enable_extensions = ["dollarmath", "amsmath", "attrs_block"]
myst_heading_anchors = 3
myst_dmath_double_inline = True

html_theme = "furo"
html_title = f"impactfilm {version}"
html_static_path = ["style"]
html_css_files = ["site.css"]
html_copy_source = False
html_show_sphinx = False


class Options(Directive):
    """Tables of options, a line each: `package` for all of its classes, `package:Class` for one."""

    has_content = True

    def run(self) -> list[nodes.Node]:
        """The tables, a class each."""
        text: list[str] = []
        for line in self.content:
            package, _, wanted = line.partition(":")
            name = f"{package}.options"
            found = vars(importlib.import_module(name)) if find_spec(name) else {}
            classes = [each for each in found.values() if _is_options_class(each, name)]
            if wanted and wanted not in {each.__name__ for each in classes}:
                raise self.error(f"{name} has no class {wanted}")
            for each in classes:
                if wanted in ("", each.__name__):
                    text += ["", f"`{name}.{each.__name__}`", "", *_table(each()), ""]
        node = nodes.Element()
        text = text or ["This stage has no options of its own."]
        self.state.nested_parse(StringList(text, self.block_text), self.content_offset, node)
        return node.children


def _is_options_class(found: Any, module: str) -> bool:
    is_class = isinstance(found, type) and dataclasses.is_dataclass(found)
    return is_class and found.__module__ == module


def _table(options: Any) -> list[str]:
    lines = ["| option | default | unit | range | effect of a larger value | source |"]
    lines.append("| --- | --- | --- | --- | --- | --- |")
    for entry in describe_options(options):
        low, high = entry.bounds
        cells = (
            f"`{entry.name}`",
            _number(entry.value),
            "" if entry.unit == "1" else entry.unit,
            f"{_number(low)} to {_number(high)}",
            entry.effect,
            "our benches" if entry.source == TUNED else entry.source,
        )
        lines.append("| " + " | ".join(cell.replace("|", r"\|") for cell in cells) + " |")
    return lines


def _number(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _inline_math(writer: Any, node: nodes.math) -> None:
    writer.body.append(convert(node.astext()))
    raise nodes.SkipNode


def _block_math(writer: Any, node: nodes.math_block) -> None:
    writer.body.append(f'<div class="formula">{convert(node.astext(), display="block")}</div>\n')
    raise nodes.SkipNode


def setup(app: Sphinx) -> None:
    """Formulas as MathML, tables of options."""
    app.add_html_math_renderer("mathml", (_inline_math, None), (_block_math, None))
    app.add_directive("options", Options)
    app.config.html_math_renderer = "mathml"
