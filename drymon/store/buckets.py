"""Spans of time and what their readings come to: lowest, mean and highest value, and how many there are. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Self

from drymon.store.exact import mean_of, rest_of, restored, total_of

MINUTE = 60_000_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
"""Microseconds."""

Key = tuple[int, int]
"""A bucket's channel and start."""


@dataclass(frozen=True, slots=True)
class Bucket:
    """Lowest, mean and highest value of the `count` readings from `start` on."""

    start: datetime
    low: float
    mean: float
    high: float
    count: int


@dataclass(slots=True)
class Heap:
    """What the readings of one bucket come to. total: their exact sum, see `exact`."""

    low: float
    high: float
    count: int
    total: int

    @classmethod
    def of(cls, values: Sequence[float]) -> Self:
        """Of one reading or more."""
        return cls(min(values), max(values), len(values), total_of(values))

    @classmethod
    def of_row(cls, low: float, mean: float, high: float, count: int, rest: bytes | None) -> Self:
        """As `row` tells it."""
        return cls(low, high, count, restored(mean, count, rest))

    def add(self, other: "Heap") -> None:
        """Take in what other readings come to."""
        self.low, self.high = min(self.low, other.low), max(self.high, other.high)
        self.count, self.total = self.count + other.count, self.total + other.total

    def row(self) -> tuple[float, float, float, int, bytes | None]:
        """low, mean, high, count, rest."""
        mean = mean_of(self.total, self.count)
        return self.low, mean, self.high, self.count, rest_of(self.total, self.count)


def gathered(values: Iterable[tuple[int, int, float]]) -> dict[Key, Heap]:
    """One heap for each channel and start among (channel, start, value)."""
    found: dict[Key, list[float]] = {}
    for channel, start, value in values:
        found.setdefault((channel, start), []).append(value)
    return {key: Heap.of(each) for key, each in found.items()}


def by_hour(minutes: Mapping[Key, Heap]) -> dict[Key, Heap]:
    """The heaps of the hours that these minutes lie in."""
    hours: dict[Key, Heap] = {}
    for (channel, start), heap in minutes.items():
        key = channel, start // HOUR * HOUR
        if key in hours:
            hours[key].add(heap)
        else:
            hours[key] = replace(heap)
    return hours
