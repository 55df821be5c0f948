"""Coming dips with few hands, within hours: against a constraint solver, and the limits that a plan must keep."""

import random
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from ortools.sat.python import cp_model

from drymon.shop.facts.setup import Hours
from drymon.shop.plan.open_hours import OpenHours
from drymon.shop.plan.schedule import Chain, Slot, Step, schedule

MONDAY = datetime(2031, 3, 3, tzinfo=UTC)
WEEKDAYS = Hours((0, 1, 2, 3, 4), 7 * 60, 18 * 60, dip_min=10.0, hands=1)
DIP_S = 600.0
HOUR = 3600.0


def at(hours: float) -> float:
    """Seconds since 1970, so many hours after Monday's midnight."""
    return (MONDAY + timedelta(hours=hours)).timestamp()


def open_hours(hours: Hours = WEEKDAYS) -> OpenHours:
    return OpenHours(hours, UTC, at(0))


def planned(chains: list[Chain], hands: int = 1, now: float = 7.0) -> list[Slot]:
    return schedule(chains, open_hours(), DIP_S, hands, at(now))


def end_of(chains: list[Chain], slots: list[Slot]) -> float:
    waits = {(chain.tree, index): step.wait_s for chain in chains for index, step in enumerate(chain.steps)}
    return max(slot.start_s + waits[slot.tree, slot.index] for slot in slots)


def a_case(seed: int) -> tuple[list[Chain], int]:
    """Four to seven trees with two to four coats to come; 2 to 9 h each."""
    luck = random.Random(seed)
    chains = [
        Chain(
            f"t-{number}",
            at(7.0) + luck.choice((0, 0, 1, 3)) * HOUR,
            tuple(Step(luck.randint(8, 36) * 900.0) for _ in range(luck.randint(2, 4))),
        )
        for number in range(luck.randint(4, 7))
    ]
    return chains, luck.choice((1, 1, 2))


def best_end(chains: list[Chain], hands: int) -> float:
    """The least time at which all can be dry, in minutes from Monday's midnight, by OR-Tools' CP-SAT solver."""
    model, horizon, dip = cp_model.CpModel(), 14 * 1440, 10
    days = [[d * 1440 + 420, d * 1440 + 1080 - dip] for d in range(14) if d % 7 < 5]
    dips, ends = [], []
    for chain in chains:
        before, wait = None, 0
        for index, step in enumerate(chain.steps):
            start = model.new_int_var_from_domain(cp_model.Domain.from_intervals(days), f"{chain.tree} {index}")
            ready = int((chain.ready_s - at(0)) / 60)
            model.add(start >= ready if before is None else start >= before + wait)
            dips.append(model.new_fixed_size_interval_var(start, dip, f"dip {chain.tree} {index}"))
            before, wait = start, round(step.wait_s / 60)
        ends.append(before + wait)
    model.add_cumulative(dips, [1] * len(dips), hands)
    end = model.new_int_var(0, horizon, "end")
    for each in ends:
        model.add(end >= each)
    model.minimize(end)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers, solver.parameters.max_time_in_seconds = 1, 20.0
    assert solver.solve(model) in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    return solver.best_objective_bound


@pytest.mark.parametrize("seed", range(30))
def test_all_are_dry_within_a_tenth_of_the_least_time(seed: int) -> None:
    """From Monday at seven; the oracle's own lower bound counts."""
    chains, hands = a_case(seed)
    took = (end_of(chains, planned(chains, hands)) - at(7.0)) / 60.0
    assert took <= 1.1 * (best_end(chains, hands) - 420.0)


@pytest.mark.parametrize("seed", range(30))
def test_a_plan_keeps_hours_hands_and_waits(seed: int) -> None:
    chains, hands = a_case(seed)
    slots = planned(chains, hands)
    assert len(slots) == sum(len(chain.steps) for chain in chains)
    for slot in slots:
        begin = datetime.fromtimestamp(slot.start_s, UTC)
        done = begin + timedelta(seconds=DIP_S)
        assert begin.weekday() < 5
        assert begin.hour >= 7
        assert done <= begin.replace(hour=18, minute=0, second=0, microsecond=0)
        assert sum(other.start_s <= slot.start_s < other.start_s + DIP_S for other in slots) <= hands
    for chain in chains:
        own = sorted((slot for slot in slots if slot.tree == chain.tree), key=lambda slot: slot.index)
        assert own[0].start_s >= chain.ready_s
        for before, after in pairwise(own):
            assert after.start_s >= before.start_s + chain.steps[before.index].wait_s


def test_a_longest_wait_over_the_weekend_puts_a_dip_off() -> None:
    """Dipped on Friday at 16:00 its 24 h end on Saturday, when nobody is there: on Monday at 07:00 it is dipped."""
    chain = Chain("t-1", at(4 * 24 + 16.0), (Step(20 * HOUR, 24 * HOUR), Step(4 * HOUR)))
    first, second = planned([chain], now=4 * 24 + 16.0)
    assert first.start_s == at(7 * 24 + 7.0)
    assert first.put_off_s == at(4 * 24 + 16.0)
    assert first.start_s + 20 * HOUR <= second.start_s <= first.start_s + 24 * HOUR


def test_a_dip_is_put_off_no_longer_than_the_next_one_asks_for() -> None:
    """On Friday at 08:00, 5 h to dry and 72 h at most: Friday afternoon will do for the next one."""
    chain = Chain("t-1", at(4 * 24 + 8.0), (Step(5 * HOUR, 72 * HOUR), Step(4 * HOUR)))
    first, second = planned([chain], now=4 * 24 + 8.0)
    assert (first.start_s, second.start_s) == (at(4 * 24 + 8.0), at(4 * 24 + 13.0))
    assert first.put_off_s is None


def test_an_evening_limit_moves_a_dip_into_the_next_morning() -> None:
    """At 14:00 with 6 h to dry and 10 h at most the next one would fall on 20:00 to midnight."""
    chain = Chain("t-1", at(14.0), (Step(6 * HOUR, 10 * HOUR), Step(4 * HOUR)))
    first, second = planned([chain], now=14.0)
    assert first.start_s == at(24 + 7.0)
    assert second.start_s == at(24 + 13.0)


def test_a_limit_that_no_hours_can_keep_is_said_and_the_dip_is_not_lost() -> None:
    chain = Chain("t-1", at(8.0), (Step(12 * HOUR, 12.5 * HOUR), Step(4 * HOUR)))
    first, second = planned([chain], now=8.0)
    assert first.too_long == "away"
    assert (first.start_s, second.start_s) == (at(8.0), at(24 + 7.0))


def test_who_would_miss_a_limit_in_the_queue_goes_first() -> None:
    """The one with the longest way to go would else: its limit is in a quarter of an hour."""
    long_ = Chain("t-long", at(9.0), tuple(Step(6 * HOUR) for _ in range(6)))
    due = Chain("t-due", at(9.0), (Step(2 * HOUR),), until_s=at(9.2))
    assert [slot.tree for slot in planned([long_, due], now=9.0)][:2] == ["t-due", "t-long"]


def test_the_longest_way_to_go_goes_first_else() -> None:
    short, long_ = Chain("t-a", at(9.0), (Step(2 * HOUR),)), Chain("t-z", at(9.0), (Step(2 * HOUR), Step(2 * HOUR)))
    assert planned([short, long_], now=9.0)[0].tree == "t-z"


def test_without_hours_people_are_always_there() -> None:
    always = OpenHours(Hours(), UTC, at(0))
    assert always.first(at(3.1), DIP_S) == at(3.1)
    assert always.first(at(23.95), DIP_S) == at(23.95)  # over midnight


def test_a_dip_must_be_done_before_people_go_home() -> None:
    assert open_hours().first(at(17.83), DIP_S) == at(17.83)
    assert open_hours().first(at(17.9), DIP_S) == at(24 + 7.0)
    assert open_hours().first(at(4 * 24 + 17.9), DIP_S) == at(7 * 24 + 7.0)


def test_a_shift_over_midnight_is_one_span() -> None:
    night = OpenHours(Hours((0,), 22 * 60, 6 * 60), UTC, at(0))
    assert night.first(at(23.95), DIP_S) == at(23.95)
    assert night.first(at(24 + 5.9), DIP_S) == at(7 * 24 + 22.0)
    assert night.end_of_span(at(23.0)) == at(24 + 6.0)


def test_hours_are_those_of_the_wall_clock_when_summer_time_begins() -> None:
    """In Lisbon clocks go forward on Sunday, 2031-03-30: seven o'clock is an hour earlier on Monday."""
    zone = ZoneInfo("Europe/Lisbon")
    hours = OpenHours(WEEKDAYS, zone, datetime(2031, 3, 28, 12, tzinfo=UTC).timestamp())
    friday, monday = datetime(2031, 3, 28, 19, tzinfo=UTC), datetime(2031, 3, 31, 6, tzinfo=UTC)
    assert hours.first(friday.timestamp(), DIP_S) == monday.timestamp()


def test_a_coat_that_dries_slower_than_its_limit_is_told_apart_and_waits_for_nothing() -> None:
    chain = Chain("t-1", at(8.0), (Step(8 * HOUR, 6 * HOUR), Step(4 * HOUR)))
    first, _ = planned([chain], now=8.0)
    assert (first.too_long, first.start_s) == ("wet", at(8.0))
