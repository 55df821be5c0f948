"""The axis of time in the room's own time zone: hours below, days beneath them, midnight as a quiet line."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import matplotlib.dates
from matplotlib.axes import Axes

from drymon.shop.facts.local_time import clock
from drymon.views.plots.marks import note
from drymon.views.plots.style import FAINT, QUIET

STEPS_H = (1, 2, 3, 6, 12, 24)
MOST_TICKS = 14
SIZE, LETTER_IN = 8.5, 0.066
"""Of the words below the axis: points, and inches that a letter takes."""


@dataclass(frozen=True)
class Span:
    """What part of time a picture shows, `begin` to `end` (aware), and in which zone people read it."""

    begin: datetime
    end: datetime
    zone: ZoneInfo

    @property
    def hours(self) -> float:
        """Length in hours."""
        return (self.end - self.begin) / timedelta(hours=1)

    @property
    def words(self) -> str:
        """`Mon 3 Mar 2031, 06:00 to Thu 6 Mar, 06:00 (Europe/Berlin)`."""
        begin, end = self.begin.astimezone(self.zone), self.end.astimezone(self.zone)
        until = f"{end:%H:%M}" if end.date() == begin.date() else f"{day(end)}, {end:%H:%M}"
        return f"{day(begin)} {begin.year}, {begin:%H:%M} to {until} ({self.zone.key})"

    def clock(self, time: datetime) -> str:
        """`14:05` on the room's clock."""
        return clock(time, self.zone)

    def local(self, time: datetime) -> datetime:
        """`time` in the room's zone."""
        return time.astimezone(self.zone)


x_of: Callable[[datetime], float] = matplotlib.dates.date2num
"""Where a time (aware) stands on the axis."""


def day(local: datetime) -> str:
    """`Mon 3 Mar`."""
    return f"{local:%a} {local.day} {local:%b}"


def dress_time(axes: Axes, span: Span, labels: bool) -> None:
    """Limits, hour ticks and midnights for `span`; `labels` on the lowest panel only."""
    axes.set_xlim(x_of(span.begin), x_of(span.end))
    marks = list(_marks(span))
    axes.set_xticks([x_of(mark) for mark in marks])
    axes.set_xticklabels([_word(span.local(mark)) for mark in marks] if labels else [""] * len(marks))
    for midnight in _midnights(span):
        axes.axvline(x_of(midnight), color=FAINT, linewidth=1.6, zorder=0.5)
    axes.grid(axis="x", visible=False)
    if labels:
        axes.tick_params(axis="x", labelsize=SIZE, labelcolor=QUIET)
        _name_first_day(axes, span, marks)


def dress_long_time(axes: Axes, span: Span, labels: bool) -> None:
    """Limits and ticks of days, weeks or months for `span`; `labels` on the lowest panel only."""
    axes.set_xlim(x_of(span.begin), x_of(span.end))
    locator = matplotlib.dates.AutoDateLocator(tz=span.zone, minticks=5, maxticks=13)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(matplotlib.dates.ConciseDateFormatter(locator, tz=span.zone))
    axes.tick_params(axis="x", labelbottom=labels)


def _word(local: datetime) -> str:
    # Two lines each, so that all of them stand on one height.
    return f"{local:%H:%M}\n" + (day(local) if _is_midnight(local) else " ")


def _name_first_day(axes: Axes, span: Span, marks: list[datetime]) -> None:
    """The picture seldom begins at midnight; name its first day where the next day's name leaves room."""
    name = day(span.local(span.begin))
    midnight = next((mark for mark in marks if _is_midnight(span.local(mark))), span.end)
    # It begins at the edge, the next one stands half to the left of its midnight; a letter's width between them.
    wide = (1.5 * len(name) + 1) * LETTER_IN * axes.figure.dpi / axes.bbox.width
    if (midnight - span.begin) / (span.end - span.begin) > wide:
        note(axes, name, (0, 0), (0, -19.5), counted=("axes fraction",) * 2, size=SIZE, color=QUIET)


def _is_midnight(local: datetime) -> bool:
    return (local.hour, local.minute) == (0, 0)


def _marks(span: Span) -> Iterator[datetime]:
    """Whole local hours at the narrowest step that leaves room for the words."""
    step = next((hours for hours in STEPS_H if span.hours / hours <= MOST_TICKS), 24)
    for midnight in _midnights(span, before=True):
        for hour in range(0, 24, step):
            # From the local date, not by adding hours: 06:00 stays 06:00 over a change to summer time.
            mark = midnight.replace(hour=hour).astimezone(UTC)
            if span.begin <= mark <= span.end:
                yield mark


def _midnights(span: Span, before: bool = False) -> Iterator[datetime]:
    """Local midnights within the span; `before`: the one before it too."""
    date = span.local(span.begin).date()
    if not before:
        date += timedelta(days=1)
    while (midnight := datetime(date.year, date.month, date.day, tzinfo=span.zone)) <= span.end:
        yield midnight
        date += timedelta(days=1)
