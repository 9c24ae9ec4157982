"""What the documentation names is there: linked pages, headings, files of the repository."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGES = sorted(
    [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    + [path for path in (ROOT / "docs").rglob("*.md") if "site" not in path.parts]
)
LINK = re.compile(r"\]\(([^)\s]+)\)")
NAMED = re.compile(
    r"`(?:\.venv/bin/)?(?:python |pytest |bash )?((?:tests|tracker|calibration|docs)/[\w./-]*)"
)
CODE = re.compile(r"^```.*?^```", re.MULTILINE | re.DOTALL)
MADE = {"docs/site/", "docs/site/index.html"}  # by docs/build


def anchors(page: Path) -> set[str]:
    """The headings of a page as links name them."""
    text = CODE.sub("", page.read_text(encoding="utf-8"))
    heads = re.findall(r"^#+ +(.*)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_leads_somewhere(page: Path) -> None:
    broken = []
    for link in LINK.findall(CODE.sub("", page.read_text(encoding="utf-8"))):
        if "://" in link:
            continue
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        if not target.exists() or (anchor and anchor not in anchors(target)):
            broken.append(link)

    assert broken == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_file_that_is_named_is_there(page: Path) -> None:
    named = set(NAMED.findall(page.read_text(encoding="utf-8"))) - MADE

    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


def test_pictures_are_small_and_each_is_shown() -> None:
    pictures = [path for path in (ROOT / "docs" / "pictures").iterdir() if path.is_file()]
    text = "".join(page.read_text(encoding="utf-8") for page in PAGES)

    assert sum(path.stat().st_size for path in pictures) <= 2_000_000
    assert [path.name for path in pictures if f"pictures/{path.name}" not in text] == []
