"""The air that a coat saw, over all racks that it hung on: lowest, mean, highest, and the time without evidence."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from drymon.drying.quantities import Quantity
from drymon.readback.air_record import AirRecord
from drymon.readback.gather import AIR, step_of
from drymon.shop.facts.lives import Stay
from drymon.shop.facts.setup import RoomSetup
from drymon.store import Bucket

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


def air_seen(
    air: AirRecord, room: RoomSetup, stays: Sequence[Stay], asked: Mapping[Quantity, Limits | None]
) -> dict[Quantity, AirSeen]:
    """What a coat saw, by quantity; a quantity that nobody measured is not among them."""
    span = stays[0].begin, stays[-1].end
    step = step_of(*span, MOST_STEPS)
    found = {
        quantity: [bucket for stay in stays for bucket in air.of_rack(stay.rack, quantity, stay.begin, stay.end, step)]
        for quantity in AIR
    }
    longest = max(room.stale_after, 2 * step)
    return {q: _seen(q, buckets, span, longest, asked.get(q)) for q, buckets in found.items() if buckets}


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
