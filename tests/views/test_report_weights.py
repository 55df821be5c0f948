"""What a shell's record says of its scales: the water that left, never the hands at the tree.

The masses are made up: a tree that loses 100 g of 4.2 kg in some hours, and what a cell sees when it is dipped.
"""

import math
import random
from datetime import timedelta
from pathlib import Path

import pytest

from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.shop.facts.events import LogEvent, Weigh
from drymon.shop.facts.reading import Reading
from drymon.store import Store
from drymon.views.report.document import Table
from drymon.views.report.record import ShellRecord, shell_record
from drymon.views.report.room_clock import RoomClock
from drymon.views.report.weights import change, weight_tables
from tests.views.invented import hours
from tests.views.record_home import ROOM_WITH_RECIPE, at, dip

CLOCK = RoomClock("UTC")
LOST_KG = 0.1


def hanging(hour: float) -> float:
    """A tree of 4.2 kg that dries with a time constant of an hour and a half."""
    return 4.2 - LOST_KG * (1 - math.exp(-hour / 1.5))


def on_cell(hour: float) -> float:
    """Dipped at 0.5 h and hung a minute later; lifted at 8.0 h, hung back with a new coat at 8.1 h; told at 8.2 h."""
    if hour < 0.5:
        return 4.0
    if hour < 0.52 or 8.0 <= hour < 8.1:
        return 0.02
    return hanging(hour - 0.52) if hour < 8.0 else 4.42


def fill(path: Path, events: list[LogEvent], every_s: float = 20.0, begin: float = 0.3, end: float = 8.4) -> Path:
    noise = random.Random(7)
    with Store.open(path) as store, store.transaction():
        for event in events:
            store.record(Message(event.time, "drymon/shop/log/dip", b"{}", qos=1), [event])
        for place in range(int((end - begin) * 3600 / every_s)):
            time = hours(begin) + timedelta(seconds=place * every_s)
            mass = on_cell(begin + place * every_s / 3600) + noise.gauss(0, 0.001)
            reading = Reading(time, time, "rack-a", Quantity.WEIGHT, mass, "cell-1")
            store.record(Message(time, "drymon/shop/rack-a/weight/cell-1", f"{mass:.4f}".encode()), [reading])
    return path


def recorded(path: Path) -> ShellRecord:
    with Store.open(path, readonly=True) as store:
        return shell_record(store, ROOM_WITH_RECIPE, {}, "t-7")


DIPS: list[LogEvent] = [
    dip(0.5, "prime", "Ilse", number=1, shelter="open", cell="cell-1"),
    dip(8.2, "prime", "Ravi"),
]


def test_the_loss_by_a_cell_ends_before_the_hands_of_the_next_dip(tmp_path: Path) -> None:
    """Of 100 g the tree had lost 99 g by 8.0 h, of which a few in the minutes before it hung still; its next coat is
    317 g more, and was told twelve minutes later.
    """
    word = recorded(fill(tmp_path / "drymon.db", DIPS)).coats[0].cell
    assert word is not None
    assert 90 < 1000 * (word.first - word.last) < 99
    assert word.over == pytest.approx(timedelta(hours=7.4), abs=timedelta(minutes=6))


def test_a_cell_that_said_nothing_has_no_word(tmp_path: Path) -> None:
    assert recorded(fill(tmp_path / "drymon.db", DIPS, begin=0.3, end=0.51)).coats[0].cell is None


def test_of_old_times_the_minutes_tell_the_same(tmp_path: Path) -> None:
    """After 90 days the readings themselves are cleared away, and their means by the minute are left."""
    path = fill(tmp_path / "drymon.db", DIPS)
    with Store.open(path) as store:
        store.roll_up(hours(60))
        store._db.execute("DELETE FROM reading WHERE id < (SELECT max(id) FROM reading)")
    word = recorded(path).coats[0].cell
    assert word is not None
    assert 90 < 1000 * (word.first - word.last) < 99


def by_hand(*masses: float) -> list[str]:
    weights = [Weigh(**at(place), mass=mass, by="Ana") for place, mass in enumerate(masses, 1)]
    (table,) = weight_tables(weights, None, CLOCK)
    assert isinstance(table, Table)
    return [row[2] for row in table.rows]


def test_by_hand_no_loss_is_less_than_nothing() -> None:
    assert by_hand(2.0, 1.875) == ["—", "lost 125 g"]
    assert by_hand(2.0, 2.174) == ["—", "heavier by 174 g"]


def test_a_slip_by_hand_is_called_one() -> None:
    said = by_hand(3.29, 3.25, 32.2, 3.2, 3.19, 3.18)
    slip = "a slip: it fits neither of its neighbours"
    assert said == ["—", "lost 40 g", slip, "lost 90 g", "lost 100 g", "lost 110 g"]


def test_a_change_is_told_in_words() -> None:
    assert (change(4.2, 4.2), change(4.2, 4.1), change(4.1, 4.2)) == ("lost 0 g", "lost 100 g", "heavier by 100 g")
