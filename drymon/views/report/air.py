"""The air that a coat saw, over all racks that it hung on: lowest, mean, highest, and the time without evidence."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise

from drymon.drying.quantities import Quantity
from drymon.shop.corrected import Corrections, corrected
from drymon.shop.reading import Reading
from drymon.shop.setup import Rack, RoomSetup
from drymon.store import Bucket, Channel, Store
from drymon.views.gather import AIR, step_of
from drymon.views.report.life import Stay

MOST_STEPS = 6000
Limits = tuple[float, float]


@dataclass(frozen=True)
class AirSeen:
    """One quantity over one coat, in default units; `points` are the means of each step, `gap` the time without any.

    inside: share of the known time within what the coat asks for (0 to 1), None where it asks for nothing.
    """

    quantity: Quantity
    low: float
    mean: float
    high: float
    gap: timedelta
    longest_gap: timedelta
    asked: Limits | None
    inside: float | None
    points: tuple[tuple[datetime, float], ...]


class CoatAir:
    """Reads a room's air from its store, as calibrated, doubted readings left out."""

    def __init__(self, store: Store, room: RoomSetup) -> None:
        self._store, self._room = store, room
        self.channels = [Channel(last.place, last.quantity.value, last.sensor) for last in store.latest_readings()]
        self._corrections = Corrections.of(store.calibrations())

    def places(self, rack: str) -> tuple[str, ...]:
        """Whose readings count for a rack, first choice first."""
        known = self._room.rack_by_name.get(rack) or Rack(rack)
        return known.air or (rack, "room")

    def seen(self, stays: Sequence[Stay], asked: Mapping[Quantity, Limits | None]) -> dict[Quantity, AirSeen]:
        """What the coat saw, by quantity; a quantity that nobody measured is not among them."""
        step = step_of(stays[0].begin, stays[-1].end, MOST_STEPS)
        found = {q: [bucket for stay in stays for bucket in self._stay(stay, q, step)] for q in AIR}
        longest = max(timedelta(minutes=self._room.stale_after_min), 2 * step)
        span = stays[0].begin, stays[-1].end
        return {q: _seen(q, buckets, span, longest, asked.get(q)) for q, buckets in found.items() if buckets}

    def buckets(self, channel: Channel, begin: datetime, end: datetime, step: timedelta) -> Iterator[Bucket]:
        """One channel's buckets, corrected by its calibrations."""
        for bucket in self._store.series(channel, begin, end, step):
            yield self._true(channel, bucket) if self._corrections.by_sensor else bucket

    def _stay(self, stay: Stay, quantity: Quantity, step: timedelta) -> list[Bucket]:
        merged: dict[datetime, Bucket] = {}
        for place in reversed(self.places(stay.rack)):
            own: dict[datetime, list[Bucket]] = {}
            for channel in self.channels:
                if channel[:2] == (place, quantity.value):
                    for bucket in self.buckets(channel, stay.begin, stay.end, step):
                        own.setdefault(bucket.start, []).append(bucket)
            merged.update({start: _together(buckets) for start, buckets in own.items()})
        return [merged[start] for start in sorted(merged)]

    def _true(self, channel: Channel, bucket: Bucket) -> Bucket:
        place, quantity, sensor = channel
        reading = Reading(bucket.start, bucket.start, place, Quantity(quantity), 0.0, sensor)
        low, mean, high = (
            corrected(replace(reading, value=value), self._corrections).value
            for value in (bucket.low, bucket.mean, bucket.high)
        )
        return Bucket(bucket.start, low, mean, high, bucket.count)


def _together(buckets: Sequence[Bucket]) -> Bucket:
    """Several sensors of one place: the mean of their means, the widest of their limits."""
    mean = sum(bucket.mean for bucket in buckets) / len(buckets)
    low, high = min(bucket.low for bucket in buckets), max(bucket.high for bucket in buckets)
    return Bucket(buckets[0].start, low, mean, high, sum(bucket.count for bucket in buckets))


def _seen(
    quantity: Quantity,
    buckets: Sequence[Bucket],
    span: tuple[datetime, datetime],
    longest: timedelta,
    asked: Limits | None,
) -> AirSeen:
    gaps = [after - before for before, after in pairwise(_edges(buckets, span)) if after - before > longest]
    inside = sum(asked[0] <= bucket.mean <= asked[1] for bucket in buckets) / len(buckets) if asked else None
    return AirSeen(
        quantity=quantity,
        low=min(bucket.low for bucket in buckets),
        mean=sum(bucket.mean for bucket in buckets) / len(buckets),
        high=max(bucket.high for bucket in buckets),
        gap=sum(gaps, timedelta(0)),
        longest_gap=max(gaps, default=timedelta(0)),
        asked=asked,
        inside=inside,
        points=tuple((bucket.start, bucket.mean) for bucket in buckets),
    )


def _edges(buckets: Iterable[Bucket], span: tuple[datetime, datetime]) -> list[datetime]:
    begin, end = span
    return [begin, *(min(max(bucket.start, begin), end) for bucket in buckets), end]
