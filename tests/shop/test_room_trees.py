"""A tree's way through the room: dips and their defaults, undo, move, leave, complete; what is said when; racks."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.facts.outcome import AirNow, RackStatus, State, TreeGone, Verdict, When
from drymon.shop.facts.setup import Recipe
from drymon.shop.verdict import judge
from drymon.shop.verdict.rack_status import rack_status
from tests.shop.invented_shop import BEGIN, SETUP, STEADY, Shop, at, codes, gone, reading, text

DRY = {**STEADY, Quantity.HUMIDITY: 30.0, Quantity.AIRFLOW: 3.0}


def ready_shop(*trees: str, coat: str = "middle") -> Shop:
    shop = Shop()
    shop.run(0.2)
    for tree in trees:
        shop.dip(tree, coat)
    for tree in trees:
        shop.until(tree, State.READY)
    return shop


# Dips and their defaults


def test_numbers_count_on_from_the_last_dip() -> None:
    shop = ready_shop("t-1")
    assert shop.tree("t-1").number == 1
    assert shop.dip("t-1", "backup").number == 2
    assert shop.dip("t-1", "backup", number=5).number == 5
    assert shop.dip("t-1", "backup").number == 6


def test_shelter_is_the_last_ones_and_pocketed_at_first() -> None:
    shop = ready_shop("t-1")
    assert shop.dip("t-2", "middle", shelter=None).shelter == "pocketed"
    assert shop.dip("t-1", "backup", shelter=None).shelter == "open"
    assert shop.dip("t-1", "backup", shelter="deep").shelter == "deep"
    assert shop.dip("t-1", "backup", shelter=None).shelter == "deep"


def test_the_more_sheltered_the_later() -> None:
    shop = Shop()
    shop.run(0.2)
    late = {shelter: shop.dip(f"t-{shelter}", "middle", shelter=shelter).dry_at for shelter in
            ("open", "pocketed", "deep")}  # fmt: skip
    assert late["open"].best < late["pocketed"].best < late["deep"].best
    assert late["open"].late < late["pocketed"].late < late["deep"].late


def test_the_recipes_next_coat_is_told() -> None:
    shop = Shop()
    shop.run(0.2)
    first = shop.dip("t-1", "prime")
    assert (first.recipe, first.next_coat) == ("short", "middle")
    second = shop.dip("t-1", "middle")
    assert (second.recipe, second.next_coat) == ("short", "backup")
    named = shop.dip("t-2", "prime", recipe="long")
    assert (named.recipe, named.next_coat) == ("long", "backup")


@pytest.mark.parametrize(("coat", "number", "then"), [("seal", None, "middle"), ("backup", 3, None)])
def test_complete_after_a_seal_and_after_the_recipes_last_coat(coat: str, number: int | None, then: str | None) -> None:
    shop = Shop()
    shop.run(0.2)
    last = shop.dip("t-1", coat, number=number, recipe="short")
    assert last.next_coat == then
    assert last.redip_by is None
    shop.until("t-1", State.COMPLETE)
    assert not shop.tree("t-1").safe_to_redip
    shop.run(3, {**STEADY, Quantity.HUMIDITY: 95.0})
    shop.run(1, None)
    assert shop.tree("t-1").state is State.COMPLETE
    assert shop.verdicts("t-1")[-1].time >= shop.now - timedelta(minutes=5)


def test_a_coat_on_a_complete_tree_begins_wet() -> None:
    """A repair on a finished shell, or a name used again: what the last coat was says nothing of this one."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "seal")
    shop.until("t-1", State.COMPLETE)
    shop.run(1)
    first = shop.dip("t-1", "backup")
    assert first.state is State.DRYING
    assert first.dryness.high < 0.01
    assert "redipped-early" not in codes(first)
    shop.run(0.5)
    assert shop.tree("t-1").state is State.DRYING
    shop.until("t-1", State.READY)
    shop.undo("t-1")
    assert shop.tree("t-1").state is State.COMPLETE


# Undo, move, leave, scrap


def test_undo_brings_the_coat_below_back_as_if_nothing_had_been() -> None:
    plain, undone = Shop(), Shop()
    for shop in (plain, undone):
        shop.run(0.2)
        shop.dip("t-1", "middle")
        shop.run(0.4)
    undone.dip("t-1", "backup", shelter="deep")
    undone.run(0.1)
    plain.run(0.1)
    undone.undo("t-1")
    for shop in (plain, undone):
        shop.run(0.2)
    assert undone.tree("t-1").number == 1
    assert undone.tree("t-1").dryness.low == pytest.approx(plain.tree("t-1").dryness.low, abs=1e-4)
    assert undone.until("t-1", State.READY) == plain.until("t-1", State.READY)
    assert undone.dip("t-1", "backup", shelter=None).shelter == "open"


def test_undo_of_the_only_dip_takes_the_tree_away() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    assert [said.tree for said in gone(shop.undo("t-1"))] == ["t-1"]
    assert shop.room.standing().trees == {}
    shop.run(0.2)
    assert shop.verdicts("t-1")[-1].time <= at(0.2)


def test_undo_without_a_dip_is_no_harm() -> None:
    shop = Shop()
    shop.run(0.2)
    assert gone(shop.undo("t-9")) == []
    shop.run(0.1)
    assert shop.room.standing().trees == {}


def test_a_move_changes_the_air_from_then_on() -> None:
    shop = Shop()
    for hour in range(10):
        shop.run(1 / 60, DRY, "rack-b")
        shop.room.tell([])
        shop.run(1 / 60, {**STEADY, Quantity.HUMIDITY: 85.0}, "rack-a")
        if hour == 2:
            shop.dip("t-1", "middle", "rack-a")
            shop.dip("t-2", "middle", "rack-a")
            shop.move("t-2", "rack-b")
    verdicts = shop.tree("t-1"), shop.tree("t-2")
    assert [v.rack for v in verdicts] == ["rack-a", "rack-b"]
    assert verdicts[1].dryness.best > 1.5 * verdicts[0].dryness.best
    assert set(shop.rack("rack-a").trees) == {"t-1"}
    assert set(shop.rack("rack-b").trees) == {"t-2"}


def test_a_tree_that_left_is_gone_and_its_topic_cleared() -> None:
    shop = ready_shop("t-1")
    said = shop.leave("t-1")
    assert [type(one) for one in said if not isinstance(one, RackStatus)][:1] == [TreeGone]
    assert shop.rack("rack-a").trees == {}
    assert not shop.rack("rack-a").ready
    shop.run(0.2)
    assert "t-1" not in shop.room.standing().trees


# What is said, and when


def test_the_first_verdict_comes_with_the_dip_itself() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.now += timedelta(seconds=17.25)
    first = shop.dip("t-1", "middle")
    assert timedelta(0) <= first.time - shop.now < timedelta(seconds=2)
    assert first.dry_at.best is not None
    assert first.dipped_at == shop.now


def test_changes_are_said_at_once_and_everything_every_five_minutes() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.run(3)
    shop.run(0.4, None)
    shop.run(1)
    verdicts = shop.verdicts("t-1")
    assert max(b.time - a.time for a, b in pairwise(verdicts)) <= timedelta(minutes=5)
    assert all(a.time <= b.time for a, b in pairwise(verdicts))
    assert {v.state for v in verdicts} == {State.DRYING, State.READY, State.UNKNOWN}
    assert all(v.time < v.valid_until <= v.time + timedelta(minutes=15) for v in verdicts)
    racks = [said for said in shop.said if isinstance(said, RackStatus) and said.rack == "rack-a"]
    assert max(b.time - a.time for a, b in pairwise(racks)) <= timedelta(minutes=5)


def test_every_verdict_keeps_the_interfaces_rules() -> None:
    """Bounds in order, between 0 and 1; unknown tells no time; ready has passed its late bound; only ready is safe."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "prime", shelter="pocketed")
    shop.dip("t-2", "timed")
    shop.run(4.5)
    shop.dip("t-1", "coarse")
    shop.run(0.4, None)
    shop.run(5)
    shop.now += timedelta(seconds=31.7)
    shop.dip("t-2", "seal")
    shop.run(5)
    states = set()
    for verdict in [said for said in shop.said if isinstance(said, Verdict)]:
        check(verdict)
        states.add(verdict.state)
    assert states == set(State)


def check(verdict: Verdict) -> None:
    states = set(State)
    assert verdict.state in states
    assert verdict.safe_to_redip is (verdict.state is State.READY)
    assert verdict.dryness is not None
    assert 0.0 <= verdict.dryness.low <= verdict.dryness.best <= verdict.dryness.high <= 1.0
    told = verdict.dry_at.early, verdict.dry_at.best, verdict.dry_at.late
    if verdict.state is State.UNKNOWN:
        assert told == (None, None, None)
    else:
        assert all(moment is not None for moment in told)
        assert verdict.dipped_at <= told[0] <= told[1] <= told[2]
    if verdict.state in (State.READY, State.COMPLETE):
        assert told[2] <= verdict.time
        assert verdict.dryness.low >= 0.95 - 1e-9
    if verdict.state is State.DRYING and codes(verdict) & {"wet", "pocket-wet"}:
        assert verdict.dryness.low < 0.95
        assert told[2] >= verdict.time


def test_late_is_kept_more_often_than_not() -> None:
    """In air that stays, a forecast made half an hour after the dip must not prove early: the moment of ready lies
    at or before the late bound then told, give or take the bound's own rounding to a minute."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.run(0.5)
    told = shop.tree("t-1").dry_at
    shop.until("t-1", State.READY)
    assert told.best <= shop.now <= told.late + timedelta(minutes=1)


# Racks


def test_a_rack_is_ready_when_every_tree_that_awaits_a_dip_is() -> None:
    shop = Shop()
    shop.run(0.2)
    assert not shop.rack("rack-a").ready
    assert shop.rack("rack-a").waiting_for is None
    shop.dip("t-1", "middle")
    shop.run(0.5)
    shop.dip("t-2", "middle")
    shop.dip("t-3", "middle", "rack-b")
    rack = shop.rack("rack-a")
    assert rack.waiting_for == "t-2"
    late = shop.tree("t-2").dry_at
    assert (rack.ready_at.best, rack.ready_at.late) == (late.best, late.late)
    shop.until("t-1", State.READY)
    assert not shop.rack("rack-a").ready
    shop.until("t-2", State.READY)
    assert shop.rack("rack-a").ready
    assert shop.rack("rack-a").waiting_for is None
    said = [one for one in shop.said if isinstance(one, RackStatus) and one.rack == "rack-a" and one.ready]
    assert said[0].time == shop.now


def test_a_rack_waits_for_the_gel_of_a_coat_that_dries_sooner() -> None:
    """The shortest wait counts for the rack as for the tree, though the air has long dried the coat."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "timed")
    shop.dip("t-2", "middle")
    wait_ends = shop.now + timedelta(hours=4)
    shop.run(3.5)
    assert codes(shop.tree("t-1")) == {"too-soon"}
    rack = shop.rack("rack-a")
    assert not rack.ready
    assert rack.waiting_for == "t-1"
    assert (rack.ready_at.early, rack.ready_at.best, rack.ready_at.late) == (wait_ends, wait_ends, wait_ends)


def test_gelling_and_drying_are_one_moment_for_tree_rack_and_reason() -> None:
    """Dipped at a fraction of a second, as people do: nobody is told a moment that comes before the gel has had its
    time, and all are told the same one.
    """
    shop = Shop()
    shop.run(0.2)
    shop.now += timedelta(seconds=31.7)
    dipped = shop.now
    shop.dip("t-1", "timed")
    shop.now += timedelta(seconds=28.3)
    shop.run(3.0)
    told, gelled = shop.tree("t-1"), dipped + timedelta(hours=4)
    whole = gelled.replace(second=0, microsecond=0) + timedelta(minutes=1)
    assert codes(told) == {"too-soon"}
    assert (told.dry_at.early, told.dry_at.best, told.dry_at.late) == (whole, whole, whole)
    assert shop.rack("rack-a").ready_at == told.dry_at
    assert f"not before {whole:%H:%M}" in text(told, "too-soon")
    shop.until("t-1", State.READY, hours=2)
    assert shop.now == whole


def test_who_is_wet_still_is_told_no_moment_that_has_passed() -> None:
    """Whatever second it is said at: the likely member is dry later than now, not now."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    for _ in range(40):
        shop.run(2 / 60)
        told = shop.tree("t-1")
        if told.state is State.DRYING and told.dryness.high < 0.95:
            assert told.dry_at.early > told.time
    assert told.state is State.DRYING


def test_a_tree_with_no_end_in_sight_is_what_its_rack_waits_for() -> None:
    """Whose late bound lies beyond the forecast's fortnight comes after whoever will surely be dry by a day."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("a-1", "middle")
    shop.dip("b-2", "middle")
    endless, later = shop.tree("a-1"), shop.tree("b-2")
    days = [shop.now + timedelta(days=day) for day in range(1, 4)]
    endless = replace(endless, dry_at=When(days[0], days[0], None))
    later = replace(later, dry_at=When(days[0], days[1], days[2]))
    status = rack_status("rack-a", [endless, later], AirNow(), shop.now.timestamp())
    assert status.waiting_for == "a-1"
    assert status.ready_at == When(days[0], days[1], None)


def test_complete_trees_neither_make_nor_hinder_a_ready_rack() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "seal")
    shop.until("t-1", State.COMPLETE)
    assert not shop.rack("rack-a").ready
    assert shop.rack("rack-a").ready_at is None
    shop.dip("t-2", "middle")
    shop.until("t-2", State.READY)
    assert shop.rack("rack-a").ready
    assert shop.rack("rack-a").trees == {"t-1": State.COMPLETE, "t-2": State.READY}


def test_a_tree_under_its_last_coat_holds_no_rack_up() -> None:
    """Nothing is dipped after a seal, or after the last coat of a recipe: such a tree awaits no dip."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.until("t-1", State.READY)
    shop.dip("t-2", "seal")
    shop.dip("t-3", "backup", number=3, recipe="short")
    shop.run(1 / 60)
    rack = shop.rack("rack-a")
    assert rack.trees == {"t-1": State.READY, "t-2": State.DRYING, "t-3": State.DRYING}
    assert rack.ready
    assert rack.waiting_for is None


def test_an_unknown_tree_keeps_its_rack_waiting_and_untold() -> None:
    shop = ready_shop("t-1")
    shop.dip("t-2", "gold-leaf")
    rack = shop.rack("rack-a")
    assert not rack.ready
    assert rack.waiting_for == "t-2"
    assert rack.ready_at is None


def test_a_rack_with_no_fresh_air_says_none() -> None:
    shop = Shop()
    shop.run(0.2)
    assert shop.rack("rack-a").air.temperature_c == pytest.approx(22.0)
    shop.run(0.3, None)
    air = shop.rack("rack-a").air
    assert air.temperature_c is air.humidity_pct is air.airflow_m_per_s is None


def test_altitude_makes_drying_quicker_not_slower() -> None:
    """Vapour diffuses faster in thin air (D ~ 1/p; Incropera table A.8 note): the plain does not beat the mountain."""
    plain, high = Shop(), Shop(replace(Shop().room.setup, altitude_m=2000.0))
    for shop in (plain, high):
        shop.run(0.2)
        shop.dip("t-1", "middle")
    assert high.until("t-1", State.READY) <= plain.until("t-1", State.READY) + 2 / 60
    assert plain.now > BEGIN


@pytest.mark.parametrize("second", [0.4, 0.6])
def test_the_rules_hold_between_the_minutes_too(second: float) -> None:
    """Log events are judged at their own moment, fractions of a second included; late has passed where ready is."""
    first = Shop()
    first.run(0.2)
    first.dip("t-1", "middle")
    ready = first.until("t-1", State.READY)
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.run(ready - 0.2 - 2 / 60)
    begin = shop.now
    shop.room.tell([reading(begin, quantity, value) for quantity, value in STEADY.items()])
    states = set()
    for step in range(120):
        shop.now = begin + timedelta(seconds=step + second)
        shop.look("t-1")
        states.add(shop.tree("t-1").state)
        check(shop.tree("t-1"))
    assert states == {State.DRYING, State.READY}


def test_only_the_recipes_last_coat_completes_a_tree() -> None:
    setup = replace(SETUP, recipes=(Recipe("only", ("prime", "middle", "backup")),))
    shop = Shop(setup)
    shop.run(0.2)
    shop.dip("t-1", "middle", number=3)
    shop.dip("t-2", "backup", number=3)
    shop.until("t-1", State.READY)
    shop.until("t-2", State.COMPLETE)
    assert shop.tree("t-1").state is State.READY


@pytest.mark.parametrize(
    ("seconds", "now", "told"),
    [(100.2, 50.0, 101), (100.0, 50.0, 100), (100.2, 100.1, 101), (100.2, 100.2, 100), (100.8, 200.0, 100)],
)
def test_no_moment_is_told_a_second_too_soon(seconds: float, now: float, told: int) -> None:
    """Whole seconds: what is to come is told when it has come, what has passed when it had begun."""
    assert judge.moment_of(seconds, now) == datetime.fromtimestamp(told, UTC)
    assert judge.moment_of(math.inf, now) is None


def test_an_outlook_is_made_anew_after_a_quarter_of_the_time_that_it_gave() -> None:
    """Three and a half hours to wait in steady air: worked out every ten minutes it would only cost more."""
    shop, damp = Shop(), {**STEADY, Quantity.HUMIDITY: 65.0}
    shop.run(9.0, damp)
    first = shop.dip("t-1", "middle", shelter="deep")
    assert first.dry_at.best is not None
    quarter = (first.dry_at.best - first.time) / 4
    assert timedelta(minutes=45) < quarter < timedelta(hours=1)
    shop.run(1.25, damp)
    said = [(verdict.time - first.time, verdict.dry_at.best) for verdict in shop.verdicts("t-1")]
    assert {best for after, best in said if after < quarter} == {first.dry_at.best}
    assert first.dry_at.best not in {best for after, best in said if after > quarter + timedelta(minutes=5)}


def test_a_verdict_that_is_said_again_takes_no_place_of_an_earlier_one() -> None:
    """A late word goes by what was in force at its time: a tree that stands ready for days must not forget the rest."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.until("t-1", State.READY)
    shop.run(3.0)
    said = shop.verdicts("t-1")
    words = [(verdict.state, verdict.dipped_at) for verdict in said]
    assert len(words) > 40
    assert len(shop.room.logs["t-1"].words_said) == 1 + sum(one != other for one, other in pairwise(words))
