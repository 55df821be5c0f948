"""What a load cell hands on: the mass that hangs there, knocks left out, without a filter's lag."""

import math
from datetime import timedelta

import numpy as np
import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.facts.events import CellMass
from drymon.shop.weight.cells import Cells, Found
from tests.shop.invented_shop import BEGIN, Shop, reading


def true_kg(seconds: float) -> float:
    """A fresh tree: 70 g of water, a tenth of it gone in minutes, half of it within the hour."""
    return 3.0 + 0.007 * math.exp(-seconds / 150.0) + 0.063 * math.exp(-seconds / 4000.0)


def told(minutes: int, noise_kg: float = 0.0008, knocks: bool = False) -> list[tuple[float, Found]]:
    """Masses handed on after a dip from 2.9 kg, a reading a minute."""
    rng = np.random.default_rng(7)
    cells, found = Cells(), []
    for minute in range(-60, minutes):
        hangs = 2.9 if minute < 0 else true_kg(60.0 * minute)
        said = hangs + noise_kg * rng.standard_normal()
        if knocks and minute % 9 == 4:
            said += rng.normal(0.0, 0.15)
        stamp = BEGIN + timedelta(minutes=minute)
        one = cells.note_mass(reading(stamp, Quantity.WEIGHT, said, "rack-a", "cell-1"))
        if one is not None and minute >= 8:
            found.append((60.0 * minute, one))
    return found


@pytest.mark.parametrize("knocks", [False, True])
def test_the_mass_neither_lags_nor_follows_a_knock(knocks: bool) -> None:
    errors = np.array([one.mass - true_kg(at) for at, one in told(180, knocks=knocks)])
    assert abs(float(np.mean(errors[:6]))) < 0.0012  # the first half hour, where the rate changes fastest
    assert float(np.sqrt(np.mean(errors**2))) < 0.0010


def test_its_spread_is_that_of_its_errors() -> None:
    scores = [(one.mass - true_kg(at)) / one.sd for at, one in told(600)]
    assert 0.5 < float(np.sqrt(np.mean(np.square(scores)))) < 2.0


def test_what_the_cell_showed_in_the_last_two_hours_comes_with_each_mass() -> None:
    """What a dip has brought is the difference from what hung there before it."""
    begin = BEGIN.timestamp()
    at, newest = told(300)[-1]
    ages = [begin + at - when for when, _ in newest.levels]
    assert 0.0 < min(ages) <= 600.0
    assert 6900.0 < max(ages) <= 7800.0
    assert [level for _, level in newest.levels] == pytest.approx([true_kg(at - age) for age in ages], abs=0.003)


def test_masses_in_coarse_digits_are_no_surer_than_their_step() -> None:
    """10 g steps leave 10 g / sqrt(12) = 2.887 g open (uniform distribution, as JCGM 100:2008 4.3.7 has it; memory)."""
    rng, cells, found = np.random.default_rng(7), Cells(), []
    for minute in range(240):
        said = round((true_kg(60.0 * minute) + 0.0008 * rng.standard_normal()) / 0.01) * 0.01
        one = cells.note_mass(reading(BEGIN + timedelta(minutes=minute), Quantity.WEIGHT, said, "rack-a", "cell-1"))
        found += [one] if one is not None and minute > 60 else []
    assert len(found) > 30
    assert min(one.sd for one in found) >= 0.00288
    assert {round(one.digit_kg, 6) for one in found} == {0.01}


def test_a_weight_that_the_broker_kept_is_no_weighing() -> None:
    """The last known value, handed over at each subscription, says nothing of what hangs there now."""
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle", cell="cell-1")
    masses = []
    for retained in (True, False):
        for _ in range(30):
            stamp = shop.now + timedelta(seconds=20)
            shop.room.tell([reading(stamp, Quantity.WEIGHT, 3.0, "rack-a", "cell-1", retained=retained)])
            shop.run(1 / 60)
        masses.append(sum(isinstance(event, CellMass) for event in shop.room.logs["t-1"].events))
    assert masses[0] == 0
    assert masses[1] >= 5


def test_the_first_readings_of_a_cell_go_by_the_filter() -> None:
    first = Cells().note_mass(reading(BEGIN, Quantity.WEIGHT, 3.0, "rack-a", "cell-1"))
    assert first is not None
    assert first.mass == pytest.approx(3.0)
    assert first.sd > 0.0
