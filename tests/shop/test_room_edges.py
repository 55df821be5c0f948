"""When the room speaks: at which seconds something is said, and what is said again."""

from datetime import timedelta

import pytest

from drymon.drying.conditioned import Evidence
from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import Dip, FanSwitched
from drymon.shop.facts.measured import Measured
from drymon.shop.facts.outcome import DayPlan, Outcome, RackStatus, State, Verdict
from drymon.shop.fold.room import Room
from tests.shop.invented_shop import BEGIN, MODELS, SETUP, STEADY, Shop, at, reading


def minutes_of(said: list[Outcome], kind: type) -> list[float]:
    """Minutes since the beginning at which something of this kind was said."""
    return sorted({(one.time - BEGIN).total_seconds() / 60.0 for one in said if isinstance(one, kind)})


def test_verdicts_and_racks_are_said_anew_every_five_minutes_and_the_plan_every_quarter_of_an_hour() -> None:
    shop = Shop()
    shop.run(0.1)
    shop.dip("t-1", "middle")
    shop.said.clear()
    shop.run(0.5)
    assert minutes_of(shop.said, Verdict) == [10, 15, 20, 25, 30, 35]
    assert minutes_of(shop.said, RackStatus) == [10, 15, 20, 25, 30, 35]
    assert minutes_of(shop.said, DayPlan) == [15, 30]


def test_an_empty_rack_is_told_of_every_five_minutes_all_the_same() -> None:
    shop = Shop()
    shop.run(0.2)
    said = [one for one in shop.said if isinstance(one, RackStatus)]
    assert {one.rack for one in said if one.time == at(1 / 12)} == {"rack-a", "rack-b", "rack-c"}
    assert {one.rack for one in said if one.time == at(1 / 6)} == {"rack-a", "rack-b", "rack-c"}


def test_air_that_comes_back_is_said_at_the_next_fifth_second() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.run(0.5, None)
    assert shop.tree("t-1").state is State.UNKNOWN
    stamp = shop.now + timedelta(seconds=12)
    shop.room.advance(stamp)
    shop.room.tell([reading(stamp, quantity, value) for quantity, value in STEADY.items()])
    assert [one for one in shop.room.advance(stamp + timedelta(seconds=2)) if isinstance(one, Verdict)] == []
    (said,) = (one for one in shop.room.advance(stamp + timedelta(seconds=3)) if isinstance(one, Verdict))
    assert (said.state, said.time) == (State.DRYING, shop.now + timedelta(seconds=15))
    assert shop.room.advance(stamp + timedelta(seconds=40)) == [], "and it is looked at once"


def test_fans_that_were_switched_before_are_counted_from_then_on() -> None:
    """Told late: the coat has dried in still air since."""
    told, silent = Shop(), Shop()
    for shop in (told, silent):
        still = {quantity: value for quantity, value in STEADY.items() if quantity is not Quantity.AIRFLOW}
        shop.run(0.2, still)
        shop.dip("t-1", "middle")
        shop.run(0.5, still)
    told.tell(FanSwitched(time=at(0.25), arrived=told.now, rack="rack-a", on=False))
    told.tell(FanSwitched(time=at(0.25), arrived=told.now, rack="nowhere", on=False))
    for shop in (told, silent):
        shop.run(0.1, still)
    one, other = told.tree("t-1").dryness, silent.tree("t-1").dryness
    assert one is not None
    assert other is not None
    assert one.high < other.high - 0.05


@pytest.mark.parametrize("hours_ago", [0.0, 0.3])
def test_late_air_is_counted_at_its_own_time(hours_ago: float) -> None:
    """A backlog of a short or a long silence: what is said is what a room says that heard it in time."""
    late, prompt = Shop(), Shop()
    damp = {**STEADY, Quantity.HUMIDITY: 80.0}
    kept = []
    for shop in (late, prompt):
        shop.run(0.2)
        shop.dip("t-1", "gentle")
        for _ in range(30):
            stamp = shop.now + timedelta(seconds=10)
            if shop is late:
                kept += [reading(stamp, quantity, value, "rack-a") for quantity, value in damp.items()]
            else:
                shop.room.tell([reading(stamp, quantity, value, "rack-a") for quantity, value in damp.items()])
            shop.run(1 / 60)
        shop.run(hours_ago)
    late.room.tell(kept)
    for shop in (late, prompt):
        shop.run(0.2)
    assert late.tree("t-1").state is prompt.tree("t-1").state
    assert late.tree("t-1").dryness == prompt.tree("t-1").dryness


def test_a_tree_that_is_told_of_twice_at_one_moment_is_judged_once() -> None:
    shop = Shop()
    shop.run(0.1)
    dip = Dip(time=shop.now, arrived=shop.now, tree="t-1", rack="rack-a", coat="middle", shelter="open")
    shop.room.tell([dip])
    first = [one for one in shop.room.judge_now(shop.now) if isinstance(one, Verdict)]
    again = [one for one in shop.room.judge_now(shop.now) if isinstance(one, Verdict)]
    assert (len(first), again) == (1, [])
    assert [one.tree for one in shop.room.judge_all(shop.now) if isinstance(one, Verdict)] == ["t-1"]
    assert Shop().room.judge_all(shop.now) == []


def test_the_room_stands_as_it_was_last_said_to() -> None:
    shop = Shop()
    shop.run(0.1)
    shop.dip("t-1", "middle", cell="cell-1")
    shop.room.tell([reading(shop.now, Quantity.WEIGHT, 3.0, "rack-a", "cell-1")])
    shop.run(0.1)
    standing = shop.room.standing()
    assert (standing.time, standing.clock_known, set(standing.trees)) == (shop.now, True, {"t-1"})
    assert dict(standing.on_cells) == {}, "a cell that is heard has nobody waiting"
    shop.run(0.5)
    assert dict(shop.room.standing().on_cells) == {"cell-1": "t-1"}
    shop.clock(False)
    assert not shop.room.standing().clock_known


@pytest.mark.parametrize(("retained", "weighed"), [(False, True), (True, False)])
def test_a_mass_that_the_broker_kept_is_no_weighing(retained: bool, weighed: bool) -> None:
    """Nobody knows of when it is: another tree may have hung there."""
    shop = Shop()
    shop.run(0.1)
    shop.dip("t-1", "middle", cell="cell-1")
    for minute in range(40):
        mass = 3.0 - 0.001 * minute
        shop.room.tell([reading(shop.now, Quantity.WEIGHT, mass, "rack-a", "cell-1", retained=retained)])
        shop.run(1 / 60)
    state = shop.room.logs["t-1"].newest()
    assert state is not None
    assert (len(state.weighings.cell.times) > 3) is weighed


@pytest.mark.parametrize("seconds", [0.0, 59.0])
def test_a_room_begins_at_the_whole_minute_before_its_first_moment(seconds: float) -> None:
    shop = Shop()
    room = Room(SETUP, MODELS)
    assert room.advance(shop.now + timedelta(minutes=3, seconds=seconds)) == []
    assert room.standing().time == shop.now + timedelta(minutes=3)
    assert room.advance(shop.now + timedelta(minutes=3, seconds=59.9)) == []
    assert {type(one) for one in room.advance(shop.now + timedelta(minutes=5))} == {RackStatus}


def test_a_word_from_before_the_room_s_last_moment_is_judged_at_that_moment() -> None:
    shop = Shop()
    shop.run(0.1)
    dip = Dip(time=at(0.05), arrived=at(0.05), tree="t-1", rack="rack-a", coat="middle", shelter="open")
    shop.room.tell([dip])
    (said,) = (one for one in shop.room.judge_now(at(0.05)) if isinstance(one, Verdict))
    assert (said.time, said.dipped_at) == (shop.now, at(0.05))


def test_only_news_of_what_was_measured_is_news() -> None:
    room = Shop().room
    weighed = Measured(waters={"middle": Evidence(0.2, 0.1)})
    assert [room.measured(each) for each in (Measured(), weighed, weighed, Measured())] == [False, True, False, True]
