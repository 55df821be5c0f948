"""One coat on paper: water gone with its bounds and what a redip needs, its states, and the air beneath."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import Look, Move
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.setup import RoomSetup
from drymon.views.plots.marks import BESIDE, note
from drymon.views.plots.rack import DRIES, Panel, shown
from drymon.views.plots.states import draw_states
from drymon.views.plots.style import BAND, BLUE, EDGE, GREEN, INK, QUIET, SKY, VERMILLION
from drymon.views.plots.time_axis import Span, dress_time, x_of
from drymon.views.report.air_seen import AirSeen
from drymon.views.report.record import CoatRecord

Box = tuple[float, float, float, float]

HEIGHT = 3.9
"""Inches."""

SHARES = (1.75, 0.2, 0.55, 0.55, 0.45)
"""Relative heights: drying, states, temperature, humidity, air speed."""

ASIDE = 0.12
"""Share of the width beside the panels, right, for words; as much less on the left for the axes' names."""

SHORTEST = timedelta(minutes=30)


def draw_coat(record: CoatRecord, room: RoomSetup, figure: Figure, box: Box) -> None:
    """Draw one coat's record into a box of the sheet."""
    begin, end = record.coat.dip.time, max(record.coat.end, record.coat.dip.time + SHORTEST)
    span = Span(begin, end, ZoneInfo(room.timezone))
    drawn = shown(record.air)
    curve, strip, *airs = _panels(figure, box, [*SHARES, *SHARES[-1:] * (len(drawn) - len(DRIES))])
    _draw_drying(curve, record, span)
    _draw_strip(strip, record, span)
    stale = timedelta(minutes=room.stale_after_min)
    for axes, panel in zip(airs, drawn, strict=True):
        _draw_air(axes, panel, record.air.get(panel.quantity), stale)
        dress_time(axes, span, labels=panel is drawn[-1])


def _panels(figure: Figure, box: Box, shares: Sequence[float]) -> list[Axes]:
    left, bottom, width, height = box
    gap, foot = 0.025 * height, 0.11 * height
    room = height - foot - gap * (len(shares) - 1)
    axes, top = [], bottom + height
    for share in shares:
        tall = room * share / sum(shares)
        axes.append(figure.add_axes((left + 0.068 * width, top - tall, width * (0.932 - ASIDE), tall)))
        top -= tall + gap
    return axes


def _draw_drying(axes: Axes, record: CoatRecord, span: Span) -> None:
    axes.set_ylim(0, 104)
    axes.set_yticks([0, 25, 50, 75, 100])
    axes.set_ylabel("water gone, %", fontsize=8)
    axes.grid(axis="y")
    dress_time(axes, span, labels=False)
    verdicts = record.history.verdicts if record.history else ()
    times, low, best, high = curve_of([verdict for verdict in verdicts if verdict.dryness is not None])
    axes.fill_between(times, low, high, color=SKY, alpha=0.35, linewidth=0)
    axes.plot(times, best, color=BLUE, linewidth=1.6)
    if record.kind is not None:
        axes.axhline(100 * record.kind.dry_at, color=INK, linewidth=1.0, linestyle=(0, (5, 3)))
        note(axes, f"{100 * record.kind.dry_at:.0f} % needed", (1, 100 * record.kind.dry_at), (5, 0), counted=BESIDE,
             size=7.5)  # fmt: skip
    if not len(times):
        note(axes, "no verdict on record", (0.5, 0.5), counted=("axes fraction",) * 2, color=QUIET, ha="center")
    _draw_expected(axes, record, span)
    _draw_found(axes, record)


def curve_of(verdicts: Sequence[Verdict]) -> tuple[np.ndarray, ...]:
    """Times and three curves in %, broken where a verdict expired before the next."""
    rows: list[tuple[float, float, float, float]] = []
    for before, verdict in zip([None, *verdicts[:-1]], verdicts, strict=False):  # none at all is fine
        if before is not None and verdict.time > before.valid_until:
            rows.append((x_of(before.valid_until), np.nan, np.nan, np.nan))
        if (dryness := verdict.dryness) is not None:
            rows.append((x_of(verdict.time), 100 * dryness.low, 100 * dryness.best, 100 * dryness.high))
    return tuple(np.array(rows, dtype=float).reshape(-1, 4).T)


def _draw_expected(axes: Axes, record: CoatRecord, span: Span) -> None:
    """What the first verdict expected (open diamond, bar from early to late), and when it was ready (disc)."""
    first = next((v for v in record.history.verdicts if v.dry_at.best), None) if record.history else None
    needed = 100 * record.kind.dry_at if record.kind else 95.0
    if first is not None and first.dry_at.best:
        early, late = (min(max(t or span.end, span.begin), span.end) for t in (first.dry_at.early, first.dry_at.late))
        axes.plot([x_of(early), x_of(late)], [needed] * 2, color=BLUE, linewidth=4.5, alpha=0.35, zorder=2.5,
                  solid_capstyle="butt")  # fmt: skip
        if span.begin <= first.dry_at.best <= span.end:
            axes.plot(x_of(first.dry_at.best), needed, marker="D", markersize=5.5, color="white",
                      markeredgecolor=BLUE, markeredgewidth=1.4, zorder=4)  # fmt: skip
    ready = record.history.ready_at if record.history else None
    if ready is not None:
        verdict = next(v for v in record.history.verdicts if v.time == ready) if record.history else None
        best = 100 * verdict.dryness.best if verdict and verdict.dryness else needed
        axes.plot(x_of(ready), best, marker="o", markersize=7, color=GREEN, markeredgecolor="white", zorder=5)
        word = "dry" if verdict and verdict.state is State.COMPLETE else "ready"
        late_in = (span.end - ready) / (span.end - span.begin) < 0.1
        note(axes, f"{word} {span.clock(ready)}", (x_of(ready), best), (2 if late_in else 0, -13),
             ha="right" if late_in else "center", size=7.5, ground=True)  # fmt: skip


def _draw_found(axes: Axes, record: CoatRecord) -> None:
    """Weighings, looks, touches and moves as marks at the foot: the tables beneath say what they were."""
    marks: list[tuple[datetime, str]] = [(weigh.time, "d") for weigh in record.weights]
    marks += [(e.time, "^" if isinstance(e, Look) else ">" if isinstance(e, Move) else "s") for e in record.findings]
    for time, marker in marks:
        axes.plot(x_of(time), 4, marker=marker, markersize=5, color=VERMILLION, zorder=4, clip_on=False)


def _draw_strip(axes: Axes, record: CoatRecord, span: Span) -> None:
    axes.set_ylim(0, 1)
    axes.set_yticks([])
    axes.spines[:].set_visible(False)
    dress_time(axes, span, labels=False)
    pieces = record.history.stretches if record.history else []
    draw_states(axes, pieces, span, 0.0, 1.0)
    note(axes, "state", (1, 0.5), (5, 0), counted=BESIDE, size=7.5, color=QUIET)


def _draw_air(axes: Axes, panel: Panel, seen: AirSeen | None, stale: timedelta) -> None:
    axes.tick_params(axis="y", labelsize=7.5)
    axes.yaxis.set_major_locator(MaxNLocator(3, min_n_ticks=2))
    if seen is None:
        axes.set_yticks([])
        note(axes, "not measured", (0.5, 0.5), counted=("axes fraction",) * 2, size=8, color=QUIET, ha="center")
        note(axes, panel.title.partition(",")[0], (1, 0.5), (5, 0), counted=("axes fraction",) * 2, size=7.5,
             color=QUIET)  # fmt: skip
        return
    times, values = [x_of(time) for time, _ in seen.points], [value for _, value in seen.points]
    step = min(np.diff(times), default=0.0)
    broken = np.flatnonzero(np.diff(times) > max(stale / timedelta(days=1), 2.5 * step)) + 1
    axes.plot(np.insert(times, broken, np.nan), np.insert(values, broken, np.nan), color=panel.color, linewidth=1.1)
    if seen.asked:
        axes.axhspan(*seen.asked, color=BAND, zorder=0)
        for limit in seen.asked:
            axes.axhline(limit, color=EDGE, linewidth=0.6, zorder=0.5)
    low, high = min(values), max(values)
    margin = max(0.12 * (high - low), (panel.least - (high - low)) / 2)
    axes.set_ylim(max(low - margin, 0.0) if panel.quantity is Quantity.AIRFLOW else low - margin, high + margin)
    axes.grid(axis="y")
    words = panel.title.replace("relative ", "").replace(", ", ",\n")
    note(axes, words, (1, 0.5), (5, 0), counted=("axes fraction",) * 2, size=7.5, color=panel.color)
