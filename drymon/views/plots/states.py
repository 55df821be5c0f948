"""Blocks of state on a lane of time: fill, hatch and word."""

from collections.abc import Iterable

from matplotlib.axes import Axes
from matplotlib.patches import Patch, Rectangle

from drymon.readback.coat_history import Stretch
from drymon.shop.facts.outcome import State
from drymon.views.plots.style import LEFT, LOOKS, PAPER, QUIET, RIGHT, WIDTH
from drymon.views.plots.time_axis import Span, x_of

INCH_PER_LETTER = 0.078


def draw_states(
    axes: Axes, stretches: Iterable[Stretch], span: Span, low: float, high: float, words: bool = True
) -> None:
    """The stretches as blocks between the heights `low` and `high`; the word inside where it fits."""
    for stretch in stretches:
        begin, end = max(stretch.begin, span.begin), min(stretch.end, span.end)
        if begin >= end:
            continue
        look = LOOKS[stretch.state]
        axes.add_patch(
            Rectangle(
                (x_of(begin), low), x_of(end) - x_of(begin), high - low,
                facecolor=look.fill, hatch=look.hatch, linewidth=0.0,
                edgecolor=QUIET if look.hatch else PAPER,
            )
        )  # fmt: skip
        word = look.word if stretch.watched else "not watched"
        if words and _width(span, stretch) > INCH_PER_LETTER * (len(word) + 2):
            _write(axes, x_of(begin), x_of(end), (low + high) / 2, word, stretch.state)


def _width(span: Span, stretch: Stretch) -> float:
    """Inches on paper."""
    shown = min(stretch.end, span.end) - max(stretch.begin, span.begin)
    return WIDTH * (RIGHT - LEFT) * (shown / (span.end - span.begin))


def _write(axes: Axes, begin: float, end: float, height: float, word: str, state: State) -> None:
    look = LOOKS[state]
    # A word over a hatch needs a quiet ground of its own.
    ground = {"facecolor": look.fill, "edgecolor": "none", "pad": 1.2} if look.hatch else None
    axes.text((begin + end) / 2, height, word, ha="center", va="center", fontsize=8, color=look.text, bbox=ground)


def state_key(states: Iterable[State]) -> list[Patch]:
    """Handles for a key of the states, for pictures whose blocks are too small for words."""
    return [
        Patch(
            facecolor=look.fill,
            hatch=look.hatch,
            edgecolor=QUIET,
            linewidth=0.4,
            label=f"{look.mark} {look.word}",
        )
        for look in (LOOKS[state] for state in states)
    ]
