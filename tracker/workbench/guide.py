"""The guide as pages that the workbench serves: it needs no network.

The pages are those of the documentation, which lie in the wheel beside this module and in a
checkout under `docs/`.
"""

from __future__ import annotations

import functools
import html
import itertools
import re
from collections.abc import Iterator
from pathlib import Path

from markdown_it import MarkdownIt
from markdown_it.token import Token
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, Response
from starlette.routing import Route

PAGES = {
    "guide": "Guide",
    "tutorial": "Tutorial",
    "record": "The record",
    "results": "The results",
    "criteria": "Criteria",
    "glossary": "Glossary",
    "security": "Security",
}
"""Pages that are served, and their names in the list."""
PACKED = Path(__file__).parent / "guide_pages"
WRITTEN = Path(__file__).parents[2] / "docs"
PICTURE = re.compile(r"[a-z0-9-]+\.(?:webp|png)")

FRAME = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>{title} · impactfilm</title><link rel="icon" href="/static/favicon.svg">
<link rel="stylesheet" href="/static/look.css"><link rel="stylesheet" href="/static/guide.css">
</head><body class="guide"><nav aria-label="Pages of the guide">{pages}
<h2>On this page</h2>{here}</nav><main>{body}</main></body></html>
"""


def guide_routes() -> list[Route]:
    """The pages and their pictures."""
    return [Route("/guide/pictures/{name}", _picture), Route("/guide/{name}", _page)]


async def _page(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in PAGES:
        raise HTTPException(404)
    return HTMLResponse(await run_in_threadpool(page, name))


async def _picture(request: Request) -> Response:
    path = _folder() / "pictures" / request.path_params["name"]
    if not PICTURE.fullmatch(path.name) or not path.is_file():
        raise HTTPException(404)
    return FileResponse(path)


def _folder() -> Path:
    return PACKED if PACKED.is_dir() else WRITTEN


@functools.cache
def page(name: str) -> str:
    """A page of the guide as HTML. Links to pages that are not served stay as text."""
    markdown = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = markdown.parse((_folder() / f"{name}.md").read_text("utf-8"))
    headings = list(_add_anchors(tokens))
    for token in tokens:
        token.children = list(_local_links(token.children or [])) or token.children
    items = "".join(
        f'<li><a href="#{anchor}">{html.escape(text)}</a></li>' for anchor, text in headings
    )
    pages = " ".join(
        f'<a href="/guide/{other}"{" aria-current=page" if other == name else ""}>{title}</a>'
        for other, title in PAGES.items()
    )
    body = markdown.renderer.render(tokens, markdown.options, {})
    return FRAME.format(title=PAGES[name], pages=pages, here=f"<ul>{items}</ul>", body=body)


def _add_anchors(tokens: list[Token]) -> Iterator[tuple[str, str]]:
    """Give every heading its anchor; anchor and text of those of the second level."""
    for heading, inline in itertools.pairwise(tokens):
        if heading.type == "heading_open":
            anchor = _anchor(inline.content)
            heading.attrSet("id", anchor)
            if heading.tag == "h2":
                yield anchor, inline.content.replace("`", "")


def _anchor(text: str) -> str:
    """As GitHub makes it, which the documentation's own links follow."""
    return re.sub(r"[^\w\- ]", "", text.lower()).replace(" ", "-")


def _local_links(tokens: list[Token]) -> Iterator[Token]:
    """The tokens of a line; links to pages lead to ours, or are gone but for their text."""
    dropping = False
    for token in tokens:
        if token.type == "link_open":
            target, _, anchor = str(token.attrGet("href")).partition("#")
            name = target.removesuffix(".md")
            dropping = target.endswith(".md") and name not in PAGES
            if target.endswith(".md") and not dropping:
                token.attrSet("href", f"/guide/{name}" + (f"#{anchor}" if anchor else ""))
            if dropping:
                continue
        elif token.type == "link_close" and dropping:
            dropping = False
            continue
        elif token.type == "image":
            token.attrSet("src", f"/guide/{token.attrGet('src')}")
        yield token
