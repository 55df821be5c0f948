"""The whole life of a shell in one picture: each coat's drying one after the other, its states beneath."""

from zoneinfo import ZoneInfo

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drymon.views.plots.marks import note
from drymon.views.plots.states import draw_states
from drymon.views.plots.style import BLUE, GREEN, INK, PAPER, QUIET, SKY
from drymon.views.plots.time_axis import Span, dress_time, x_of
from drymon.views.report.picture import SHORTEST, Box, curve_of
from drymon.views.report.record import CoatRecord, ShellRecord

HEIGHT = 2.6
"""Inches."""


def draw_overview(record: ShellRecord, figure: Figure, box: Box) -> None:
    """Draw the shell's life into a box of the sheet."""
    left, bottom, width, height = box
    span = Span(record.life.begin, max(record.life.end, record.life.begin + SHORTEST), ZoneInfo(record.room.timezone))
    left, width = left + 0.068 * width, width * 0.922
    curve = figure.add_axes((left, bottom + 0.32 * height, width, 0.68 * height))
    strip = figure.add_axes((left, bottom + 0.18 * height, width, 0.1 * height))
    curve.set_ylim(0, 122)
    curve.set_yticks([0, 25, 50, 75, 100])
    curve.set_ylabel("water gone, %", fontsize=8)
    curve.grid(axis="y")
    dress_time(curve, span, labels=False)
    strip.set_ylim(0, 1)
    strip.set_yticks([])
    strip.spines[:].set_visible(False)
    dress_time(strip, span, labels=True)
    for coat in record.coats:
        _draw_coat(curve, strip, coat, span)


def _draw_coat(curve: Axes, strip: Axes, record: CoatRecord, span: Span) -> None:
    begin, end = record.coat.dip.time, record.coat.end
    verdicts = record.history.verdicts if record.history else ()
    times, low, best, high = curve_of([verdict for verdict in verdicts if verdict.dryness is not None])
    curve.fill_between(times, low, high, color=SKY, alpha=0.35, linewidth=0)
    curve.plot(times, best, color=BLUE, linewidth=1.5)
    if record.kind is not None:
        curve.plot([x_of(begin), x_of(end)], [100 * record.kind.dry_at] * 2, color=INK, linewidth=0.9,
                   linestyle=(0, (5, 3)))  # fmt: skip
    ready = record.history.ready_at if record.history else None
    if ready is not None:
        curve.axvline(x_of(ready), ymax=100 / 122, color=GREEN, linewidth=1.0, zorder=1)
        curve.plot(x_of(ready), 100 * (record.kind.dry_at if record.kind else 0.95), marker="o", markersize=6,
                   color=GREEN, markeredgecolor="white", zorder=5)  # fmt: skip
    curve.axvline(x_of(begin), ymax=104 / 122, color=QUIET, linewidth=0.8, zorder=1)
    curve.plot(x_of(begin), 112, marker="o", markersize=12, color=QUIET, clip_on=False, zorder=5)
    note(curve, str(record.coat.number), (x_of(begin), 112), ha="center", bold=True, color="white")
    draw_states(strip, record.history.stretches if record.history else [], span, 0.0, 1.0)
    strip.axvline(x_of(begin), color=PAPER, linewidth=1.4, zorder=3)
