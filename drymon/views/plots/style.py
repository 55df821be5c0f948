"""How every picture looks: paper, ink, the five states, and how a figure becomes a file.

Colours are from the set that Okabe and Ito proposed for all kinds of colour vision ("Color Universal Design", 2008),
some of them lightened for fills. No colour stands alone: each state has its own hatch or lightness and its word, each
line its label. Green means safe to redip, nothing else.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drymon.errors import SetupError
from drymon.shop.facts.outcome import State

INK, QUIET, EDGE, FAINT, PAPER = "#1f2328", "#5f6772", "#b9c0c9", "#dfe3e8", "#ffffff"
BLUE, SKY, GREEN, VERMILLION, PURPLE = "#0072B2", "#56B4E9", "#009E73", "#D55E00", "#CC79A7"
PLUM, RUST = "#8d4a75", "#b04c00"
"""Purple and vermillion, darkened until they can be read as text on white (contrast above 4.5)."""

BAND = "#eef1f4"
"""Fill of what is asked for: lighter than any data, still there on grey paper."""

ENDINGS = ("svg", "png", "pdf")


@dataclass(frozen=True)
class StateLook:
    """A state's fill, the hatch that tells it from the others without colour, its mark and its word."""

    fill: str
    hatch: str
    mark: str
    word: str
    text: str


LOOKS: dict[State, StateLook] = {
    State.DRYING: StateLook("#cfe6f5", "", "■", "drying", INK),
    State.READY: StateLook("#2fb98f", "", "✔", "ready", INK),
    State.HOLD: StateLook("#f4b183", "////", "▲", "hold", INK),
    State.UNKNOWN: StateLook("#f3f3f3", "....", "?", "unknown", INK),
    State.COMPLETE: StateLook("#4b5563", "", "●", "complete", PAPER),
}

SETTINGS: Any = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
    "text.color": INK,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": QUIET,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.major.size": 0,
    "ytick.major.size": 0,
    "grid.color": FAINT,
    "grid.linewidth": 0.6,
    "hatch.linewidth": 0.5,
    "svg.fonttype": "none",  # text stays text: searchable, read aloud by a screen reader
    "svg.hashsalt": "drymon",
    "path.simplify": True,
}


@contextmanager
def drawing() -> Iterator[None]:
    """The settings under which a figure must be both built and saved."""
    with matplotlib.rc_context(SETTINGS):
        yield


def paper(title: str, when: str, height: float, also: str = "") -> Figure:
    """An empty sheet, `height` inches high, that says what it shows and when; `also`: a smaller third line."""
    figure = Figure(figsize=(WIDTH, height), facecolor=PAPER)
    inch = 1.0 / height
    figure.text(LEFT, 1 - 0.42 * inch, title, fontsize=15, fontweight="bold", va="baseline")
    figure.text(LEFT, 1 - 0.68 * inch, when, fontsize=9.5, color=QUIET, va="baseline")
    figure.text(LEFT, 1 - 0.88 * inch, also, fontsize=8, color=QUIET, va="baseline")
    return figure


WIDTH, LEFT, RIGHT = 11.0, 0.075, 0.885
"""A sheet's width in inches, where panels begin and end as shares of it; on the right is room for labels."""


def panels(
    figure: Figure,
    heights: list[float],
    gap: float = 0.16,
    foot: float = 0.5,
    head: float = 0.95,
    sides: tuple[float, float] | None = None,
) -> list[Axes]:
    """Stacked panels, top to bottom, of the given relative heights; `gap`, `foot` and `head` in inches.

    sides: where they begin and end as shares of the width, if not where those of most pictures do.
    """
    left, right = sides or (LEFT, RIGHT)
    tall = float(figure.get_size_inches()[1])
    room = tall - head - foot - gap * (len(heights) - 1)
    axes, top = [], tall - head
    for height in heights:
        share = room * height / sum(heights)
        axes.append(figure.add_axes((left, (top - share) / tall, right - left, share / tall)))
        top -= share + gap
    return axes


def save(figure: Figure, path: Path) -> Path:
    """Write the figure as SVG, PNG or PDF by the file's ending; the same figure gives the same bytes.

    Raises: SetupError for any other ending.
    """
    ending = path.suffix.lstrip(".").lower()
    if ending not in ENDINGS:
        raise SetupError(f"cannot draw into {path.name!r}: the ending must be one of .svg, .png, .pdf")
    # A date in the file would make two pictures of the same data differ.
    metadata = {"svg": {"Date": None}, "pdf": {"CreationDate": None}, "png": {"Software": None}}[ending]
    path.parent.mkdir(parents=True, exist_ok=True)
    with drawing():
        figure.savefig(path, format=ending, dpi=144, metadata=metadata)
    return path
