"""The blocks that a record is made of: put into words once, then set as a page or on paper."""

from collections.abc import Callable
from dataclasses import dataclass

from matplotlib.figure import Figure


@dataclass(frozen=True)
class Heading:
    """A heading; level 2 begins a part of the record, 3 a piece of one."""

    text: str
    level: int = 2


@dataclass(frozen=True)
class Paragraph:
    """Running text; `weight`: plain, quiet (small print) or caution (set apart)."""

    text: str
    weight: str = "plain"


@dataclass(frozen=True)
class Facts:
    """Short facts, each a name and what it is."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Table:
    """A table; `widths` are relative, `numbers` the columns set to the right."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    numbers: tuple[int, ...] = ()
    caption: str = ""


@dataclass(frozen=True)
class Drawing:
    """A picture `height` inches high, at the width of the text: `draw` makes it on a sheet, below the top share given.

    draw: takes the sheet and the box (left, bottom, width, height as shares of it) to draw into.
    words: what it shows, for those who do not see it.
    """

    words: str
    height: float
    draw: Callable[[Figure, tuple[float, float, float, float]], None]


@dataclass(frozen=True)
class NewSheet:
    """What follows begins a sheet of its own."""


Block = Heading | Paragraph | Facts | Table | Drawing | NewSheet


@dataclass(frozen=True)
class Document:
    """A record in words: title and line under it, blocks, and what stands at the foot of each sheet."""

    title: str
    subtitle: str
    blocks: tuple[Block, ...]
    foot: str
