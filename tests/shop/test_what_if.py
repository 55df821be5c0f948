"""What a change of the air, a hand more or another recipe would save, told from a plan that stands."""

from dataclasses import replace
from datetime import timedelta

import psychrolib
import pytest

from drymon.shop.facts.outcome import DayPlan, PlanAir, State, Verdict
from drymon.shop.facts.setup import Hours, Recipe
from drymon.shop.fold.room import Room
from drymon.shop.plan.what_if import Change, Compared, changed_air, what_if
from tests.shop.invented_shop import MODELS, SETUP, Shop

RECIPES = (Recipe("short", ("prime", "middle", "backup")), Recipe("two", ("prime", "seal")))
ROOM = replace(SETUP, hours=Hours((0, 1, 2, 3, 4), 7 * 60, 18 * 60, dip_min=40.0), recipes=RECIPES)


@pytest.fixture(scope="module")
def shop() -> Shop:
    """Monday half past seven, UTC: three trees with a fresh prime coat, dried in 22 degC, 45 %RH, 1.0 m/s."""
    made = Shop(ROOM, MODELS)
    made.run(1.5)
    for tree in ("t-1", "t-2", "t-3"):
        made.dip(tree, "prime", recipe="short")
    made.run(0.1)
    return made


def asked(shop: Shop, **change: object) -> Compared:
    """As the command asks: by the plan and the verdicts that were said, in a room that has heard no sensor."""
    plan = [said for said in shop.said if isinstance(said, DayPlan)][-1]
    said = {each.tree: each for each in shop.said if isinstance(each, Verdict)}
    told = Room(ROOM, MODELS, shop.room.zone)
    return what_if(told.world, said.values(), plan, Change(**change), shop.room.zone)  # type: ignore[arg-type]


def ends(plan: DayPlan) -> list[object]:
    return [finish.best for finish in plan.finishes.values()]


def test_the_plan_tells_by_which_air_it_was_made(shop: Shop) -> None:
    plan = asked(shop).usual
    assert plan.air["rack-a"].temperature_c == pytest.approx(22.0, abs=0.01)
    assert plan.air["rack-a"].humidity_pct == pytest.approx(45.0, abs=0.1)
    assert plan.air["rack-a"].airflow == pytest.approx(1.0)
    assert "rack-c" not in plan.air, "nothing measures there"


def test_where_nothing_changes_nothing_is_saved(shop: Shop) -> None:
    """And the plan is the one that the room itself has told, to the second."""
    told = [said for said in shop.said if isinstance(said, DayPlan)][-1]
    found = asked(shop)
    assert ends(found.usual) == ends(found.changed) == ends(told)
    assert found.usual.next == found.changed.next == told.next
    assert found.faster == {}


@pytest.mark.parametrize("change", [{"humidity_pct": 30.0}, {"airflow": 3.0}, {"temperature_c": 30.0}])
def test_drier_faster_or_warmer_air_ends_sooner_and_is_warned_of(shop: Shop, change: dict[str, float]) -> None:
    """The coat that hangs there gains as well: the first dip to come is sooner."""
    found = asked(shop, **change)
    before, after = (
        {dip.tree: dip.at for dip in plan.next if dip.number == 2} for plan in (found.usual, found.changed)
    )
    assert all(after[tree] < before[tree] for tree in before)
    assert list(found.faster) == ["prime"]
    assert found.faster["prime"] > 1.1


@pytest.mark.parametrize(("humidity", "warned"), [(42.0, False), (38.0, True)])
def test_prime_coats_that_dry_a_tenth_faster_are_warned_of(shop: Shop, humidity: float, warned: bool) -> None:
    """By what the air takes: 58 to 55, and 62 to 55."""
    assert (list(asked(shop, humidity_pct=humidity).faster) == ["prime"]) is warned


@pytest.mark.parametrize(
    ("other", "recipe", "faster"),
    [
        ({"state": State.READY}, None, []),  # dry: nothing gains on it any more
        ({"state": State.READY}, "primes", ["prime"]),  # by the one that is to come
        ({"state": State.HOLD}, "primes", []),  # it keeps the recipe that it has until somebody has looked
        ({"rack": "elsewhere"}, None, []),
        ({"coat": None}, None, []),
        ({"coat": "gone"}, None, []),
    ],
)
def test_of_which_coats_it_is_warned(
    shop: Shop, other: dict[str, object], recipe: str | None, faster: list[str]
) -> None:
    """Also where room.toml has been changed since the verdicts were said."""
    primes = replace(ROOM, recipes=(*RECIPES, Recipe("primes", ("prime", "prime", "seal"))))
    plan = [said for said in shop.said if isinstance(said, DayPlan)][-1]
    verdict = replace(shop.tree("t-1"), **other)  # type: ignore[arg-type]
    told = Room(primes, MODELS, shop.room.zone)
    found = what_if(told.world, [verdict], plan, Change(airflow=3.0, recipe=recipe), shop.room.zone)
    assert list(found.faster) == faster


def test_damper_air_ends_later_and_nothing_is_warned_of(shop: Shop) -> None:
    found = asked(shop, humidity_pct=60.0)
    assert max(ends(found.changed)) > max(ends(found.usual))  # type: ignore[type-var]
    assert found.faster == {}


def test_a_second_hand_saves_the_time_in_which_trees_wait_for_the_first(shop: Shop) -> None:
    """Three trees of one air are ready together; a dip takes forty minutes."""
    found = asked(shop, hands=3)
    one, three = (sorted(dip.at for dip in plan.next if dip.number == 2) for plan in (found.usual, found.changed))
    assert one[2] - one[0] >= timedelta(minutes=80)
    assert three[2] == three[0]


def test_a_shorter_recipe_goes_on_after_the_coat_that_each_tree_has(shop: Shop) -> None:
    coming = [(dip.number, dip.coat) for dip in asked(shop, recipe="two").changed.next if dip.tree == "t-1"]
    assert coming == [(2, "seal")]


def test_air_that_is_warmed_keeps_its_water() -> None:
    """Held against psychrolib (ASHRAE 2017): the dew point stays."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    told = PlanAir(18.0, 62.0, None, (0.3, 2.0), 101_325.0)
    warmed = changed_air(told, Change(temperature_c=25.0))
    before, after = (
        psychrolib.GetTDewPointFromRelHum(t, rh / 100.0) for t, rh in ((18.0, 62.0), (25.0, warmed.humidity_pct))
    )
    assert after == pytest.approx(before, abs=0.05)
    cooled = changed_air(told, Change(temperature_c=5.0))
    assert cooled.humidity_pct == 100.0, "below its dew point the rest falls out"
    assert changed_air(told, Change(temperature_c=25.0, humidity_pct=40.0)).humidity_pct == 40.0
