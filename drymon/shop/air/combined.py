"""What counts as a rack's air where several sensors report: the median of the fresh ones, at the first place that has
any.

One rule for the live air, for fits, pictures, the page and reports. Pure; a word is whatever a sensor says: a number,
or a step's lowest, mean and highest value.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime, timedelta
from operator import itemgetter
from typing import TypeVar

T = TypeVar("T")

Words = Sequence[tuple[datetime, T]]
"""What one sensor said, in time order."""


def first_place(places: Iterable[Sequence[T]], together: Callable[[Sequence[T]], T]) -> T | None:
    """The word of the first place that has fresh ones, None where none has.

    places: their fresh words, first choice first. together: makes one word of several, the median of them.
    """
    return next((together(fresh) for fresh in places if fresh), None)


def over_time(
    instants: Iterable[datetime],
    places: Sequence[Sequence[Words[T]]],
    hold: timedelta,
    together: Callable[[Sequence[T]], T],
) -> Iterator[tuple[datetime, T]]:
    """What counts at each instant; those at which nothing is fresh are left out.

    places: for each of them, first choice first, its sensors. hold: how long a word stays fresh, its end left out.
    """
    for instant in instants:
        fresh = ([word for sensor in place for word in _held(sensor, instant, hold)] for place in places)
        found = first_place(fresh, together)
        if found is not None:
            yield instant, found


def _held(words: Words[T], instant: datetime, hold: timedelta) -> Sequence[T]:
    """The newest word at an instant, if it is fresh."""
    place = bisect_right(words, instant, key=itemgetter(0)) - 1
    return [words[place][1]] if place >= 0 and instant - words[place][0] < hold else []
