"""Where rules of the room turn that nothing else shows alone."""

import math
from collections.abc import Iterable, Mapping
from datetime import UTC, timedelta

import numpy as np
import pytest

from drymon.drying import dips
from drymon.drying.ensemble import CoatState
from drymon.drying.quantities import Quantity
from drymon.shop.air.air_book import AirBook
from drymon.shop.air.cross_check import CrossCheck
from drymon.shop.air.heard import too_dry
from drymon.shop.air.sensors import minute_of
from drymon.shop.facts.events import CellMass, Dip, Undo, Weigh
from drymon.shop.facts.outcome import RackStatus, State, Verdict
from drymon.shop.fold.tree_log import TreeLog
from drymon.shop.tree.state import dipped
from drymon.shop.verdict import judge
from drymon.shop.weight.scale import weighed
from drymon.shop.weight.weighings import Weighings
from tests.replaced import replace
from tests.shop.invented_shop import BEGIN, MODELS, SETUP, Shop, at, codes, reading, text


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
def heard_apart() -> AirBook:
    """A day of two places in the same air; one reads 25 points drier from the tenth hour on."""
    book = AirBook(SETUP)
    for minute in range(0, 24 * 60, 10):
        stamp, dry = BEGIN + timedelta(minutes=minute), 25.0 * (minute >= 600)
        for place, humidity in (("rack-a", 60.0 - dry), ("rack-b", 60.0)):
            for quantity, value in ((Quantity.TEMPERATURE, 22.0), (Quantity.HUMIDITY, humidity)):
                book.enter(reading(stamp, quantity, value + 0.01 * (minute // 10 % 2), place))
    book.cross_check.settle(minute_of(BEGIN) + 20 * 60)
    return book


@pytest.fixture(scope="module")
def apart(heard_apart: AirBook) -> CrossCheck:
    return heard_apart.cross_check


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
    for hour in (10, 11, 12, 13, 19):
        assert apart.doubted_since("rack-a", "", minute_of(BEGIN) + 60 * hour) == minute_of(BEGIN) + 600
    assert apart.doubted_since("rack-a", "", minute_of(BEGIN) + 60 * 9) is None


@pytest.mark.parametrize("hour", [10.5, 11.5, 12.5])
def test_a_reading_that_comes_late_is_doubted_from_the_beginning_to_itself(heard_apart: AirBook, hour: float) -> None:
    """Also in the two hours that have shown it: a span that ended before it began would mark no reading."""
    late_word = reading(at(hour), Quantity.HUMIDITY, 35.0, "rack-a", arrived=at(19.0))
    doubt = too_dry(heard_apart, late_word)
    assert doubt is not None
    assert (doubt.first, doubt.last) == (at(10.0), at(hour))


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


def test_a_mass_that_comes_after_its_minute_was_folded_counts_at_its_own_time() -> None:
    """So what is said live and what a replay says are the same."""
    shop = Shop()
    shop.run(1.0)
    hung = Dip(time=at(0.2), arrived=at(0.2), tree="t-1", rack="rack-a", coat="middle", shelter="open", cell="cell-1")
    masses = [
        CellMass(
            time=at(0.2 + 0.1 * place), arrived=at(0.2 + 0.1 * place), tree="t-1", mass=3.0 - 0.004 * place, sd=5e-4
        )
        for place in range(1, 6)
    ]
    prompt, late = TreeLog(shop.room.world, "t-1"), TreeLog(shop.room.world, "t-1")
    for log in (prompt, late):
        log.add(hung)
        for mass in masses[:-1]:
            log.add(mass)
    end = at(0.8).timestamp()
    late.state(end)
    for log in (prompt, late):
        log.add(masses[-1])
    one, other = prompt.state(end), late.state(end)
    assert one is not None
    assert other is not None
    assert one.water is not None
    assert other.water is not None
    np.testing.assert_array_equal(other.weighings.cell.water[-1], one.weighings.cell.water[-1])
    np.testing.assert_array_equal(other.water.weights, one.water.weights)


# --- the room --------------------------------------------------------------------------------------------------------


def test_a_fresh_dip_has_nothing_against_it_and_nothing_for_it() -> None:
    shop = Shop()
    shop.run(0.2)
    dip = Dip(time=shop.now, arrived=shop.now, tree="t-1", rack="rack-a", coat="middle", shelter="open", number=1)
    fresh = dipped(shop.room.world, None, dip, None)
    against = (fresh.complete, fresh.outside, fresh.drifted, fresh.assumed_airflow, fresh.below_unknown, fresh.by_cloth)
    assert not any(against)
    assert (fresh.fast_s, fresh.gap_s, fresh.cold_surface_k, dict(fresh.holds), fresh.released) == (0, 0, 0, {}, set())
    assert (fresh.coldest, fresh.warmest, fresh.hung_at, fresh.untold_at) == (math.inf, -math.inf, -math.inf, math.inf)
    assert (fresh.call, fresh.sure_in_a_row, fresh.unsure_in_a_row, fresh.taught) == (None, 0, 0, ())
    seen = fresh.weighings
    assert (fresh.worked_out, seen.stuck, seen.cell_disagrees, seen.tell) == (True, False, False, False)
    assert fresh.chance_dry == 0.0


@pytest.mark.parametrize(("days", "known"), [(2.9, True), (3.1, False)])
def test_a_tree_that_left_is_known_for_three_days(days: float, known: bool) -> None:
    """As long as what cells have weighed is kept: so long its leaving may be taken back."""
    shop = Shop()
    shop.run(0.1)
    shop.dip("t-1", "middle")
    shop.run(0.1)
    shop.leave("t-1")
    shop.room.advance(shop.now + timedelta(days=days))
    assert ("t-1" in shop.room.logs) is known


def test_an_event_tells_of_the_racks_that_it_changes_alone() -> None:
    shop = Shop()
    shop.run(0.2)
    shop.dip("t-1", "middle", rack="rack-a")
    shop.dip("t-2", "middle", rack="rack-b")
    told = shop.tell(Dip(time=shop.now, arrived=shop.now, tree="t-3", rack="rack-b", coat="backup", shelter="open"))
    assert [one.rack for one in told if isinstance(one, RackStatus)] == ["rack-b"]
    assert [one.tree for one in told if isinstance(one, Verdict)] == ["t-3"]


def test_a_clock_that_becomes_unknown_is_said_of_every_tree_at_once_and_so_is_its_return() -> None:
    shop = Shop()
    shop.run(0.2)
    for tree in ("t-1", "t-2"):
        shop.dip(tree, "middle")
    for known, state in ((False, State.UNKNOWN), (True, State.DRYING)):
        told = {one.tree: one for one in shop.clock(known) if isinstance(one, Verdict)}
        assert {tree: one.state for tree, one in told.items()} == {"t-1": state, "t-2": state}
        assert ("clock-unknown" in codes(told["t-1"])) is not known


def test_a_dip_undone_before_its_coat_was_complete_leaves_no_coat_complete() -> None:
    """What completes a tree is kept by its dip's time: told anew with that time it begins anew."""
    log = TreeLog(Shop().room.world, "t-1")
    dip = Dip(time=at(0.1), arrived=at(0.1), tree="t-1", rack="rack-a", coat="seal", shelter="open", number=3)
    log.add(dip)
    moment = at(5.0).timestamp()
    for state, complete in ((State.COMPLETE, True), (State.DRYING, False), (State.COMPLETE, True)):
        log.said(moment, replace(a_verdict(), dipped_at=dip.time, state=state))
        assert log.is_complete(dip.time, moment) is complete
    assert not log.is_complete(dip.time, moment - 1.0)
    log.add(Undo(time=at(5.1), arrived=at(5.1), tree="t-1"))
    log.add(replace(dip, arrived=at(5.2)))
    assert not log.is_complete(dip.time, at(6.0).timestamp())


def a_verdict() -> Verdict:
    shop = Shop()
    shop.run(0.1)
    return shop.dip("t-1", "seal", number=3)


@pytest.mark.parametrize(("left", "told"), [(0.10, "90 %"), (0.06, "94 %"), (0.04, "about 96 % (for sure 79 %)")])
def test_what_is_likely_dry_is_told_with_what_is_sure(left: float, told: str) -> None:
    """Half of the possible coats have so much left, the others a fifth; 95 % must have gone."""
    shop = Shop()
    shop.run(0.2)
    dip = Dip(time=shop.now, arrived=shop.now, tree="t-1", rack="rack-a", coat="middle", shelter="open", number=1)
    fresh = dipped(shop.room.world, None, dip, None)
    assert fresh.water is not None
    shares = np.where(np.arange(256) < 150, left, 0.205) * np.ones_like(fresh.water.left)
    since = np.where(shares.max(axis=0) <= 0.05, fresh.at, np.nan)
    wet = replace(fresh, water=replace(fresh.water, left=shares, dry_since=since))
    assert f" {told} " in f" {text(judge.verdict(shop.room.world, wet, None, UTC), 'wet')} ".replace(",", " ")
