"""What a load cell must see leave before a tree that is dry by its air is kept from its dip."""

from dataclasses import replace

import numpy as np
import pytest

from drymon.drying import dips
from drymon.drying.ensemble import CoatState
from drymon.shop.weight.scale_doubts import falling
from drymon.shop.weight.weighings import Series, Weighings
from tests.shop.invented_shop import MODELS

COATS = dips.possible_coats(MODELS["middle"], 1, "open")
WATER = CoatState.fresh(len(COATS.zones))
MEMBERS = len(WATER.weights)
AREA_M2 = 0.4
HELD_KG = AREA_M2 * float(WATER.weights @ COATS.of_tree(COATS.water))
"""What a coat of this tree holds when it is fresh, in the middle of what is possible."""


def seen(loss_kg: float, hours: float = 1.0, sd: float = 0.0, known_kg: float = 0.0) -> Weighings:
    """Two masses so far apart; by its air this much left in between, of each member alike."""
    end, some = 3600.0 * hours, np.full(MEMBERS, known_kg / AREA_M2)
    cell = Series((0.0, end), (3.0, 3.0 - loss_kg), (0.0, sd), (some, np.zeros(MEMBERS)))
    return Weighings(cell=cell, area_m2=AREA_M2)


def least(hours: float = 1.0, sd: float = 0.0, known_kg: float = 0.0, plainly: bool = False) -> float:
    """The smallest loss [kg] that counts, found by halving."""
    low, high = 0.0, 20.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        told = falling(seen(middle, hours, sd, known_kg), COATS, WATER, 3600.0 * hours, plainly)
        low, high = (middle, high) if told is None else (low, middle)
    return high


def test_one_percent_of_its_water_an_hour_is_too_much_for_a_dry_tree_and_two_take_a_call_back() -> None:
    """Each beyond what the cell's zero may have drifted in that time."""
    assert least(plainly=True) - least() == pytest.approx(0.01 * HELD_KG)
    assert least(4.0, plainly=True) - least(4.0) == pytest.approx(0.04 * HELD_KG)
    assert 0.01 * HELD_KG < least() < 0.02 * HELD_KG + 0.01


def test_what_is_known_to_leave_is_no_contradiction() -> None:
    assert least(known_kg=0.1) - least() == pytest.approx(0.1)


def test_three_of_the_scales_errors_are_not_believed() -> None:
    assert least(sd=3.0) - least() == pytest.approx(9.0, rel=0.01)
    turned = replace(seen(5.0), cell=replace(seen(5.0).cell, sds=(3.0, 0.0)))
    assert falling(turned, COATS, WATER, 3600.0) is None
    assert falling(replace(turned, cell=replace(turned.cell, masses=(12.5, 3.0))), COATS, WATER, 3600.0) is not None


def test_a_loss_is_told_in_grams_an_hour() -> None:
    assert falling(seen(0.5, 2.0), COATS, WATER, 7200.0) == pytest.approx(250.0)


@pytest.mark.parametrize(("hours", "age_s", "told"), [(1.0, 1800.0, True), (1.0, 1801.0, False), (0.99, 0.0, False)])
def test_only_an_hour_that_ended_within_half_an_hour_tells(hours: float, age_s: float, told: bool) -> None:
    assert (falling(seen(1.0, hours), COATS, WATER, 3600.0 * hours + age_s) is not None) is told
    assert falling(replace(seen(1.0, hours), area_m2=None), COATS, WATER, 3600.0 * hours) is None
    assert falling(Weighings(area_m2=AREA_M2), COATS, WATER, 3600.0) is None


def test_the_newest_hour_counts_and_not_an_older_one() -> None:
    """What left before is no contradiction any more: the tree may have been wet then."""
    times, zeros = (0.0, 3600.0, 7200.0, 9000.0), np.zeros(MEMBERS)
    cell = Series(times, (4.0, 3.0, 3.0, 3.0), (0.0,) * 4, (zeros,) * 4)
    assert falling(Weighings(cell=cell, area_m2=AREA_M2), COATS, WATER, 9000.0) is None
    late = replace(cell, masses=(4.0, 4.0, 3.0, 3.0))
    assert falling(Weighings(cell=late, area_m2=AREA_M2), COATS, WATER, 9000.0) == pytest.approx(1000.0 / 1.5)
