"""The room's plan: what may be dipped now, next and later, and when it proves right."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.facts.outcome import DayPlan, PlannedDip, State
from drymon.shop.facts.setup import CoatType, Hours, Recipe
from tests.shop.invented_shop import BEGIN, MODELS, SETUP, STEADY, Shop, at

WEEKDAYS = Hours((0, 1, 2, 3, 4), 7 * 60, 18 * 60, dip_min=10.0, hands=1)
"""The shop begins on a Monday at six."""
SHORT = tuple(recipe for recipe in SETUP.recipes if recipe.name == "short")


def shop(hours: Hours = WEEKDAYS, recipes: Sequence[Recipe] = SHORT, coats: Sequence[CoatType] = SETUP.coats) -> Shop:
    made = Shop(replace(SETUP, hours=hours, recipes=tuple(recipes), coats=tuple(coats)), MODELS)
    made.run(1.5)
    return made


def plan(shop: Shop) -> DayPlan:
    """The last one that was said."""
    return [said for said in shop.said if isinstance(said, DayPlan)][-1]


def all_dips(plan: DayPlan) -> list[PlannedDip]:
    return [*plan.now, *plan.next, *plan.later]


def test_the_coming_dips_are_those_of_the_recipe_in_order() -> None:
    told = shop()
    told.dip("t-1", "prime")
    told.run(0.1)
    coming = all_dips(plan(told))
    assert [(dip.number, dip.coat) for dip in coming] == [(2, "middle"), (3, "backup")]
    assert coming[0].at < coming[1].at
    assert plan(told).now == ()


def test_a_tree_is_to_be_dipped_now_from_the_minute_that_it_is_ready() -> None:
    told = shop()
    told.dip("t-1", "prime")
    told.run(0.1)
    first = plan(told).next[0]
    told.until("t-1", State.READY)
    assert [dip.tree for dip in plan(told).now] == ["t-1"]
    assert plan(told).time == told.tree("t-1").time
    assert abs(told.tree("t-1").time - first.at) < timedelta(minutes=20)  # as was planned at the dip, in steady air


def test_nothing_is_to_be_dipped_now_that_the_verdict_does_not_allow() -> None:
    """Through a whole shell, and through a hold."""
    told = shop()
    told.dip("t-1", "prime")
    told.dip("t-2", "timed")
    for _ in range(60):
        told.run(0.2)
        for dip in plan(told).now:
            assert told.tree(dip.tree).safe_to_redip
        if told.tree("t-1").safe_to_redip and told.tree("t-1").next_coat:
            told.dip("t-1", told.tree("t-1").next_coat or "")


def test_nobody_is_asked_to_come_at_night() -> None:
    told = shop()
    told.dip("t-1", "prime")
    told.run(13.0)  # to half past eight in the evening
    assert told.tree("t-1").state is State.READY
    evening = plan(told)
    assert evening.now == ()
    assert evening.next[0].at == BEGIN + timedelta(hours=25)  # Tuesday at seven
    told.run(10.6)
    assert [dip.tree for dip in plan(told).now] == ["t-1"]


def test_without_hours_a_ready_tree_is_to_be_dipped_whenever_it_is() -> None:
    told = shop(Hours())
    told.dip("t-1", "prime")
    told.run(16.0)
    assert [dip.tree for dip in plan(told).now] == ["t-1"]


def test_a_held_tree_and_one_that_nobody_can_tell_of_are_in_no_plan() -> None:
    told = shop()
    told.dip("t-1", "prime")
    told.run(0.1)
    assert plan(told).finishes.keys() == {"t-1"}
    told.run(2.0, None)  # silence
    assert told.tree("t-1").state is State.UNKNOWN
    assert all_dips(plan(told)) == []


def test_a_tree_that_left_is_in_no_plan() -> None:
    told = shop()
    told.dip("t-1", "prime")
    told.run(0.1)
    told.leave("t-1")
    told.run(0.1)
    assert plan(told).finishes == {}


def test_two_trees_that_are_ready_at_once_are_dipped_one_after_the_other() -> None:
    told = shop()
    for tree in ("t-1", "t-2"):
        told.dip(tree, "prime")
    told.run(13.0)
    first, second = plan(told).next[:2]
    assert second.at - first.at == timedelta(minutes=10)
    both = shop(replace(WEEKDAYS, hands=2))
    for tree in ("t-1", "t-2"):
        both.dip(tree, "prime")
    both.run(13.0)
    first, second = plan(both).next[:2]
    assert second.at == first.at


def test_a_longest_wait_that_ends_at_night_puts_the_dip_off_and_says_why() -> None:
    """`timed` may be dipped again after 4 to 6 h: dipped after noon, that falls on the evening."""
    recipes = [Recipe("short", ("prime", "timed", "backup"))]
    told = shop(recipes=recipes)
    told.run(3.0)
    told.dip("t-1", "prime")
    assert told.run(6.5, until=lambda: told.tree("t-1").state is State.READY and told.now > at(8.0))
    told.run(0.1)
    put_off, follows = all_dips(plan(told))
    assert plan(told).now == ()
    assert "its longest wait of 6 h" in put_off.note
    assert put_off.at == BEGIN + timedelta(hours=25)
    assert follows.at - put_off.at <= timedelta(hours=6)


def test_a_finish_is_told_with_its_bounds_and_comes_within_them() -> None:
    """A shop that dips as soon as it is called: its last coat is dry between the bounds told at the first dip."""
    told = shop(Hours())
    told.dip("t-1", "prime")
    told.run(0.1)
    finish = plan(told).finishes["t-1"]
    assert finish.early is not None
    assert finish.best is not None
    assert finish.late is not None
    assert finish.early < finish.best < finish.late
    for coat in ("middle", "backup"):
        told.until("t-1", State.READY)
        told.dip("t-1", coat)
    told.until("t-1", State.COMPLETE)
    assert finish.early <= told.now <= finish.late


@pytest.mark.parametrize("shelter", ["open", "pocketed"])
def test_a_coat_to_come_is_told_as_the_same_coat_that_hangs(shelter: str) -> None:
    """The wait planned for coat 2 is that which is told of it when it has been dipped."""
    told = shop(Hours())
    told.dip("t-1", "prime", shelter=shelter)
    told.run(0.1)
    second, third = all_dips(plan(told))
    planned = third.at - second.at
    told.until("t-1", State.READY)
    hangs = told.dip("t-1", "middle", shelter=shelter)
    assert hangs.dry_at.late is not None
    assert (hangs.dry_at.late - hangs.dipped_at) / planned == pytest.approx(1.0, abs=0.15)


def test_in_saturated_air_nothing_is_planned_and_nothing_fails() -> None:
    """For hours: what was worked out is looked at again after one. In drier air there is a plan again."""
    told = Shop(replace(SETUP, hours=WEEKDAYS), MODELS)
    soaked = {**STEADY, Quantity.HUMIDITY: 100.0}
    told.run(0.2, soaked)
    told.dip("t-1", "prime")
    told.run(3.0, soaked)
    assert plan(told).now == ()
    assert all(finish.best is None for finish in plan(told).finishes.values())
    told.run(24.0)
    assert plan(told).finishes["t-1"].best is not None
