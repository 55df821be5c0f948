"""A probe at the shell's surface: it can say that a tree is wet, never that it is dry."""

from datetime import timedelta

import psychrolib
import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.facts.outcome import State
from tests.shop.invented_shop import STEADY, Shop, codes, reading, text

psychrolib.SetUnitSystem(psychrolib.SI)
AIR_C = STEADY[Quantity.TEMPERATURE]
WET_BULB_C = psychrolib.GetTWetBulbFromRelHum(AIR_C, STEADY[Quantity.HUMIDITY] / 100.0, 101_325.0)
"""What a wet face comes near to (psychrolib 2.5)."""


def minutes(shop: Shop, count: int, surface_c: float | None, probe: str = "p-1", place: str = "rack-a") -> None:
    """So many minutes of steady air, with a probe that reads this."""
    for _ in range(count):
        if surface_c is not None:
            stamp = shop.now + timedelta(seconds=20)
            shop.said += shop.room.advance(stamp)
            shop.room.tell([reading(stamp, Quantity.SURFACE, surface_c, place, probe)])
        shop.run(1 / 60)


def dipped(coat: str = "middle", shelter: str = "open", probe: str | None = "p-1") -> Shop:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", coat, shelter=shelter, probe=probe)
    return shop


def ready_after(shop: Shop, surface_c: float | None) -> int:
    """Minutes until the tree is ready."""
    for minute in range(1, 600):
        minutes(shop, 1, surface_c)
        if shop.tree("t-1").state is State.READY:
            return minute
    raise AssertionError(shop.tree("t-1"))


def test_a_surface_at_the_wet_bulb_keeps_a_tree_from_being_ready() -> None:
    """By the air it has long been dry; its surface says that water leaves, and the reason says by how much."""
    usual = ready_after(dipped(probe=None), None)
    shop = dipped()
    minutes(shop, usual + 60, WET_BULB_C + 0.5)
    assert shop.tree("t-1").state is State.DRYING
    assert "K colder than the air" in text(shop.tree("t-1"), "wet")
    assert f"{AIR_C - WET_BULB_C - 0.5:.1f} K" in text(shop.tree("t-1"), "wet")
    minutes(shop, 15, AIR_C - 0.2)
    assert shop.tree("t-1").state is State.READY


@pytest.mark.parametrize("shelter", ["open", "pocketed"])
def test_a_surface_as_warm_as_the_air_makes_no_tree_ready_sooner(shelter: str) -> None:
    """It tells of the surface alone, not of the water beneath it or in pockets."""
    assert ready_after(dipped(shelter=shelter), AIR_C) == ready_after(dipped(shelter=shelter, probe=None), None)


def test_a_cool_surface_says_that_the_tree_is_wetter_than_the_air_tells() -> None:
    plain, cool = dipped(probe=None), dipped()
    usual = ready_after(dipped(probe=None), None)
    for shop, surface in ((plain, None), (cool, 0.5 * (AIR_C + WET_BULB_C))):
        minutes(shop, usual - 10 + usual % 5, surface)
    assert cool.tree("t-1").dryness.best < plain.tree("t-1").dryness.best


@pytest.mark.parametrize("other", [{"probe": "p-2"}, {"place": "rack-b"}])
def test_a_probe_in_another_tree_says_nothing(other: dict[str, str]) -> None:
    usual = ready_after(dipped(probe=None), None)
    shop = dipped()
    minutes(shop, usual, WET_BULB_C, **other)
    assert shop.tree("t-1").state is State.READY


def test_a_probe_that_falls_silent_says_nothing_any_more() -> None:
    usual = ready_after(dipped(probe=None), None)
    shop = dipped()
    minutes(shop, usual + 5, WET_BULB_C)
    assert shop.tree("t-1").state is State.DRYING
    minutes(shop, 12, None)
    assert shop.tree("t-1").state is State.READY


def test_a_probe_stays_in_the_tree_for_its_next_coats_and_is_left_behind_by_a_move() -> None:
    shop = dipped()
    ready_after(shop, AIR_C)
    shop.dip("t-1", "backup")
    minutes(shop, 400, WET_BULB_C)
    assert "K colder" in text(shop.tree("t-1"), "wet")
    shop.move("t-1", "rack-b")
    shop.run(0.2)
    assert "wet" not in codes(shop.tree("t-1"))


def test_a_reading_under_the_trees_own_name_counts_without_a_probe_named_at_the_dip() -> None:
    """A spot reading: it counts while it is fresh, and no longer."""
    usual = ready_after(dipped(probe=None), None)
    shop = dipped(probe=None)
    minutes(shop, usual - 2, None)
    minutes(shop, 7, WET_BULB_C + 0.5, probe="t-1")
    assert "K colder than the air" in text(shop.tree("t-1"), "wet")
    minutes(shop, 20, None)
    assert shop.tree("t-1").state is State.READY


def test_another_trees_name_says_nothing_of_this_one() -> None:
    usual = ready_after(dipped(probe=None), None)
    shop = dipped(probe=None)
    minutes(shop, usual, WET_BULB_C + 0.5, probe="t-2")
    assert shop.tree("t-1").state is State.READY
