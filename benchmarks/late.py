"""What late evidence costs at once: the dearest five seconds after it, in units of an ordinary minute of the same room.

    python benchmarks/late.py [TREES]

A dip told days late, a reading of long ago, and a breath of back-dated dips. The ratio is bounded, not the number of
slots: what is left to do is done in the next ones (`drymon/shop/fold/refold.py`). Air of more than three days ago is
not kept and must be worked out too, which costs half as much again.
"""

import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

from drymon.drying.quantities import Quantity
from drymon.messages.coat_models import load_models
from drymon.messages.config import parse_home
from drymon.messages.home import template
from drymon.shop.facts.events import Dip
from drymon.shop.facts.outcome import State
from drymon.shop.facts.reading import Reading
from drymon.shop.fold.room import Room

BEGIN = datetime(2031, 3, 3, tzinfo=UTC)
DAYS = (3, 6)
EARLY = BEGIN + timedelta(hours=1)


def reading(stamp: datetime, quantity: Quantity, value: float, arrived: datetime | None = None) -> Reading:
    return Reading(time=stamp, arrived=arrived or stamp, place="room", quantity=quantity, value=value)


def dip(tree: str, time: datetime, arrived: datetime, rack: str, coat: str) -> Dip:
    return Dip(time=time, arrived=arrived, tree=tree, rack=rack, coat=coat, number=1, shelter="open")


def spent(work: Callable[[], object]) -> float:
    begin = time.process_time()
    work()
    return time.process_time() - begin


class Shop:
    """A room of so many trees whose air has been seen for so many days."""

    def __init__(self, trees: int, days: int) -> None:
        setup = parse_home(template(), Path("home")).room
        self.room = Room(setup, load_models(Path("home")))
        self.rack, self.coat = setup.racks[0].name, setup.coats[0].name
        self.now = BEGIN
        self.room.advance(BEGIN)
        first = [dip(f"t-{n}", BEGIN, BEGIN, self.rack, self.coat) for n in range(trees)]
        self.room.tell(first)
        self.room.judge_now(BEGIN)
        for _ in range(days * 1440):
            self.minute()

    def minute(self) -> None:
        self.now += timedelta(minutes=1)
        warm, damp = 20.0 + self.now.minute % 7 / 10, 80.0 + self.now.minute % 5 / 10
        self.room.tell([reading(self.now, Quantity.TEMPERATURE, warm), reading(self.now, Quantity.HUMIDITY, damp)])
        self.room.advance(self.now)

    def tell(self, *dips: Dip) -> None:
        for one in dips:
            self.room.tell([one])
            self.room.judge_now(one.arrived)

    def works(self) -> bool:
        """Whether any tree is worked out anew still."""
        return any(verdict.state is State.UNKNOWN for verdict in self.room.standing().trees.values())

    def dearest(self, first: Callable[[], object]) -> tuple[float, int]:
        """The dearest slot from `first` on until all is worked out, and how many slots that takes."""
        slots = [spent(first)]
        while len(slots) < 3 or (self.works() and len(slots) < 500):
            self.now += timedelta(seconds=5)
            slots.append(spent(lambda: self.room.advance(self.now)))
            if self.now.second < 5:
                self.minute()
        return max(slots), len(slots)


def main() -> None:
    trees = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    for days in DAYS:
        shop = Shop(trees, days)
        ordinary = sum(spent(shop.minute) for _ in range(30)) / 30
        told: dict[str, Callable[[Shop], object]] = {
            "a dip": lambda s: s.tell(dip("late", EARLY, s.now, s.rack, s.coat)),
            "a reading": lambda s: s.room.tell([reading(EARLY, Quantity.HUMIDITY, 60.0, s.now)]),
            "20 dips": lambda s: s.tell(*(dip(f"l-{n}", EARLY, s.now, s.rack, s.coat) for n in range(20))),
        }
        for what, tell in told.items():
            worst, slots = shop.dearest(partial(tell, shop))
            print(
                f"{what:10} told {days} days late: dearest slot {worst / ordinary:6.0f} ordinary minutes, {slots} slots"
            )


if __name__ == "__main__":
    main()
