"""Evidence that comes days late: the room goes on at its pace, and says `unknown` of what it works out anew."""

import sys
from collections.abc import Callable
from datetime import timedelta

from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import Dip
from drymon.shop.facts.outcome import State
from tests.shop.invented_shop import BEGIN, Shop, at, codes, reading

DAMP = {Quantity.TEMPERATURE: 20.0, Quantity.HUMIDITY: 88.0}


def calls(work: Callable[[], object]) -> int:
    """How many functions are called on the way."""
    count = 0

    def note(frame: object, event: str, argument: object) -> None:
        nonlocal count
        count += event == "call"

    sys.setprofile(note)
    try:
        work()
    finally:
        sys.setprofile(None)
    return count


def ran(days: float) -> Shop:
    """A room whose air has been seen every minute for so long; nobody has told of a tree."""
    shop = Shop()
    shop.run(24 * days, DAMP)
    return shop


def late_dip(shop: Shop, tree: str = "t-1") -> Dip:
    """Told now, made a little after the beginning."""
    return Dip(time=BEGIN + timedelta(minutes=30), arrived=shop.now, tree=tree, rack="rack-a", coat="backup", number=1)


def test_a_dip_twice_as_late_costs_no_more_at_once() -> None:
    first, less, more = ran(0.1), ran(1.5), ran(3)
    first.tell(late_dip(first))  # what is made ready but once
    assert calls(lambda: more.tell(late_dip(more))) <= 1.1 * calls(lambda: less.tell(late_dip(less)))


def test_many_late_dips_in_one_breath_cost_little_more_than_one() -> None:
    one, many = ran(2), ran(2)

    def breath() -> None:
        for number in range(20):
            many.tell(late_dip(many, f"t-{number}"))

    assert calls(breath) <= 3 * calls(lambda: one.tell(late_dip(one)))


def test_it_is_unknown_while_it_is_worked_out_and_then_what_it_had_been_if_told_in_time() -> None:
    shop, timely = ran(2), Shop()
    said = shop.dip("t-1", "backup", time=BEGIN + timedelta(minutes=30), number=1)
    assert (said.state, codes(said)) == (State.UNKNOWN, {"working-out"})
    assert (said.rack, said.coat, said.number, said.dry_at.best) == ("rack-a", "backup", 1, None)
    timely.run(0.5, DAMP)
    timely.dip("t-1", "backup", number=1)
    timely.run(24 * 2 - 0.5, DAMP)
    for each in (shop, timely):
        each.run(0.2, DAMP)
    assert shop.tree("t-1").state is not State.UNKNOWN
    assert shop.tree("t-1").dryness == timely.tree("t-1").dryness


def test_it_goes_on_every_fifth_second_without_another_message() -> None:
    shop = ran(2)
    shop.tell(late_dip(shop))
    assert shop.tree("t-1").state is State.UNKNOWN
    shop.room.advance(shop.now + timedelta(seconds=30))
    assert shop.tree("t-1").state is not State.UNKNOWN


def test_air_that_is_told_days_late_again_and_again_holds_nothing_up() -> None:
    """A node that was away hands in its readings one after the other. To fold two days of six trees takes 1.3 million
    calls; what is done at once stays below half of it.
    """
    shop, trees = Shop(), 6
    for number in range(trees):
        shop.dip(f"t-{number}", "backup")
    shop.run(24 * 2, DAMP)

    def slot(number: int) -> None:
        arrived = shop.now + timedelta(seconds=6 * number)
        shop.room.advance(arrived)
        taken = at(1.0 + number / 60.0)
        shop.room.tell([reading(taken, Quantity.HUMIDITY, 60.0, "rack-a", arrived=arrived)])

    most = [calls(lambda number=number: slot(number)) for number in range(1, 8)]  # type: ignore[misc]
    assert max(most) < 500_000
    shop.now += timedelta(minutes=2)
    shop.run(0.2, DAMP)
    assert State.UNKNOWN not in {shop.tree(f"t-{number}").state for number in range(trees)}
