"""What a test needs to know of a Markdown file: its fenced blocks, its tables, its links and its headings.

Fences follow CommonMark 0.31 section 4.5 as far as these pages use it; anchors are made as GitHub makes them.
"""

import re
from dataclasses import dataclass
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[2]
DOCS = REPOSITORY / "docs"

_FENCE = re.compile(r"```(\S*)[ \t]*([^\n`]*)\n(.*?)^```[ \t]*$", re.MULTILINE | re.DOTALL)
_LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")
_HEADING = re.compile(r"^#{1,6} +(.+?) *$", re.MULTILINE)


@dataclass(frozen=True)
class Block:
    """A fenced block: ```language mark."""

    page: Path
    line: int
    language: str
    mark: str
    text: str

    def __str__(self) -> str:
        return f"{self.page.name}:{self.line}"


def blocks(page: Path) -> list[Block]:
    """All fenced blocks of a page, in their order."""
    text = page.read_text(encoding="utf-8")
    return [
        Block(page, text.count("\n", 0, found.start()) + 1, found[1], found[2].strip(), found[3])
        for found in _FENCE.finditer(text)
    ]


def prose(page: Path) -> str:
    """A page without its fenced blocks."""
    return _FENCE.sub("", page.read_text(encoding="utf-8"))


def links(page: Path) -> list[str]:
    """Where a page's links and pictures point."""
    return _LINK.findall(prose(page))


def anchors(page: Path) -> set[str]:
    """The names under which a page's headings can be reached."""
    heads = (re.sub(r"[^\w\- ]", "", head.lower()) for head in _HEADING.findall(prose(page)))
    return {head.replace(" ", "-") for head in heads}


def section(page: Path, heading: str) -> str:
    """The text below a heading, up to the next one of the same or a higher level."""
    text = page.read_text(encoding="utf-8")
    head = re.search(rf"^(#+) +{re.escape(heading)} *$", text, re.MULTILINE)
    assert head, f"{page.name} has no heading {heading!r}"
    after = text[head.end() :]
    end = re.search(rf"^#{{1,{len(head[1])}}} ", after, re.MULTILINE)
    return after[: end.start()] if end else after


def tables(text: str) -> list[list[list[str]]]:
    """The tables in a text: rows of cells, without the head and without code marks."""
    found: list[list[list[str]]] = []
    for group in re.findall(r"(?:^\|.*\|[ \t]*\n?)+", text, re.MULTILINE):
        rows = [
            [cell.strip().replace("`", "") for cell in re.split(r"(?<!\\)\|", line.strip())[1:-1]]
            for line in group.strip().splitlines()
        ]
        found.append([row for row in rows[1:] if not set("".join(row)) <= set("-: ")])
    return found
