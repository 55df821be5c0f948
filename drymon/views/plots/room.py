"""The room: every tree a lane, its coats as blocks of state, what is to be expected right of now."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from drymon.messages.names import natural
from drymon.readback.coat_history import CoatHistory, Ends, coats_of
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.setup import RoomSetup
from drymon.views.plots.marks import BESIDE, TOP, in_two, inches, note
from drymon.views.plots.states import draw_states, state_key
from drymon.views.plots.style import BLUE, FAINT, INK, LEFT, PAPER, QUIET, RIGHT, WIDTH, drawing, panels, paper
from drymon.views.plots.time_axis import Span, dress_time, x_of

LANE, BLOCK = 1.0, 0.62
"""Height of a lane, and of the blocks in it, in data units; a lane is about 0.36 inches on paper."""


NAME, LONGEST_NAME = 9.5, 20
"""Points and letters of a tree's name on one line; a longer one stands on two smaller ones."""
SMALL = 8.0
RIM, BESIDE_NAME = 0.12, 0.14
"""Inches left free at the sheet's edges, and between a name and its lane."""


def draw_room(
    histories: Mapping[str, Sequence[Verdict]], room: RoomSetup, span: Span, now: datetime, ends: Ends | None = None
) -> Figure:
    """Lanes by rack, then tree. `histories`: verdicts in time order; `now`: where the future begins; `ends`: of coats
    whose tree left.
    """
    with drawing():
        lanes = _lanes(histories, room, now, span, ends)
        height = 1.75 + 0.36 * max(len(lanes) + len({rack for rack, _, _ in lanes}), 2)
        figure = paper(f"Trees in {room.label or room.name}", span.words, height)
        (axes,) = panels(figure, [1], foot=0.66, sides=_sides(lanes, span, now))
        bottom = _draw_lanes(axes, lanes, span, now)
        _dress(axes, bottom, span, now)
        figure.legend(
            handles=state_key(State), loc="upper right", ncols=len(State), frameon=False, fontsize=8,
            bbox_to_anchor=(1.0, 1 - 0.25 / height), handlelength=1.6, columnspacing=1.2,
        )  # fmt: skip
        return figure


Lane = tuple[str, str, list[CoatHistory]]


def _sides(lanes: Sequence[Lane], span: Span, now: datetime) -> tuple[float, float]:
    """Where lanes begin and end: every name and every last word has its room."""
    names = [inches(*_name(tree)) for _, tree, _ in lanes]
    words = [inches(_last_words(coats[-1], span, now), SMALL) for _, _, coats in lanes]
    left = (max(names, default=0.0) + BESIDE_NAME + RIM) / WIDTH
    right = 1 - (max(words, default=0.0) + BESIDE_NAME + RIM) / WIDTH
    return max(LEFT, left), min(RIGHT, right)


def _name(tree: str) -> tuple[str, float]:
    """A tree's name as it is written, and how large."""
    return in_two(tree, LONGEST_NAME), NAME if len(tree) <= LONGEST_NAME else SMALL


def _lanes(
    histories: Mapping[str, Sequence[Verdict]], room: RoomSetup, now: datetime, span: Span, ends: Ends | None
) -> list[Lane]:
    """(rack, tree, coats), the racks in the room's order."""
    order = {rack.name: place for place, rack in enumerate(room.racks)}
    lanes = [
        (verdicts[-1].rack, tree, [c for c in coats_of(verdicts, min(now, span.end), ends) if c.end > span.begin])
        for tree, verdicts in histories.items()
        if verdicts
    ]
    return sorted(
        (lane for lane in lanes if lane[2]),
        key=lambda lane: (order.get(lane[0], len(order)), lane[0], natural(lane[1])),
    )


def _draw_lanes(axes: Axes, lanes: Sequence[Lane], span: Span, now: datetime) -> float:
    """Top down, y growing downwards; returns the height used."""
    y, rack_before = 0.0, None
    for rack, tree, coats in lanes:
        if rack != rack_before:
            note(
                axes,
                rack,
                (0, y + 0.66),
                (2, 0),
                counted=BESIDE,
                size=8.5,
                bold=True,
                color=QUIET,
                ground=True,
            )
            axes.plot([x_of(span.begin), x_of(span.end)], [y + 0.95] * 2, color=FAINT, linewidth=0.8)
            y, rack_before = y + LANE, rack
        _draw_lane(axes, tree, coats, y, span, now)
        y += LANE
    return y


def _draw_lane(axes: Axes, tree: str, coats: Sequence[CoatHistory], y: float, span: Span, now: datetime) -> None:
    middle = y + LANE / 2
    low, high = middle - BLOCK / 2, middle + BLOCK / 2
    name, size = _name(tree)
    note(axes, name, (0, middle), (-72 * BESIDE_NAME, 0), counted=BESIDE, size=size, ha="right")
    for coat in coats:
        draw_states(axes, coat.stretches, span, low, high, words=False)
        _number(axes, coat, middle, span)
        _ready_mark(axes, coat, middle, span)
    if not _has_left(coats[-1], span, now):
        _draw_future(axes, coats[-1].last, middle, span, now)
    words = _last_words(coats[-1], span, now)
    note(axes, words, (1.0, middle), (72 * BESIDE_NAME - 3, 0), counted=BESIDE, size=SMALL, color=QUIET)


def _number(axes: Axes, coat: CoatHistory, middle: float, span: Span) -> None:
    """The coat's number where it begins, with a white edge that parts it from the coat before."""
    begin = coat.first.dipped_at
    if not span.begin <= begin <= span.end:
        return
    axes.plot([x_of(begin)] * 2, [middle - 0.42, middle + 0.42], color="white", linewidth=2.2, zorder=3)
    axes.plot([x_of(begin)] * 2, [middle - 0.42, middle + 0.42], color=INK, linewidth=1.0, zorder=3.1)
    if (coat.end - begin) / (span.end - span.begin) > 0.014:
        note(axes, str(coat.first.number), (x_of(begin), middle), (4, 0), bold=True, clip=True)


def _ready_mark(axes: Axes, coat: CoatHistory, middle: float, span: Span) -> None:
    ready, least = coat.ready_at, (span.end - span.begin) * 0.018
    if ready is not None and span.begin <= ready <= span.end and coat.end - ready > least:
        complete = coat.last.state is State.COMPLETE
        note(axes, "●" if complete else "✔", (x_of(ready), middle), (3, 0), size=9,
             color=PAPER if complete else INK, clip=True)  # fmt: skip


def _draw_future(axes: Axes, last: Verdict, middle: float, span: Span, now: datetime) -> None:
    """When the coat is to be dry: a bar from early to late, a diamond at best."""
    if last.state is not State.DRYING or last.dry_at.best is None or now > last.valid_until:
        return
    early, late = max(last.dry_at.early or now, now), min(last.dry_at.late or span.end, span.end)
    if early < late:
        axes.plot([x_of(early), x_of(late)], [middle] * 2, color=BLUE, linewidth=5, alpha=0.35,
                  solid_capstyle="butt", zorder=2)  # fmt: skip
    if now < last.dry_at.best <= span.end:
        axes.plot(x_of(last.dry_at.best), middle, marker="D", markersize=5.5, color="white",
                  markeredgecolor=BLUE, markeredgewidth=1.5, zorder=4)  # fmt: skip


def _has_left(coat: CoatHistory, span: Span, now: datetime) -> bool:
    """The last coat of a lane ends before the picture's present: its tree is no longer there."""
    return coat.end < min(now, span.end)


def _last_words(coat: CoatHistory, span: Span, now: datetime) -> str:
    """Coat and what comes, on the right."""
    last = coat.last
    words = in_two(f"{last.coat} {last.number}", LONGEST_NAME)
    if _has_left(coat, span, now):
        return f"{words}\nleft {say(coat.end, now, span.zone.key)}"
    if last.state is State.DRYING and last.dry_at.late is not None and now <= last.valid_until:
        words += f"\nby {say(last.dry_at.late, now, span.zone.key)}"
    return words


def _dress(axes: Axes, bottom: float, span: Span, now: datetime) -> None:
    axes.set_ylim(max(bottom, 2.0) + 0.15, 0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    dress_time(axes, span, labels=True)
    if span.begin < now < span.end:
        axes.axvline(x_of(now), color=INK, linewidth=1.2, zorder=5)
        words = f"now {span.clock(now)}"
        note(axes, words, (x_of(now), 1.0), (0, 4), counted=TOP, size=8.5, ha="center", va="bottom")


def future_end(histories: Mapping[str, Sequence[Verdict]], now: datetime) -> datetime:
    """Where a picture should end so that what is expected within a day of `now` is on it."""
    expected = [v[-1].dry_at.late or v[-1].dry_at.best for v in histories.values() if v]
    soon = [time for time in expected if time is not None and now < time < now + timedelta(days=1)]
    return max([*soon, now]) + timedelta(minutes=30) if soon else now
