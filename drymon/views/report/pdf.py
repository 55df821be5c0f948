"""A record on A4 sheets, portrait, set from the same blocks as the page; text stays text."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import matplotlib
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.textpath import TextToPath

from drymon.views.plots.style import EDGE, FAINT, INK, PAPER, QUIET, VERMILLION, drawing
from drymon.views.report.document import Block, Document, Drawing, Facts, Heading, NewSheet, Paragraph, Table

WIDE, TALL, MARGIN, FOOT = 8.27, 11.69, 0.75, 0.7
TEXT_WIDTH = WIDE - 2 * MARGIN
SIZE, SMALL, LEADING = 9.0, 7.8, 1.42
HEADINGS = {2: 14.0, 3: 10.0}
TINT = "#fdf5ef"
Row = Sequence[str]


def write_pdf(document: Document, path: Path) -> Path:
    """Write the sheets; the same document gives the same bytes."""
    setter = _Setter(document)
    # Type 42 embeds whole letters: the text can be searched and copied. A date would make equal records differ.
    with drawing(), matplotlib.rc_context({"pdf.fonttype": 42}):
        setter.run()
        with PdfPages(path, metadata={"CreationDate": None, "Title": document.title}) as pages:
            for sheet in setter.numbered():
                pages.savefig(sheet)
    return path


def sheets_of(document: Document) -> int:
    """How many sheets a document fills."""
    blank = tuple(replace(b, draw=_nothing) if isinstance(b, Drawing) else b for b in document.blocks)
    setter = _Setter(replace(document, blocks=blank))
    setter.run()
    return len(setter.sheets)


def _nothing(_: Figure, __: tuple[float, float, float, float]) -> None:
    """Takes a picture's place."""


@lru_cache(maxsize=4096)
def width_of(text: str, size: float, bold: bool = False) -> float:
    """Width of a line of text in inches."""
    font = FontProperties(family="DejaVu Sans", size=size, weight="bold" if bold else "normal")
    return float(TextToPath().get_text_width_height_descent(text, font, ismath=False)[0]) / 72.0


def wrapped(text: str, width: float, size: float, bold: bool = False) -> list[str]:
    """The text in lines no wider than `width` inches; a word that is wider is cut."""
    lines: list[str] = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if width_of(longer, size, bold) <= width:
            lines[-1] = longer
            continue
        if lines[-1]:
            lines.append("")
        *cut, rest = _cut(word, width, size, bold)
        lines[-1:] = [*cut, rest]
    return lines


def _cut(word: str, width: float, size: float, bold: bool) -> Iterator[str]:
    while width_of(word, size, bold) > width and len(word) > 1:
        fits = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or width_of(word[:n], size, bold) <= width)
        yield word[:fits]
        word = word[fits:]
    yield word


def _height(block: Block) -> float:
    """About how many inches a block needs to stand with its heading."""
    match block:
        case Drawing():
            return block.height
        case Facts():
            return 1.3 * len(block.rows) * SIZE * LEADING / 72  # some of them take two lines
        case _:
            return 0.5


class _Setter:
    """Sets blocks one below the other, sheet after sheet; `y` is inches from the top."""

    def __init__(self, document: Document) -> None:
        self.document, self.sheets, self.y = document, list[Figure](), TALL

    def run(self) -> None:
        self._new_sheet()
        self._lines(wrapped(self.document.title, TEXT_WIDTH, 20, True), 20, bold=True)
        self._lines(wrapped(self.document.subtitle, TEXT_WIDTH, 10.5), 10.5, color=QUIET)
        self.y += 0.12
        for place, block in enumerate(self.document.blocks):
            following = self.document.blocks[place + 1 : place + 3]
            self._set(block, following)

    def numbered(self) -> list[Figure]:
        """The sheets, each with its foot."""
        for number, sheet in enumerate(self.sheets, start=1):
            words = (self.document.foot, 0.0, "left"), (f"{number} of {len(self.sheets)}", TEXT_WIDTH, "right")
            for text, x, ha in words:
                sheet.text((MARGIN + x) / WIDE, 0.5 / TALL, text, fontsize=7, color=QUIET, ha=ha, parse_math=False)
        return self.sheets

    def _set(self, block: Block, following: Sequence[Block]) -> None:
        match block:
            case Heading():
                self._heading(block, following)
            case Paragraph():
                self._paragraph(block)
            case Facts():
                self._facts(block)
            case NewSheet():
                self._new_sheet()
            case Table():
                self._table(block)
            case Drawing():
                self._picture(block)

    def _new_sheet(self) -> None:
        self.sheets.append(Figure(figsize=(WIDE, TALL), facecolor=PAPER))
        self.y = MARGIN

    def _need(self, height: float) -> None:
        if self.y + height > TALL - FOOT and self.y > MARGIN:
            self._new_sheet()

    def _text(
        self, x: float, text: str, size: float, color: str = INK, bold: bool = False, right: bool = False
    ) -> None:
        """One line with its top at `y`, `x` inches into the text."""
        self.sheets[-1].text(
            (MARGIN + x) / WIDE, 1 - (self.y + size / 72) / TALL, text, fontsize=size, color=color, va="baseline",
            ha="right" if right else "left", fontweight="bold" if bold else "normal", parse_math=False,
        )  # fmt: skip

    def _lines(self, lines: Sequence[str], size: float, color: str = INK, bold: bool = False, x: float = 0.0) -> None:
        for line in lines:
            self._need(size * LEADING / 72)
            self._text(x, line, size, color, bold)
            self.y += size * LEADING / 72

    def _rule(self, color: str, width: float) -> None:
        y = 1 - self.y / TALL
        line = Line2D([MARGIN / WIDE, 1 - MARGIN / WIDE], [y, y], color=color, linewidth=width)
        self.sheets[-1].add_artist(line)

    def _heading(self, block: Heading, following: Sequence[Block]) -> None:
        size = HEADINGS[block.level]
        beside = sum(_height(one) for one in following)
        self._need(0.4 + size * LEADING / 72 + min(beside, TALL / 2))
        if block.level == 2:
            self.y += 0.22 if self.y > MARGIN else 0.0
            self._rule(INK, 1.4)
        self.y += 0.12
        self._lines(wrapped(block.text, TEXT_WIDTH, size, True), size, bold=True)
        self.y += 0.04

    def _paragraph(self, block: Paragraph) -> None:
        size = SMALL if block.weight == "quiet" else SIZE
        if block.weight != "caution":
            self._lines(wrapped(block.text, TEXT_WIDTH, size), size, QUIET if block.weight == "quiet" else INK)
            self.y += 0.06
            return
        lines = wrapped(block.text, TEXT_WIDTH - 0.34, size)
        tall = len(lines) * size * LEADING / 72 + 0.16
        self._need(tall)
        for width, color in ((TEXT_WIDTH, TINT), (0.055, VERMILLION)):
            corner = (MARGIN / WIDE, 1 - (self.y + tall) / TALL)
            box = Rectangle(corner, width / WIDE, tall / TALL, facecolor=color, linewidth=0)
            box.set_transform(self.sheets[-1].transFigure)
            self.sheets[-1].add_artist(box)
        self.y += 0.08
        self._lines(lines, size, x=0.18)
        self.y += 0.16

    def _facts(self, block: Facts) -> None:
        names = min(1.9, max(width_of(name, SIZE) for name, _ in block.rows) + 0.2)
        for name, what in block.rows:
            lines = wrapped(what, TEXT_WIDTH - names, SIZE)
            self._need(len(lines) * SIZE * LEADING / 72)
            self._text(0.0, name, SIZE, QUIET)
            self._lines(lines, SIZE, x=names)
        self.y += 0.06

    def _picture(self, block: Drawing) -> None:
        self._need(block.height + 0.1)
        bottom = 1 - (self.y + block.height) / TALL
        block.draw(self.sheets[-1], (MARGIN / WIDE, bottom, TEXT_WIDTH / WIDE, block.height / TALL))
        self.y += block.height + 0.12

    def _table(self, block: Table) -> None:
        widths = [TEXT_WIDTH * width / sum(block.widths) for width in block.widths]
        if block.caption:
            self._need(0.9)
            self.y += 0.08
            self._lines([block.caption], SMALL + 0.6, bold=True)
        self._head(block, widths)
        for row in block.rows:
            cells = [wrapped(cell, width - 0.1, SMALL) for cell, width in zip(row, widths, strict=True)]
            tall = max(map(len, cells)) * SMALL * LEADING / 72 + 0.07
            if self.y + tall > TALL - FOOT:
                self._new_sheet()
                self._head(block, widths)
            self._row(block, cells, widths, INK)
            self.y += 0.025
            self._rule(FAINT, 0.6)
            self.y += 0.035
        self.y += 0.08

    def _head(self, block: Table, widths: Sequence[float]) -> None:
        cells = [wrapped(cell, width - 0.1, SMALL) for cell, width in zip(block.head, widths, strict=True)]
        self._need(max(map(len, cells)) * SMALL * LEADING / 72 + 0.4)
        self._row(block, cells, widths, QUIET)
        self.y += 0.02
        self._rule(EDGE, 1.0)
        self.y += 0.04

    def _row(self, block: Table, cells: Sequence[Row], widths: Sequence[float], color: str) -> None:
        top, deepest, x = self.y, self.y, 0.0
        for column, (lines, width) in enumerate(zip(cells, widths, strict=True)):
            self.y = top
            right = column in block.numbers
            for line in lines:
                self._text(x + width - 0.16 if right else x, line, SMALL, color, right=right)
                self.y += SMALL * LEADING / 72
            deepest, x = max(deepest, self.y), x + width
        self.y = deepest
