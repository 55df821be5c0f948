"""When people are there: the spans of time in which a dip can be begun and done."""

import math
from bisect import bisect_left
from datetime import date, datetime, timedelta, tzinfo
from functools import lru_cache

from drymon.shop.facts.setup import Hours

HORIZON = timedelta(days=60)
"""How far a plan reaches: a shell of fifteen coats on the slowest starting model and a closed week."""


class OpenHours:
    """The spans from the day before `begin` to `HORIZON` after it; times are seconds since 1970."""

    def __init__(self, hours: Hours, zone: tzinfo, begin: float) -> None:
        self._spans = _spans(hours, zone, datetime.fromtimestamp(begin, zone).date())
        self._ends = [end for _, end in self._spans]

    def first(self, at: float, work_s: float) -> float:
        """The first moment from `at` on at which work of so many seconds can begin and be done while people are there;
        infinite where there is none within the horizon.
        """
        for begin, end in self._spans[bisect_left(self._ends, at) :]:
            start = max(at, begin)
            if start + work_s <= end:
                return start
        return math.inf

    def end_of_span(self, at: float) -> float:
        """When people go home who are there at `at`, or who come next after it."""
        index = bisect_left(self._ends, at)
        return self._ends[index] if index < len(self._spans) else math.inf


@lru_cache(maxsize=8)
def _spans(hours: Hours, zone: tzinfo, today: date) -> list[tuple[float, float]]:
    """Spans by time; those that touch are one. Kept: a plan is made many times a day."""
    found: list[tuple[float, float]] = []
    for ahead in range(-1, HORIZON.days + 1):
        day = today + timedelta(days=ahead)
        if day.weekday() not in hours.days:
            continue
        overnight = hours.end_min <= hours.begin_min
        start = _moment(day, hours.begin_min, zone)
        end = _moment(day + timedelta(days=1) if overnight else day, hours.end_min, zone)
        if found and start <= found[-1][1]:
            found[-1] = found[-1][0], max(end, found[-1][1])
        else:
            found.append((start, end))
    return found


def _moment(day: date, minutes: int, zone: tzinfo) -> float:
    """So many minutes after midnight on the wall's clock; 24:00 is the next midnight."""
    days, rest = divmod(minutes, 24 * 60)
    on = day + timedelta(days=days)
    return datetime(on.year, on.month, on.day, rest // 60, rest % 60, tzinfo=zone).timestamp()
