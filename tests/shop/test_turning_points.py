"""Where rules of the room turn that nothing else shows alone."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from drymon.drying import dips
from drymon.drying.ensemble import CoatState
from drymon.drying.quantities import Quantity
from drymon.shop.air.air_book import AirBook
from drymon.shop.air.cross_check import CrossCheck
from drymon.shop.air.sensors import minute_of
from drymon.shop.facts.events import CellMass, Dip, Weigh
from drymon.shop.facts.outcome import State
from drymon.shop.weight.scale import weighed
from drymon.shop.weight.weighings import Weighings
from tests.shop.invented_shop import BEGIN, MODELS, SETUP, Shop, codes, reading, text


def late(shop: Shop, coat: str, hours_ago: float, number: int) -> Dip:
    """Told now, made so long ago."""
    return Dip(
        time=shop.now - timedelta(hours=hours_ago), arrived=shop.now, tree="t-1", rack="rack-a", coat=coat,
        shelter="open", number=number,
    )  # fmt: skip


def test_two_dips_that_are_told_late_together_are_judged_as_if_each_had_been_told_in_time() -> None:
    """Nobody had said anything of the coat below, which was wet; the clock was right then as it is now."""
    prompt, told_late = Shop(), Shop()
    for shop in (prompt, told_late):
        shop.run(1.0)
    prompt.dip("t-1", "middle", number=1)
    for shop in (prompt, told_late):
        shop.run(0.4)
    prompt.dip("t-1", "backup", number=2)
    for shop in (prompt, told_late):
        shop.run(2.0)
    told_late.room.tell([late(told_late, "middle", 2.4, 1), late(told_late, "backup", 2.0, 2)])
    told_late.said += told_late.room.judge_now(told_late.now)
    for shop in (prompt, told_late):
        shop.run(0.1)
    one, other = prompt.tree("t-1"), told_late.tree("t-1")
    assert "redipped-early" in codes(one)
    assert text(other, "redipped-early") == text(one, "redipped-early")
    assert "still drying" in text(other, "redipped-early")
    assert other.state is one.state


@pytest.fixture(scope="module")
def apart() -> CrossCheck:
    """A day of two places in the same air; one reads 25 points drier from the tenth hour on."""
    book = AirBook(SETUP)
    for minute in range(0, 24 * 60, 10):
        stamp, dry = BEGIN + timedelta(minutes=minute), 25.0 * (minute >= 600)
        for place, humidity in (("rack-a", 60.0 - dry), ("rack-b", 60.0)):
            for quantity, value in ((Quantity.TEMPERATURE, 22.0), (Quantity.HUMIDITY, humidity)):
                book.enter(reading(stamp, quantity, value + 0.01 * (minute // 10 % 2), place))
    book.cross_check.settle(minute_of(BEGIN) + 20 * 60)
    return book.cross_check


@pytest.mark.parametrize(("hour", "doubted"), [(8, False), (9, False), (10, True), (11, True), (12, True), (19, True)])
def test_a_sensor_that_disagrees_is_doubted_from_the_two_hours_that_have_shown_it(
    apart: CrossCheck, hour: int, doubted: bool
) -> None:
    """Coats may have been called dry by them."""
    minute = minute_of(BEGIN) + 60 * hour
    assert (apart.doubt("rack-a", "", minute + 59) is not None) is doubted
    assert apart.moved("rack-a", "", minute) == pytest.approx(25.0 if doubted else 0.0, abs=0.1)
    assert apart.doubt("rack-b", "", minute) is None


def test_a_doubt_is_told_with_the_hour_in_which_it_began(apart: CrossCheck) -> None:
    for hour in (12, 13, 19):
        assert apart.doubted_since("rack-a", "", minute_of(BEGIN) + 60 * hour) == minute_of(BEGIN) + 600
    assert apart.doubted_since("rack-a", "", minute_of(BEGIN) + 60 * 9) is None


def test_a_redip_that_is_told_in_time_counts_by_what_had_been_said() -> None:
    shop = Shop()
    shop.run(1.0)
    shop.dip("t-1", "middle", number=1)
    shop.run(0.4)
    assert shop.tree("t-1").state is State.DRYING
    assert "redipped-early" in codes(shop.dip("t-1", "backup", number=2))


# --- weighings -------------------------------------------------------------------------------------------------------

COATS = dips.possible_coats(MODELS["middle"], 1, "open")


def weighings(moments: Iterable[float], off: Mapping[int, float] | None = None, on_cell: bool = False) -> Weighings:
    """Of a tree of 0.4 m2 whose coat loses its water as e^-t, t in hours; so many kg off by place."""
    seen, fresh = Weighings(), CoatState.fresh(len(COATS.zones))
    for place, seconds in enumerate(moments):
        stamp, left = BEGIN + timedelta(seconds=seconds), math.exp(-seconds / 3600.0)
        kg = 3.0 + 0.04 * left + (off or {}).get(place, 0.0)
        event: CellMass | Weigh = Weigh(time=stamp, arrived=stamp, tree="t-1", mass=kg)
        if on_cell:
            event = CellMass(time=stamp, arrived=stamp, tree="t-1", mass=kg, sd=0.0005)
        water = replace(fresh, left=np.full_like(fresh.left, left))
        seen, _ = weighed(seen, COATS, water, event, BEGIN.timestamp(), 0.03)
    return seen


def test_a_cells_weighings_stand_further_apart_the_longer_its_tree_hangs() -> None:
    """300 s, from an hour on 8 % of the time; the newest counts wherever it lies."""
    seen = weighings([300.0 * place for place in range(1, 145)], on_cell=True)
    times = np.array(seen.cell.times) - BEGIN.timestamp()
    assert times[-1] == 144 * 300.0
    apart, since = np.diff(times)[:-1], times[1:-1] - times[0]
    assert (apart[since < 3450.0] == 300.0).all()
    assert (apart >= 0.08 * since).all()
    assert (apart < 0.08 * (since + 300.0) / 0.92 + 300.0).all()


def test_sixty_weighings_of_a_coat_are_kept() -> None:
    kept = weighings([300.0 * place for place in range(1, 71)]).bench.times
    assert (len(kept), kept[0] - BEGIN.timestamp()) == (60, 3300.0)


@pytest.mark.parametrize(("count", "cured"), [(5, True), (4, False)])
def test_of_five_hand_weighings_one_may_be_a_slip(count: int, cured: bool) -> None:
    seen = weighings([900.0 * place for place in range(1, count + 1)], {2: 0.05})
    assert (seen.disagrees == 0.0) is cured
    assert (seen.in_a_row == 0) is cured


@pytest.mark.parametrize(("newest", "doubted"), [(2690.0, False), (2700.0, True)])
def test_in_the_first_three_quarters_of_an_hour_weight_may_go_its_own_way(newest: float, doubted: bool) -> None:
    """A fresh tree's own heat moves it as no curve does."""
    assert (weighings([300.0, 900.0, 1500.0, newest], {1: 0.05, 2: -0.05}).disagrees > 0.0) is doubted
