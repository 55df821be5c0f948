"""The plan: every tree a lane, its coming dips on it, whole days side by side; for a desk, and narrow for a phone."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from drymon.messages.names import natural
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import DayPlan, PlannedDip, State, When
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.plan.open_hours import OpenHours
from drymon.views.plots.marks import BESIDE, TOP, in_two, note
from drymon.views.plots.style import BAND, BLUE, FAINT, GREEN, INK, LOOKS, PAPER, QUIET, RUST, drawing
from drymon.views.plots.time_axis import day, x_of

LANE_IN, HEAD_IN = 0.46, 1.02
FILL = LOOKS[State.DRYING].fill
SPAN_BELOW = 0.32
"""Of a lane's height: where the span stands in which a dip may be done."""


@dataclass(frozen=True)
class Sheet:
    """Measures of a sheet in inches: its width, and what names, last words and the key take; days: at most."""

    wide: float
    left: float
    right: float
    foot: float
    days: int


DESK, PHONE = Sheet(11.0, 1.35, 1.25, 0.6, 14), Sheet(4.6, 0.95, 0.12, 0.85, 4)


def draw_plan(plan: DayPlan, room: RoomSetup, zone: tzinfo, until: datetime, sheet: Sheet = DESK) -> Figure:
    """Lanes by the first dip to come. until: what comes later is not drawn, and whole days are."""
    lanes = _lanes(plan)
    begin, end = _span(plan, zone, until, sheet)
    height = HEAD_IN + sheet.foot + LANE_IN * max(len(lanes), 2)
    with drawing():
        figure = Figure(figsize=(sheet.wide, height), facecolor=PAPER)
        _head(figure, plan, room, zone, sheet, height)
        axes = figure.add_axes(
            (
                sheet.left / sheet.wide,
                sheet.foot / height,
                1.0 - (sheet.left + sheet.right) / sheet.wide,
                1.0 - (HEAD_IN + sheet.foot) / height,
            )
        )
        _dress(axes, room, zone, (begin, end), max(len(lanes), 2))
        for place, (tree, dips) in enumerate(lanes.items()):
            _draw_lane(axes, (tree, dips, plan.finishes.get(tree)), place + 0.5, (begin, end), sheet, zone)
        _now(axes, plan.time, zone)
        columns = 2 if sheet is PHONE else 6
        figure.legend(
            handles=_key(), loc="lower left", ncols=columns, frameon=False, fontsize=7.5, borderaxespad=0.3,
            columnspacing=1.2,
        )  # fmt: skip
        return figure


def _lanes(plan: DayPlan) -> Mapping[str, list[PlannedDip]]:
    """Dips by tree; first the tree that is dipped first, then those that only dry on."""
    lanes: dict[str, list[PlannedDip]] = {}
    for dip in sorted((*plan.now, *plan.next, *plan.later), key=lambda dip: (dip.at, natural(dip.tree))):
        lanes.setdefault(dip.tree, []).append(dip)
    return lanes | {tree: [] for tree in sorted(plan.finishes, key=natural) if tree not in lanes}


def _span(plan: DayPlan, zone: tzinfo, until: datetime, sheet: Sheet) -> tuple[datetime, datetime]:
    """Whole days from today to the one in which the last thing within `until` falls."""
    begin = _midnight(plan.time.astimezone(zone))
    moments = [dip.at for dip in (*plan.now, *plan.next, *plan.later)] + [
        finish.best for finish in plan.finishes.values() if finish.best is not None
    ]
    last = max([moment for moment in moments if moment <= until], default=plan.time)
    end = _midnight(last.astimezone(zone)) + timedelta(days=1)
    return begin, min(end, _midnight(begin + timedelta(days=sheet.days, hours=1)))


def _midnight(local: datetime) -> datetime:
    return local.replace(hour=0, minute=0, second=0, microsecond=0)


def _head(figure: Figure, plan: DayPlan, room: RoomSetup, zone: tzinfo, sheet: Sheet, height: float) -> None:
    small = sheet is PHONE
    left = 0.12 / sheet.wide
    made = plan.time.astimezone(zone)
    title = "Dips to come" if small else f"Dips to come in {room.label or room.name}"
    figure.text(left, 1 - 0.36 / height, title, fontsize=12.5 if small else 15, fontweight="bold", va="baseline")
    words = f"by the air of the day before {day(made)} {made.year}, {made:%H:%M}"
    figure.text(left, 1 - 0.60 / height, words, fontsize=8.5 if small else 9.5, color=QUIET, va="baseline")


def _dress(axes: Axes, room: RoomSetup, zone: tzinfo, span: tuple[datetime, datetime], lanes: int) -> None:
    begin, end = span
    axes.set_xlim(x_of(begin), x_of(end))
    axes.set_ylim(lanes, 0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    for start, stop in _closed(room, zone, span):
        axes.axvspan(x_of(start), x_of(stop), color=BAND, linewidth=0, zorder=0)
    midnights = list(_midnights(begin, end))
    for midnight in midnights:
        axes.axvline(x_of(midnight), color=FAINT, linewidth=1.4, zorder=0.5)
    noons = [midnight + timedelta(hours=12) for midnight in midnights if midnight < end]
    every = -(-len(noons) // 7)  # at most seven names of days beside each other
    axes.set_xticks([x_of(noon) for noon in noons[::every]])
    axes.set_xticklabels([day(noon.astimezone(zone)) for noon in noons[::every]], fontsize=8.5, color=QUIET)


def _midnights(begin: datetime, end: datetime) -> Iterator[datetime]:
    """On the wall's clock: a day of a change of the clock has 23 or 25 hours."""
    midnight = begin
    while midnight <= end:
        yield midnight
        midnight = _midnight(midnight + timedelta(days=1))


def _closed(room: RoomSetup, zone: tzinfo, span: tuple[datetime, datetime]) -> Iterator[tuple[datetime, datetime]]:
    """When nobody is there."""
    begin, end = span
    hours, at = OpenHours(room.hours, zone, begin.timestamp()), begin.timestamp()
    while at < end.timestamp():
        opens = min(hours.first(at, 0.0), end.timestamp())
        if opens > at:
            yield datetime.fromtimestamp(at, zone), datetime.fromtimestamp(opens, zone)
        at = max(hours.end_of_span(opens), opens) + 1.0


def _draw_lane(
    axes: Axes,
    lane: tuple[str, Sequence[PlannedDip], When | None],
    middle: float,
    span: tuple[datetime, datetime],
    sheet: Sheet,
    zone: tzinfo,
) -> None:
    tree, dips, finish = lane
    name = dips[0].called if dips else tree
    size = 8.0 if sheet is PHONE else 9.5
    note(axes, in_two(name, 11 if sheet is PHONE else 16), (0, middle), (-8, 0), counted=BESIDE, size=size, ha="right")
    axes.plot([x_of(span[0]), x_of(span[1])], [middle + 0.5] * 2, color=FAINT, linewidth=0.6, zorder=0.4)
    for dip in dips:
        if dip.at < span[1]:
            _draw_dip(axes, dip, middle)
    done = finish.best if finish is not None else None
    if done is not None and done < span[1]:
        axes.plot(x_of(done), middle, marker="o", markersize=7, color=INK, zorder=4, clip_on=False)
    if sheet is DESK:
        words = "dry at last\nin more than 60 days" if done is None else f"dry at last\n{say(done, span[0], zone)}"
        note(axes, words, (1.0, middle), (10, 0), counted=BESIDE, size=7.5, color=QUIET)


def _draw_dip(axes: Axes, dip: PlannedDip, middle: float) -> None:
    """Its coat drying from then on, the span in which it may be done, and the dip itself with its number."""
    at = x_of(dip.at)
    if dip.dry is not None and dip.dry.late is not None:
        axes.barh(middle, x_of(dip.dry.late) - at, left=at, height=0.3, color=FILL, zorder=1, linewidth=0)
    early, late = dip.allowed.early, dip.allowed.late
    if early is not None and late is not None:
        axes.plot([x_of(early), x_of(late)], [middle + SPAN_BELOW] * 2, color=BLUE, linewidth=1.6, zorder=2)
    colour = BLUE if not dip.note else RUST
    axes.plot(at, middle, marker="s", markersize=11, color=PAPER, markeredgecolor=colour, markeredgewidth=1.4, zorder=3)
    note(axes, str(dip.number), (at, middle), size=7.0, ha="center", bold=True, clip=True)


def _now(axes: Axes, now: datetime, zone: tzinfo) -> None:
    axes.axvline(x_of(now), color=GREEN, linewidth=1.4, zorder=2.5)
    words = f"{now.astimezone(zone):%H:%M}"
    note(axes, words, (x_of(now), 1.0), (0, 3), counted=TOP, size=8.0, ha="center", va="bottom")


def _key() -> list[Patch | Line2D]:
    return [
        _box(BLUE, "dip, with the coat's number"),
        _box(RUST, "somebody must mind this one"),
        Line2D([], [], color=BLUE, linewidth=1.6, label="from when it may be done"),
        Patch(color=FILL, label="drying until surely dry"),
        Line2D([], [], marker="o", markersize=6, color=INK, linestyle="", label="last coat dry"),
        Patch(color=BAND, label="nobody is there"),
    ]


def _box(edge: str, words: str) -> Line2D:
    return Line2D([], [], marker="s", markersize=8, color=PAPER, markeredgewidth=1.4, markeredgecolor=edge,
                  linestyle="", label=words)  # fmt: skip
