"""What scales said of one coat: how much it lost while it hung to dry, never what hands did to the tree."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta

from drymon.drying.quantities import Quantity
from drymon.learning.runs import from_bench, from_cell
from drymon.readback.air_record import MINUTE, AirRecord
from drymon.readback.cell_record import cell_readings
from drymon.shop.facts.events import Weigh
from drymon.shop.facts.lives import Coat, Stay
from drymon.store import Store
from drymon.views.report.document import Table
from drymon.views.report.room_clock import RoomClock, length


@dataclass(frozen=True)
class CellWord:
    """What a load cell said over one coat: the first and the last mass, kg, at which the tree hung still, and how far
    apart those were. What came before it hung, and from the hands of the next dip on, is not among it.
    """

    cell: str
    first: float
    last: float
    over: timedelta


def cell_word(store: Store, air: AirRecord, coat: Coat) -> CellWord | None:
    """The word of the first cell that the coat hung on long enough to say anything, by the rules of weighed runs."""
    for stay in coat.stays:
        if stay.cell is None:
            continue
        weighed = from_cell(_readings(store, air, coat, stay, stay.cell))
        if len(weighed.times_s) > 1:
            first, last = float(weighed.masses_kg[0]), float(weighed.masses_kg[-1])
            over = float(weighed.times_s[-1] - weighed.times_s[0])
            return CellWord(stay.cell, first, last, timedelta(seconds=over))
    return None


def _readings(store: Store, air: AirRecord, coat: Coat, stay: Stay, cell: str) -> list[tuple[float, float]]:
    """The cell's readings; of old times, its minutes."""
    found = list(cell_readings(store, air.corrections, cell, stay.begin, stay.end, coat.dip.time))
    if found:
        return found
    channels = [one for one in air.channels if (one.quantity, one.sensor) == (Quantity.WEIGHT.value, cell)]
    buckets = [bucket for one in channels[:1] for bucket in air.buckets(one, stay.begin, stay.end, MINUTE)]
    return [((b.start - coat.dip.time).total_seconds(), b.mean) for b in buckets if b.start >= stay.begin]


def weight_tables(weights: Sequence[Weigh], cell: CellWord | None, clock: RoomClock) -> Iterator[Table]:
    """By hand, and by the load cell."""
    if weights:
        yield Table(("weighed", "mass", "since the first", "by"), tuple(_by_hand(weights, clock)), (1.5, 1, 2.4, 2),
                    (1,), "By hand, on a bench scale")  # fmt: skip
    if cell is not None:
        row = (
            cell.cell,
            f"{cell.first:.3f} kg",
            f"{cell.last:.3f} kg",
            change(cell.first, cell.last),
            length(cell.over),
        )
        yield Table(("load cell", "hung still at first", "at last, before hands came to it", "", "within"), (row,),
                    (1, 1.3, 2, 1.1, 1.2), (1, 2), "By the load cell")  # fmt: skip


def _by_hand(weights: Sequence[Weigh], clock: RoomClock) -> Iterator[tuple[str, ...]]:
    begin = weights[0].time
    counted = from_bench([((weigh.time - begin).total_seconds(), weigh.mass) for weigh in weights])
    kept = {round(float(time_s), 3) for time_s in counted.times_s}
    for place, weigh in enumerate(weights):
        since = change(weights[0].mass, weigh.mass) if place else "—"
        if round((weigh.time - begin).total_seconds(), 3) not in kept:
            since = "a slip: it fits neither of its neighbours"
        yield clock.at(weigh.time), f"{weigh.mass:.3f} kg", since, weigh.by or "—"


def change(first: float, last: float) -> str:
    """`lost 125 g`; what has become heavier was dipped, is another tree, or took water from damp air."""
    grams = round(1000 * (first - last))
    return f"lost {grams} g" if grams >= 0 else f"heavier by {-grams} g"
