"""Whose a cell's masses are when hangings are told late or taken back, and trees that are stepped in one go."""

import math
from datetime import datetime, timedelta

import numpy as np
import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import CellMass, Dip, Move, Undo
from drymon.shop.fold.hooks import Hooks
from drymon.shop.fold.stepper import Stepper
from drymon.shop.fold.tree_log import TreeLog
from drymon.shop.tree.state import World
from tests.shop.invented_shop import BEGIN, MODELS, SETUP, STEADY, Shop, reading

START = BEGIN.timestamp()


def at(minutes: float) -> datetime:
    return BEGIN + timedelta(minutes=minutes)


def dip(tree: str, minutes: float, arrived: float | None = None, rack: str = "rack-a", **more: str) -> Dip:
    came = at(minutes if arrived is None else arrived)
    plain = {"coat": "middle", "shelter": "open", **more}
    return Dip(time=at(minutes), arrived=came, tree=tree, rack=rack, **plain)  # type: ignore[arg-type]


# --- cells -----------------------------------------------------------------------------------------------------------


class Weighed:
    """A cell that says a mass every five minutes from 09:05 on (five minutes after the beginning), and three trees."""

    def __init__(self) -> None:
        bare = World(SETUP, MODELS, {})
        self.logs = {name: TreeLog(bare, name) for name in ("t-1", "t-2", "t-3")}
        self.hooks = Hooks(self.logs)
        self.logs["t-1"].add(dip("t-1", 0, cell="cell-1"))
        for second in range(0, 50 * 60, 20):
            stamp = BEGIN + timedelta(seconds=second)
            kg = 3.0 - 1e-5 * second + 1e-5 * math.sin(second)
            self.hooks.note_mass(reading(stamp, Quantity.WEIGHT, kg, "rack-a", "cell-1"))

    def of(self, tree: str) -> list[int]:
        """Minutes of the masses that are this tree's."""
        events = self.logs[tree].events
        return [round((one.time - BEGIN) / timedelta(minutes=1)) for one in events if isinstance(one, CellMass)]


def test_a_hanging_told_late_takes_the_masses_from_its_time_on_and_an_undo_gives_them_back() -> None:
    """The mass of its very instant is the new one's, as it hung there then."""
    shop = Weighed()
    before = shop.of("t-1")
    assert len(before) >= 8
    cut = before[3]
    hung = shop.logs["t-1"].events[4].time
    shop.logs["t-2"].add(Dip(time=hung, arrived=at(60), tree="t-2", rack="rack-a", coat="middle", cell="cell-1"))
    assert shop.hooks.hang_anew("t-2", hung) == {"t-1", "t-2"}
    assert (shop.of("t-1"), shop.of("t-2")) == ([m for m in before if m < cut], [m for m in before if m >= cut])
    shop.logs["t-2"].add(Undo(time=at(61), arrived=at(61), tree="t-2"))
    assert shop.hooks.hang_anew("t-2", hung) == {"t-1", "t-2"}
    assert (shop.of("t-1"), shop.of("t-2")) == (before, [])


def test_between_two_hangings_masses_go_to_whoever_hung_there_each_time() -> None:
    """The cell carried another tree for a quarter of an hour, and nobody told of it until later."""
    shop = Weighed()
    before = shop.of("t-1")
    shop.logs["t-2"].add(dip("t-2", 12, 60, cell="cell-1"))
    shop.logs["t-2"].add(Move(time=at(27), arrived=at(61), tree="t-2", rack="rack-b"))
    assert shop.hooks.hang_anew("t-2", at(12)) == {"t-1", "t-2"}
    assert shop.of("t-2") == [m for m in before if 12 <= m < 27]
    assert shop.of("t-1") == [m for m in before if not 12 <= m < 27]


def test_where_nothing_is_told_otherwise_nothing_changes_hands() -> None:
    """Nor does what was weighed before the time that is told of; other trees have no say in it."""
    shop = Weighed()
    before = shop.of("t-1")
    events = shop.logs["t-1"].events
    assert shop.hooks.hang_anew("t-1", at(0)) == shop.hooks.hang_anew("t-3", at(0)) == set()
    shop.logs["t-2"].add(dip("t-2", 1, 60, cell="cell-1"))
    shop.hooks.hang_anew("t-2", at(100))
    assert shop.of("t-1") == before
    assert all(one is other for one, other in zip(shop.logs["t-1"].events, events, strict=True))


@pytest.mark.parametrize(
    ("minutes", "carried"), [(-1.0, ""), (0.0, "t-1"), (19.9, "t-1"), (20.0, "t-2"), (40.0, "t-2")]
)
def test_a_cell_carries_who_was_hung_on_it_last(minutes: float, carried: str) -> None:
    shop = Weighed()
    shop.logs["t-2"].add(dip("t-2", 20, cell="cell-1"))
    shop.logs["t-3"].add(dip("t-3", 30, cell="cell-2"))
    assert shop.hooks.carried("cell-1", at(minutes)) == carried
    assert shop.hooks.carried("cell-1") == "t-2"
    assert shop.hooks.carried("cell-9") == ""


# --- steps -----------------------------------------------------------------------------------------------------------


def test_trees_are_stepped_together_to_the_same_numbers_but_for_one_to_which_something_happens() -> None:
    """Those of two racks and shelters; the count of racks is what it cost. Again, also in another order."""
    shop = Shop()
    shop.run(0.5, lambda hours: {**STEADY, Quantity.HUMIDITY: 30.0 + 80.0 * hours})  # each minute is another
    hung = [("t-1", "rack-a", "open"), ("t-2", "rack-a", "deep"), ("t-3", "rack-b", "open"), ("t-4", "rack-a", "open")]
    together, alone = (
        [(TreeLog(shop.room.world, tree), dip(tree, 5.0, rack=rack, shelter=shelter)) for tree, rack, shelter in hung]
        for _ in range(2)
    )
    for log, event in (*together, *alone):
        log.add(event)
        log.state(START + 600.0)
    logs = [log for log, _ in together]
    logs[3].add(Move(time=at(11.0), arrived=at(11.0), tree="t-4", rack="rack-a"))
    stepper = Stepper(shop.room.world)
    for minute, order in ((11, logs), (12, logs[::-1]), (13, logs)):
        assert stepper.minute(order, START + 60.0 * minute) == 2
        assert [log.owes(START + 60.0 * minute) for log in logs] == [0.0, 0.0, 0.0, 60.0 * (minute - 10)]
    for log, (other, _) in zip(logs[:3], alone[:3], strict=True):
        one, two = log.newest(), other.state(START + 780.0)
        assert one is not None
        assert two is not None
        assert one.water is not None
        assert two.water is not None
        assert one.water.left.base is None, "what is kept of one tree keeps the others' as well"
        np.testing.assert_array_equal(one.water.left, two.water.left)
