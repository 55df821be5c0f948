"""A tree's drying: the share of each coat's water gone, against what a redip needs; its states below."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drymon.readback.coat_history import CoatHistory, Stretch, coats_of, ends_of
from drymon.readback.now import percent
from drymon.shop.facts.events import Event, Felt, Look, Weigh
from drymon.shop.facts.lives import Life, lives_of
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.verdict.reasons import WIDENING
from drymon.views.plots.coat_names import ROW_IN, coat_names, draw_coat_names
from drymon.views.plots.marks import TOP, Shelf, inches, note
from drymon.views.plots.room import future_end
from drymon.views.plots.states import draw_states
from drymon.views.plots.style import (
    BLUE,
    GREEN,
    INK,
    LEFT,
    PAPER,
    QUIET,
    RIGHT,
    SKY,
    VERMILLION,
    WIDTH,
    drawing,
    panels,
    paper,
)
from drymon.views.plots.time_axis import Span, dress_time, x_of

EVERYDAY = (ReasonCode.WET, ReasonCode.TOO_SOON, *WIDENING)
"""Reasons that the curve or the title tells; only the others are written beside the strip."""

WEIGHED = "weighed"
READY_ROWS, READY_IN = 3, 0.68
"""Rows for the words on when coats were ready, and the width of such words in inches."""
PANEL_IN = WIDTH * (RIGHT - LEFT)
MOST_IN = WIDTH * (1 - LEFT) - 0.15
"""Width of the panels, and how far from their left edge words may reach, in inches."""


def draw_tree(
    tree: str,
    verdicts: Sequence[Verdict],
    events: Sequence[Event],
    room: RoomSetup,
    span: Span,
    now: datetime,
) -> Figure:
    """The tree's coats over `span`: share of water gone with its 5 and 95 % bounds, states beneath.

    verdicts: in time order; `now` is where they end and the future begins.
    """
    with drawing():
        lives = lives_of(events, now)
        ends = ends_of(lives)
        coats = [coat for coat in coats_of(verdicts, min(span.end, now), ends) if coat.end > span.begin]
        hangs = bool(coats) and (tree, coats[-1].first.dipped_at) not in ends
        names = coat_names(coats, span)
        higher = ROW_IN * max((name.row for name in names), default=0)
        when = f"{span.words} · {_as_of(coats[-1].last, span)}" if hangs else span.words
        figure = paper(f"Drying of tree {tree}", when, height=5.95 + higher, also=_wider(coats))
        curve, strip = panels(figure, [8, 0.75], gap=0.34, foot=0.66, head=1.27 + higher)
        _dress_curve(curve, span)
        for coat in coats:
            _draw_coat(curve, coat, room, span, span.end if hangs and coat is coats[-1] else coat.end)
        _draw_ready(curve, coats, span)
        draw_coat_names(curve, names)
        if hangs:
            _draw_expected(curve, coats, room, span)
        _label_end(curve, coats, room)
        _draw_findings(curve, tree, [event for life in lives for event in life.events], span)
        _draw_strip(strip, coats, span)
        return figure


def end_of_picture(life: Life | None, verdicts: Sequence[Verdict], now: datetime) -> datetime:
    """Where a tree's picture should end: a little after it left, else so that what is expected soon is on it."""
    if life is not None and life.ended_by is not None:
        return life.end + timedelta(minutes=30)
    return future_end({"": verdicts}, now)


def _as_of(last: Verdict, span: Span) -> str:
    """Which word on the tree is the last on the picture: the page may already say a newer one."""
    return f"as of {span.clock(last.time)}"


def _wider(coats: Sequence[CoatHistory]) -> str:
    widened = {reason.code for coat in coats for reason in coat.last.reasons}
    words = [code.replace("-", " ") for code in WIDENING if code in widened]
    return f"bounds are wider for: {', '.join(words)}" if words else ""


def _dress_curve(axes: Axes, span: Span) -> None:
    axes.set_ylim(0, 109)
    axes.set_yticks([0, 20, 40, 60, 80, 100])
    axes.set_ylabel("removable water gone from the slowest part, %")
    axes.grid(axis="y")
    dress_time(axes, span, labels=False)


def _draw_coat(axes: Axes, coat: CoatHistory, room: RoomSetup, span: Span, until: datetime) -> None:
    known = [verdict for verdict in coat.verdicts if verdict.dryness is not None]
    times, low, best, high = _broken_at_gaps(known)
    axes.fill_between(times, low, high, color=SKY, alpha=0.35, linewidth=0)
    axes.plot(times, best, color=BLUE, linewidth=1.8)
    coat_type = room.coat_by_name.get(coat.first.coat)
    if coat_type is not None:
        reach = [x_of(max(coat.first.dipped_at, span.begin)), x_of(min(until, span.end))]
        axes.plot(reach, [100 * coat_type.dry_at] * 2, color=INK, linewidth=1.0, linestyle=(0, (5, 3)))
    _draw_dip(axes, coat, span)


def _broken_at_gaps(verdicts: Sequence[Verdict]) -> tuple[np.ndarray, ...]:
    """Times and the three curves in %, broken (not a number) where nobody watched."""
    rows: list[tuple[float, float, float, float]] = []
    for before, verdict in zip([None, *verdicts[:-1]], verdicts, strict=False):  # none at all is fine
        if before is not None and verdict.time > before.valid_until:
            rows.append((x_of(before.valid_until), np.nan, np.nan, np.nan))
        dryness = verdict.dryness
        assert dryness is not None
        rows.append((x_of(verdict.time), 100 * dryness.low, 100 * dryness.best, 100 * dryness.high))
    return tuple(np.array(rows, dtype=float).reshape(-1, 4).T)


def _draw_dip(axes: Axes, coat: CoatHistory, span: Span) -> None:
    if coat.first.dipped_at < span.begin:
        return
    x = x_of(coat.first.dipped_at)
    axes.axvline(x, ymax=100 / 109, color=QUIET, linewidth=0.9, zorder=1)
    axes.plot(x, 104.5, marker="o", markersize=13, color=QUIET, clip_on=False, zorder=5)
    note(axes, str(coat.first.number), (x, 104.5), ha="center", bold=True, color="white")


def _draw_ready(axes: Axes, coats: Sequence[CoatHistory], span: Span) -> None:
    """When each coat was ready; words that would cover one another stand in rows."""
    ends = [-1.0] * READY_ROWS
    for coat in coats:
        ready = coat.ready_at
        if ready is None or not span.begin <= ready <= span.end:
            continue
        at = next(v for v in coat.verdicts if v.time == ready)
        best = 100 * at.dryness.best if at.dryness else 100.0
        axes.plot(x_of(ready), best, marker="o", markersize=7, color=GREEN, markeredgecolor="white", zorder=5)
        word = "dry " if at.state is State.COMPLETE else "✔ "
        share = (ready - span.begin) / (span.end - span.begin)
        row = next((row for row, end in enumerate(ends) if end <= share * PANEL_IN), READY_ROWS - 1)
        ends[row] = share * PANEL_IN + READY_IN
        note(axes, f"{word}{span.clock(ready)}", (x_of(ready), best), (0, -27 - 13 * row),
             ha="right" if share > 0.95 else "left", ground=True)  # fmt: skip


def _draw_expected(axes: Axes, coats: Sequence[CoatHistory], room: RoomSetup, span: Span) -> None:
    """Where the last coat is to cross the line: best as a diamond, early and late as a bar; in words as well."""
    last = coats[-1].last if coats else None
    coat_type = room.coat_by_name.get(last.coat) if last else None
    if last is None or coat_type is None or last.state is not State.DRYING:
        return
    needed, (early, best, late) = 100 * coat_type.dry_at, (last.dry_at.early, last.dry_at.best, last.dry_at.late)
    begin, end = max(early or last.time, last.time), min(late or span.end, span.end)
    if begin < end:
        axes.plot([x_of(begin), x_of(end)], [needed] * 2, color=BLUE, linewidth=4, alpha=0.45, zorder=3)
    if best and last.time < best <= span.end:
        axes.plot(x_of(best), needed, marker="D", markersize=6, color="white", markeredgecolor=BLUE,
                  markeredgewidth=1.6, zorder=5)  # fmt: skip
        words = f"expected {span.clock(best)}"
        note(axes, words, (x_of(best), needed), (0, -14), ha="center", color=BLUE, ground=True)
    if late and last.time < late <= span.end:
        words = f"surely by {span.clock(late)}"
        note(axes, words, (x_of(late), needed), (0, -27), ha="right", color=BLUE, ground=True)


def _label_end(axes: Axes, coats: Sequence[CoatHistory], room: RoomSetup) -> None:
    """Name the curves where they end, on the right: no legend to look up."""
    known = [v for coat in coats[-1:] for v in coat.verdicts if v.dryness is not None]
    if not known or (last := known[-1].dryness) is None:
        return
    shelf = Shelf(axes, gap=0.05)
    shelf.put(100 * last.high, f"{percent(last.high)} % at most", QUIET)
    shelf.put(100 * last.best, f"{percent(last.best)} % gone", BLUE, bold=True)
    shelf.put(100 * last.low, f"{percent(last.low)} % at least", QUIET)
    coat_type = room.coat_by_name.get(known[-1].coat)
    if coat_type is not None:
        shelf.put(100 * coat_type.dry_at - 1e-6, f"{100 * coat_type.dry_at:.0f} % needed", INK)
    shelf.draw()


def _draw_findings(axes: Axes, tree: str, events: Sequence[Event], span: Span) -> None:
    """What people found, as small marks above the time axis; a word only where the next mark leaves room for it.

    That it was weighed is said once: all those marks are alike.
    """
    own = [event for event in events if getattr(event, "tree", None) == tree and span.begin <= event.time <= span.end]
    found = [(event.time, finding) for event in own if (finding := _finding(event))]
    followers = [time for time, _ in found[1:]] + [span.end] * bool(found)
    told: set[str] = set()
    for (time, (marker, word)), after in zip(found, followers, strict=True):
        axes.plot(x_of(time), 3, marker=marker, markersize=5, color=VERMILLION, zorder=4)
        if word not in told and (after - time) / (span.end - span.begin) * PANEL_IN > inches(word, 7.5) + 0.2:
            note(axes, word, (x_of(time), 3), (5, 0), size=7.5)
            told |= {WEIGHED} & {word}
    first = next((time for time, (_, word) in found if word == WEIGHED), None)
    if first is not None and WEIGHED not in told:
        late = (span.end - first) / (span.end - span.begin) * PANEL_IN < inches(WEIGHED, 7.5) + 0.2
        note(axes, WEIGHED, (x_of(first), 3), (0, 9), size=7.5, ha="right" if late else "left", ground=True)


def _finding(event: Event) -> tuple[str, str] | None:
    """Marker and word of a finding, None for other events."""
    if isinstance(event, Weigh):
        return "d", WEIGHED
    if isinstance(event, Felt):
        return "s", event.words
    return ("^", f"looked: {event.finding}") if isinstance(event, Look) else None


def _draw_strip(axes: Axes, coats: Sequence[CoatHistory], span: Span) -> None:
    axes.set_ylim(0, 1)
    axes.set_yticks([])
    axes.spines[:].set_visible(False)
    dress_time(axes, span, labels=True)
    free_from = span.begin
    for coat in coats:
        pieces = coat.stretches
        draw_states(axes, pieces, span, 0.0, 1.0)
        if span.begin < coat.first.dipped_at < span.end:
            axes.axvline(x_of(coat.first.dipped_at), color=PAPER, linewidth=1.6, zorder=3)
        for piece in pieces:
            words = _why(piece)
            if words and piece.begin >= free_from:
                wide = inches(f"▾ {words}", 7.5)
                over = max(0.0, PANEL_IN * ((piece.begin - span.begin) / (span.end - span.begin)) + wide - MOST_IN)
                note(axes, f"▾ {words}", (x_of(piece.begin), 1.0), (-3 - 72 * over, 4), counted=TOP, size=7.5,
                     va="bottom")  # fmt: skip
                free_from = piece.begin + (span.end - span.begin) * ((wide + 0.2) / PANEL_IN)


def _why(piece: Stretch) -> str:
    """The reasons of a stretch that the curve does not show by itself, in a few words."""
    if not piece.watched:
        return "not watched"
    if piece.state not in (State.HOLD, State.UNKNOWN):
        return ""
    codes = [reason.code for reason in piece.reasons if reason.code not in EVERYDAY]
    return " · ".join(code.replace("-", " ") for code in codes[:2])
