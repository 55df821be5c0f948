"""The names of a tree's coats above its curves: one for each run of equal coats, none over another."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from matplotlib.axes import Axes

from drymon.readback.coat_history import CoatHistory
from drymon.views.plots.marks import TOP, inches, note
from drymon.views.plots.style import EDGE, LEFT, QUIET, RIGHT, WIDTH
from drymon.views.plots.time_axis import Span, x_of

SIZE, ROW_IN, GAP_IN, FROM_EDGE_IN = 8.5, 0.17, 0.12, 0.1
"""Points of the words; inches from row to row, between two names, and to the edge of the sheet."""


@dataclass(frozen=True)
class CoatName:
    """A name, the moment that it stands at, how many inches it had to give way to the left, and its row from below."""

    words: str
    begin: datetime
    back: float
    row: int


def coat_names(coats: Sequence[CoatHistory], span: Span) -> list[CoatName]:
    """Where the names stand. Later ones lower, so that no line from a name down to its coat crosses another name."""
    panel = WIDTH * (RIGHT - LEFT)
    starts: list[float] = []
    placed = []
    groups = [next(group) for _, group in groupby(coats, key=lambda coat: coat.first.coat)]
    for coat in reversed(groups):
        begin = max(coat.first.dipped_at, span.begin)
        at, wide = panel * ((begin - span.begin) / (span.end - span.begin)), inches(coat.first.coat, SIZE)
        back = max(0.0, at + wide - (WIDTH * (1 - LEFT) - FROM_EDGE_IN))
        row = next((row for row, start in enumerate(starts) if at - back + wide + GAP_IN <= start), len(starts))
        starts[row : row + 1] = [at - back]
        placed.append(CoatName(coat.first.coat, begin, back, row))
    return placed[::-1]


def draw_coat_names(axes: Axes, names: Sequence[CoatName]) -> None:
    """Write them above the panel, the higher ones with a thin line down."""
    for name in names:
        x, up = x_of(name.begin), 72 * ROW_IN * name.row
        if name.row:
            line = {"arrowstyle": "-", "color": EDGE, "linewidth": 0.9, "shrinkA": 0, "shrinkB": 0}
            axes.annotate("", (x, 1.0), (0, up + 3), xycoords=TOP, textcoords="offset points", arrowprops=line,
                          annotation_clip=False)  # fmt: skip
        note(axes, name.words, (x, 1.0), (-3 - 72 * name.back, up + 3), counted=TOP, size=SIZE, color=QUIET,
             va="bottom")  # fmt: skip
