"""Sheets of labels: QR codes (ISO/IEC 18004) with a quiet zone of four modules, drawn as plain squares.

Never imported by the service: it draws with matplotlib.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import segno
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline

from drymon.errors import SetupError
from drymon.views.plots.style import INK, QUIET, drawing, save

SHEET_MM = (210.0, 297.0)
COLUMNS, ROWS = 3, 8
MARGIN_MM = (8.0, 10.0)
QR_MM, QUIET_MODULES = 26.0, 4
MM_PER_INCH = 25.4
MM_PER_POINT = 25.4 / 72


@dataclass(frozen=True, slots=True)
class Label:
    """What a label says in large and in small letters, and what its code opens."""

    name: str
    words: str
    url: str


def draw_labels(labels: Sequence[Label], file: Path) -> list[Path]:
    """Write the sheets: one PDF, or one SVG a sheet (`FILE-2.svg` for the second). SetupError for another ending."""
    ending = file.suffix.lower()
    if ending not in (".pdf", ".svg"):
        raise SetupError(f"--out: received {file.name!r}; allowed is a name that ends in .pdf or .svg")
    if not labels:
        raise SetupError("nothing to label: name trees with --trees or racks with --racks")
    sheets = [_sheet(part) for part in _parts(labels)]
    if ending == ".svg":
        names = [file, *(file.with_stem(f"{file.stem}-{number}") for number in range(2, len(sheets) + 1))]
        return [save(sheet, name) for sheet, name in zip(sheets, names, strict=True)]
    file.parent.mkdir(parents=True, exist_ok=True)
    with drawing(), PdfPages(file, metadata={"CreationDate": None}) as pages:
        for sheet in sheets:
            pages.savefig(sheet)
    return [file]


def _parts(labels: Sequence[Label]) -> Iterator[Sequence[Label]]:
    per_sheet = COLUMNS * ROWS
    for first in range(0, len(labels), per_sheet):
        yield labels[first : first + per_sheet]


def _sheet(labels: Sequence[Label]) -> Figure:
    width, height = SHEET_MM
    with drawing():
        figure = Figure(figsize=(width / MM_PER_INCH, height / MM_PER_INCH), facecolor="white")
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set_xlim(0, width)
        axes.set_ylim(height, 0)
        axes.set_axis_off()
        cell = ((width - 2 * MARGIN_MM[0]) / COLUMNS, (height - 2 * MARGIN_MM[1]) / ROWS)
        for index, label in enumerate(labels):
            row, column = divmod(index, COLUMNS)
            left, top = MARGIN_MM[0] + column * cell[0], MARGIN_MM[1] + row * cell[1]
            axes.add_patch(PathPatch(_box(left, top, *cell), facecolor="none", edgecolor=QUIET, linewidth=0.3))
            axes.add_patch(PathPatch(_code(label.url, left + 1.5, top + 4), facecolor="black", linewidth=0))
            _write(axes, label, left + QR_MM + 3, top + cell[1] / 2, cell[0] - QR_MM - 5)
        return figure


def _box(left: float, top: float, width: float, height: float) -> Outline:
    right, low = left + width, top + height
    return Outline([(left, top), (right, top), (right, low), (left, low), (left, top)], closed=True)


def _code(url: str, left: float, top: float) -> Outline:
    """The dark modules as one outline, each run of a row a rectangle."""
    matrix = segno.make(url, error="m", micro=False).matrix
    module = QR_MM / (len(matrix) + 2 * QUIET_MODULES)
    boxes = []
    for row, line in enumerate(matrix):
        column = 0
        while column < len(line):
            run = 0
            while column + run < len(line) and line[column + run]:
                run += 1
            if run:
                x, y = left + (column + QUIET_MODULES) * module, top + (row + QUIET_MODULES) * module
                boxes.append(_box(x, y, run * module, module * 1.02))  # no hairline between rows
            column += max(run, 1)
    return Outline.make_compound_path(*boxes)


def _write(axes: Axes, label: Label, left: float, middle: float, room: float) -> None:
    """The name as large as fits, up to 26 points; a letter is about 0.64 of its size wide."""
    size = min(26.0, room / (0.64 * MM_PER_POINT * max(len(label.name), 1)))
    axes.text(left, middle - 1, label.name, fontsize=size, fontweight="bold", color=INK, va="baseline")
    small = min(7.5, room / (0.56 * MM_PER_POINT * max(len(label.words), 1)))
    axes.text(left, middle + 4, label.words, fontsize=max(small, 4.5), color=QUIET, va="baseline")
