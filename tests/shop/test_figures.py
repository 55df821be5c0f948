"""The shop's own figures (assumed, or common practice without a source), each just inside and just outside of what it
decides.
"""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from drymon.drying import dips, possible
from drymon.drying.coat_model import Spread
from drymon.drying.ensemble import CoatState
from drymon.drying.possible import toned_down
from drymon.drying.quantities import Quantity
from drymon.drying.weight_evidence import AreaPrior
from drymon.shop.air.combined import over_time
from drymon.shop.air.digits import Around, Digits, Heard
from drymon.shop.air.sensors import MinuteSeries, Track
from drymon.shop.facts.events import CellMass, Dip, Weigh
from drymon.shop.facts.grades import skipped
from drymon.shop.facts.lives import lives_of
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import AirNow, State, Verdict, When
from drymon.shop.facts.setup import CoatType, RoomSetup
from drymon.shop.facts.slips import doubtful_weighing
from drymon.shop.tree.starting import start_of
from drymon.shop.verdict.rack_status import rack_status
from drymon.shop.weight.cells import Cells
from drymon.shop.weight.scale import LEAST_MEMBERS, curve_misfit, next_coat, weighed
from drymon.shop.weight.scale_doubts import sees_nothing, told_late, untold_dip, untold_fall, without_stuck
from drymon.shop.weight.weighings import Series, Weighings
from tests.shop.invented_shop import BEGIN, MODELS, model, reading

DIPPED = BEGIN.timestamp()


# --- scales ----------------------------------------------------------------------------------------------------------


def series(times_s: list[float], masses: list[float], water: list[float]) -> Series:
    return Series(
        tuple(DIPPED + at for at in times_s),
        tuple(masses),
        tuple(0.001 for _ in times_s),
        tuple(np.full(4, value) for value in water),
    )


def seen_by_cell(after_s: float, **more: float) -> CellMass:
    stamp = BEGIN + timedelta(seconds=after_s)
    return CellMass(time=stamp, arrived=stamp, tree="t-1", mass=3.0, sd=0.001, **more)


@pytest.mark.parametrize(("after_s", "untold"), [(2700.0, False), (2701.0, True), (-math.inf, False)])
def test_a_step_three_quarters_of_an_hour_after_what_was_told_is_news(after_s: float, untold: bool) -> None:
    assert untold_dip(seen_by_cell(9000.0, rose_at=DIPPED + after_s), DIPPED) is untold
    assert untold_fall(seen_by_cell(9000.0, fell_at=DIPPED + after_s), DIPPED) is untold


@pytest.mark.parametrize(
    ("before_s", "late"), [(299.0, False), (301.0, True), (7199.0, True), (7201.0, False), (-10.0, False)]
)
def test_a_rise_five_minutes_to_two_hours_before_the_dip_is_the_dip_told_late(before_s: float, late: bool) -> None:
    assert told_late(seen_by_cell(0.0, rose_at=DIPPED - before_s), DIPPED) is late


@pytest.mark.parametrize(("runs", "misfit"), [(0, 0.06), (1, 0.0413), (5, 0.0231), (100, 0.0220)])
def test_how_far_a_curve_may_be_wrong(runs: int, misfit: float) -> None:
    """Of the water 6 % for a starting model; 2.2 % for a fitted one and, of one run, 3.5 % besides (in squares)."""
    assert curve_misfit(model("backup", runs)) == pytest.approx(misfit, rel=2e-3)
    assert curve_misfit(None) == pytest.approx(0.06)


@pytest.mark.parametrize(
    ("lost_g", "left", "met", "nothing"),
    [
        (3.9, 0.19, 0.0, True),  # a gram and a thousandth of 3 kg are 4 g
        (4.1, 0.19, 0.0, False),
        (3.9, 0.21, 0.0, False),  # less than half of the water should have left
        (3.9, 0.19, 0.5, False),  # it came from another cell with more
        (3.9, 0.13, 0.5, True),
    ],
)
def test_a_scale_must_see_a_gram_and_a_thousandth_go(lost_g: float, left: float, met: float, nothing: bool) -> None:
    heard = series([300.0, 9000.0], [3.0 + lost_g / 1000.0, 3.0], [0.4, left])
    assert sees_nothing(heard, met) is nothing


@pytest.mark.parametrize(
    ("still_s", "digit_kg", "area", "stuck"),
    [
        (901.0, 0.001, 0.101, True),  # 0.05 kg/m2 of 0.101 m2 are 5.05 g: five digits of a gram
        (899.0, 0.001, 0.101, False),
        (901.0, 0.001, 0.099, False),
        (901.0, 0.0001, 0.041, True),  # of finer digits, two grams
        (901.0, 0.0001, 0.039, False),
        (901.0, 0.001, None, False),
    ],
)
def test_digits_that_stand_while_water_leaves_are_stuck(
    still_s: float, digit_kg: float, area: float | None, stuck: bool
) -> None:
    heard = series([300.0, 7300.0, 8000.0], [3.0, 2.9, 2.9], [0.4, 0.2, 0.15])
    seen = Weighings(cell=heard, prior=np.full(4, 0.25), area_m2=area)
    after = without_stuck(seen, seen_by_cell(8000.0, still_s=still_s, digit_kg=digit_kg))
    assert after.stuck is stuck
    assert len(after.cell.times) == (1 if stuck else 3)


@pytest.mark.parametrize(
    ("disagrees", "in_a_row", "held"),
    [(9.0, 2, True), (9.0, 1, False), (8.9, 4, False), (8.9, 5, True), (6.1, 5, True)],
)
def test_how_often_weight_must_contradict_the_air(disagrees: float, in_a_row: int, held: bool) -> None:
    """Twice where the squared error is 9 or more (6, and half as much again), else five times."""
    assert Weighings(disagrees=disagrees, in_a_row=in_a_row).contradict is held


@pytest.mark.parametrize(("count", "tell"), [(2, False), (3, True)])
def test_three_weighings_have_a_say(count: int, tell: bool) -> None:
    times = [600.0 * place for place in range(count)]
    assert series(times, [3.0] * count, [0.3] * count).tells is tell
    assert Weighings(bench=series(times, [3.0] * count, [0.3] * count)).tell is tell


def test_on_another_cell_what_was_met_and_the_area_go_along() -> None:
    seen = Weighings(cell=series([300.0], [3.0], [0.4]), area=AreaPrior(0.7, 0.1), area_m2=0.66)
    moved = seen.elsewhere(np.full(4, 0.25))
    assert (moved.met, moved.area, moved.area_m2, moved.gained_kg) == (0.4, seen.area, 0.66, 0.0)
    assert moved.cell.times == ()
    assert Weighings().elsewhere(np.full(4, 0.25)) == Weighings()


def test_sixteen_members_count_at_the_least() -> None:
    """Kish (1965): one over the sum of the squared weights. Evidence that leaves more is taken whole."""
    prior = np.full(256, 1.0 / 256)
    weights = toned_down(prior, -3000.0 * np.linspace(0.0, 1.0, 256) ** 2, LEAST_MEMBERS)
    assert 1.0 / float(weights @ weights) == pytest.approx(16.0, rel=1e-3)
    mild = -5.0 * np.linspace(0.0, 1.0, 256)
    np.testing.assert_allclose(toned_down(prior, mild, LEAST_MEMBERS), np.exp(mild) / np.exp(mild).sum())


def test_an_area_goes_on_to_the_next_coat_with_four_percent_of_doubt() -> None:
    """0.03, 0.04 and 0.05 on the log scale make 0.0707."""
    learnt = AreaPrior(np.full(3, 0.4), np.full(3, 0.03))
    thirds = np.full(3, 1.0 / 3.0)
    same = next_coat(Weighings(learnt=learnt), thirds, same_model=True, scatter=0.05).area
    assert same.log_sd == pytest.approx([0.07071] * 3, rel=1e-3)
    other = next_coat(Weighings(learnt=learnt), thirds, same_model=False, scatter=0.05).area
    assert float(other.log_sd) == pytest.approx(0.05, rel=1e-3)
    of_members = AreaPrior(np.full(3, 0.4), np.full(3, 0.1))
    unknown = next_coat(Weighings(area=of_members), thirds, same_model=False, scatter=0.05).area
    assert (unknown.median_m2, unknown.log_sd) == (0.4, 1.0)


def first_masses(before: list[tuple[float, float]], level: float, after_s: float = 300.0) -> Weighings:
    """What a tree's cell says first after a dip. before: seconds before it, and kg, of what it had shown."""
    coats = dips.possible_coats(MODELS["middle"], 1, "open")
    levels = tuple((DIPPED - at, kg) for at, kg in before)
    event = seen_by_cell(after_s, level=level, levels=levels)
    seen, _ = weighed(Weighings(), coats, CoatState.fresh(len(coats.zones)), event, DIPPED, 0.1)
    return seen


@pytest.mark.parametrize(
    ("before", "level", "gained"),
    [
        ([(600.0, 3.0)], 3.5, 0.5),
        ([(7190.0, 3.0)], 3.5, 0.5),
        ([(7210.0, 3.0)], 3.5, None),  # two hours before is long ago
        ([(125.0, 3.0)], 3.5, 0.5),
        ([(115.0, 3.0)], 3.5, None),  # hands were at it
        ([(900.0, 2.9), (600.0, 3.0)], 3.5, 0.5),  # the newest before the dip
        ([(600.0, 3.0)], 3.049, 0.0),  # under 50 g say nothing
        ([(600.0, 3.0)], 3.051, 0.051),
        ([(600.0, 3.0)], 6.1, 0.0),  # another tree on an empty hook
    ],
)
def test_what_a_dip_puts_on_is_what_the_cell_showed_before_it(
    before: list[tuple[float, float]], level: float, gained: float | None
) -> None:
    found = first_masses(before, level).gained_kg
    assert found == (None if gained is None else pytest.approx(gained))


def test_what_a_dip_puts_on_sizes_the_area() -> None:
    """1.9 kg on a square metre within a factor e^0.5, beside 0.4 m2 within a factor e: 0.95 kg are 0.478 m2, +- 0.447.

    Weighted means by hand: precisions 1 and 4, (ln 0.4 + 4 ln 0.5) / 5, and 1 / sqrt(5).
    """
    area = first_masses([(600.0, 3.0)], 3.95).area
    assert float(area.median_m2) == pytest.approx(0.478, abs=0.001)
    assert float(area.log_sd) == pytest.approx(0.447, abs=0.001)


@pytest.mark.parametrize(("after_s", "kept"), [(239.0, 0), (240.0, 1)])
def test_weighings_in_the_first_four_minutes_see_slurry_drip(after_s: float, kept: int) -> None:
    assert len(first_masses([], 3.5, after_s).cell.times) == kept


def test_masses_of_a_cell_come_every_five_minutes_and_remember_two_hours() -> None:
    cells = Cells()
    found = {}
    for second in range(0, 4 * 3600, 20):
        stamp = BEGIN + timedelta(seconds=second)
        one = cells.note_mass(reading(stamp, Quantity.WEIGHT, 3.0 + 0.001 * (second // 20 % 2), "rack-a", "cell-1"))
        if one is not None:
            found[second] = one
    assert set(np.diff(list(found))) == {300}
    assert [at - DIPPED for at, _ in found[14100].levels] == [*range(6900, 14100, 300)]


# --- slips, grades, models -------------------------------------------------------------------------------------------


def doubted(mass: float, dips_since: int = 0) -> bool:
    stamps = [BEGIN + timedelta(hours=hour) for hour in range(8)]
    first = Dip(time=stamps[0], arrived=stamps[0], tree="t-1", rack="rack-a", coat="backup", number=1)
    later = [replace(first, time=stamps[2 + n], arrived=stamps[2 + n], number=2 + n) for n in range(dips_since)]
    told = Weigh(time=stamps[1], arrived=stamps[1], tree="t-1", mass=2.0)
    (life,) = lives_of([first, told, *later], stamps[7])
    now = Weigh(time=stamps[7], arrived=stamps[7], tree="t-1", mass=mass)
    return bool(doubtful_weighing(now, life, "UTC"))


@pytest.mark.parametrize(
    ("mass", "dips_since", "asked"),
    [
        (1.41, 0, False),
        (1.39, 0, True),
        (2.99, 0, False),
        (3.01, 0, True),
        (3.74, 1, False),
        (3.76, 1, True),
        (4.68, 2, False),
        (4.70, 2, True),
    ],
)
def test_which_masses_are_asked_about(mass: float, dips_since: int, asked: bool) -> None:
    """Of a tree of 2 kg: from 70 % of it to half as much again, and a quarter more for each dip."""
    assert doubted(mass, dips_since) is asked


@pytest.mark.parametrize(("before_um", "skips"), [(400.0, False), (399.0, True), (None, False)])
def test_a_grade_may_begin_half_as_wide_again(before_um: float | None, skips: bool) -> None:
    """30 mesh is 600 um (ASTM E11)."""
    assert (skipped(before_um, (20, 30)) is not None) is skips


def test_a_coat_without_a_model_goes_by_its_familys_less_sure_of_what_was_learnt_elsewhere() -> None:
    learnt = model("backup")
    kind = CoatType("rough-2", "backup")
    found = start_of(kind, {"backup": learnt})
    assert found is not None
    assert (found.name, found.runs, found.shelters_learned) == ("rough-2", 0, ())
    assert found.parameters["transfer"] == Spread(1.2, 0.35)
    assert found.parameters["exponent"].sd == 0.35
    assert found.parameters["cooling"].sd == 0.5
    start = model("backup", 0)
    assert start_of(kind, {"backup": start}) == replace(start, name="rough-2")
    assert start_of(kind, {}) is None
    prime = {"prime-first": model("prime-first", 0), "slurry-only-first": replace(start, name="slurry-only-first")}
    for mesh, like in (((), "slurry-only-first"), (None, "prime-first"), ((80, 120), "prime-first")):
        named = start_of(CoatType("p", "prime", stucco_mesh=mesh), prime)
        assert named == replace(prime[like], name="p")
    assert start_of(CoatType("s", "seal", stucco_mesh=()), prime) is None


@pytest.mark.parametrize(("minutes", "fresh_s"), [(10.0, 600), (0.2, 60), (1.5, 120), (2.0, 120)])
def test_air_is_fresh_for_whole_minutes(minutes: float, fresh_s: int) -> None:
    assert RoomSetup("shop", stale_after_min=minutes).stale_after == timedelta(seconds=fresh_s)


# --- sensors ---------------------------------------------------------------------------------------------------------

T, RH, SPEED = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW


def digits(quantity: Quantity, values: list[float], around: list[Around]) -> list[bool]:
    """Whether the digits are stuck after each of these readings, one a minute."""
    heard, stuck = Digits(quantity), []
    for minute, (value, near) in enumerate(zip(values, around, strict=True)):
        heard.follow(reading(BEGIN + timedelta(minutes=minute), quantity, value), lambda near=near: near)  # type: ignore[misc]
        stuck.append(heard.stuck)
    return stuck


@pytest.mark.parametrize(("quantity", "after_min", "moves"), [(T, 60, 5.0), (RH, 45, 1.0)])
@pytest.mark.parametrize("share", [0.98, 1.0])
def test_digits_are_stuck_after_their_time_where_the_related_moves_as_far(
    quantity: Quantity, after_min: int, moves: float, share: float
) -> None:
    count = after_min + 5
    related = [40.0 + share * moves * (minute % 8) / 7.0 for minute in range(count)]
    stuck = digits(quantity, [21.5] * count, [Around(value) for value in related])
    assert stuck == [share == 1.0 and minute >= after_min for minute in range(count)]


def test_five_different_values_are_no_proof_that_the_air_moves_and_six_are() -> None:
    for values, proof in ((5, False), (6, True)):
        related = [40.0 + 4.0 * (minute % values) for minute in range(70)]
        assert any(digits(T, [21.5] * 70, [Around(value) for value in related])) is proof


def test_another_place_shows_that_the_air_moves_where_the_related_quantity_rests_as_well() -> None:
    related = Digits(RH)
    for minute in range(70):
        related.follow(reading(BEGIN + timedelta(minutes=minute), RH, 45.0), Around)
    elsewhere = [Heard("rack-b", T, 20.0 + 0.2 * (minute % 6)) for minute in range(70)]
    for sibling, stuck in ((related, True), (None, True), (Digits(RH), False)):
        around = [Around(45.0, sibling, [heard]) for heard in elsewhere]
        assert any(digits(T, [21.5] * 70, around)) is stuck
    still = [Around(45.0, related, [Heard("rack-b", T, 20.0)]) for _ in range(70)]
    assert not any(digits(T, [21.5] * 70, still))


@pytest.mark.parametrize(("step", "frozen_after"), [(0.1, 180), (0.11, 180), (0.12, None)])
def test_two_fine_quantities_that_rest_together_for_three_hours_are_frozen(
    step: float, frozen_after: int | None
) -> None:
    """Both used to move in small steps; what shows coarser ones may honestly stand."""
    before = [21.0 + step * place for place in range(6)]
    other = Digits(RH)
    heard, found = Digits(T), None
    for minute, value in enumerate([*before, *[before[-1]] * 200]):
        stamp = BEGIN + timedelta(minutes=minute)
        other.follow(reading(stamp, RH, 24.0 + value), Around)
        heard.follow(reading(stamp, T, value), lambda: Around(45.0, other))
        if heard.stuck and found is None:
            found = minute - 5
    assert found == frozen_after


def test_a_change_counts_by_the_minutes_since_and_at_least_one() -> None:
    """5 K a minute: twelve seconds after a reading as much as after a minute, two minutes after it twice that."""
    for seconds, change, state in ((12, 4.9, "ok"), (12, 5.1, "too-fast"), (120, 9.9, "ok"), (120, 10.1, "too-fast")):
        track = Track("room", T, "")
        track.admit(reading(BEGIN, T, 20.0), Around)
        track.admit(reading(BEGIN + timedelta(seconds=seconds), T, 20.0 + change), Around)
        assert track.state == state


def test_minutes_are_reached_back_to_as_far_as_asked_and_no_further() -> None:
    minutes = MinuteSeries()
    minutes.set(1000, 21.0)
    assert minutes.latest(1009, 10) == (21.0, 1000)
    assert minutes.latest(1010, 10)[1] == -1
    minutes.set(1000 + 31 * 24 * 60 + 2000, 22.0)
    minutes.set(1000, 23.0)
    assert math.isnan(minutes.get(999))


# --- words and ranks -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hours", "told"),
    [(0, "08:00"), (15.9, "23:54"), (-7.9, "00:06"), (16.1, "Tue 00:06"), (-8.1, "Sun 23:54"), (24 * 6, "Sun 08:00"),
     (24 * 7, "2031-03-10 08:00"), (-24 * 6, "Tue 08:00"), (-24 * 7, "2031-02-24 08:00")],
)  # fmt: skip
def test_times_as_people_read_them(hours: float, told: str) -> None:
    """Monday, 3 March 2031, eight o'clock."""
    now = datetime(2031, 3, 3, 8, tzinfo=UTC)
    assert say(now + timedelta(hours=hours), now, "UTC") == told


def verdict(tree: str, state: State, late: float | None = 1.0, **more: object) -> Verdict:
    when = When(*(None if late is None else BEGIN + timedelta(hours=late) for _ in range(3)))
    plain = Verdict(BEGIN, BEGIN, tree, "rack-a", "backup", 1, BEGIN, state, None, when, None, ())
    return replace(plain, **more)


@pytest.mark.parametrize(
    ("trees", "ready", "waiting_for"),
    [
        ([], False, None),
        ([("t-1", State.READY, 1.0)], True, None),
        ([("t-1", State.READY, 1.0), ("t-2", State.DRYING, 2.0)], False, "t-2"),
        ([("t-1", State.DRYING, 3.0), ("t-2", State.DRYING, 2.0)], False, "t-1"),
        ([("t-1", State.DRYING, None), ("t-2", State.DRYING, 9.0)], False, "t-1"),
        ([("t-1", State.HOLD, 1.0), ("t-2", State.DRYING, 9.0)], False, "t-1"),
        ([("t-1", State.HOLD, 1.0), ("t-2", State.UNKNOWN, 1.0)], False, "t-2"),
        ([("t-1", State.COMPLETE, 1.0)], False, None),
        ([("t-1", State.COMPLETE, 1.0), ("t-2", State.READY, 1.0)], True, None),
    ],
)
def test_what_a_rack_waits_for(
    trees: list[tuple[str, State, float | None]], ready: bool, waiting_for: str | None
) -> None:
    air = AirNow(22.0, 45.0, 1.0, 101_325.0)
    said = rack_status("rack-a", [verdict(*tree) for tree in trees], air, DIPPED)
    assert (said.ready, said.waiting_for) == (ready, waiting_for)
    assert said.valid_until - said.time == timedelta(minutes=10)
    told = [state for _, state, _ in trees if state is not State.COMPLETE]
    clear = bool(told) and not {State.HOLD, State.UNKNOWN} & set(told) and all(late for _, _, late in trees)
    assert (said.ready_at is not None) is clear
    if clear and said.ready_at is not None:
        latest = max(late for _, state, late in trees if late and state is not State.COMPLETE)
        assert said.ready_at.late == BEGIN + timedelta(hours=latest)


def test_what_a_sensor_said_holds_for_its_time_and_its_end_is_left_out() -> None:
    words = [(BEGIN, 20.0)]
    instants = [BEGIN + timedelta(seconds=second) for second in (-1, 0, 599, 600)]
    found = list(over_time(instants, [[words]], timedelta(minutes=10), lambda fresh: fresh[0]))
    assert [moment for moment, _ in found] == instants[1:3]
    second = [[words], [[(BEGIN - timedelta(minutes=5), 30.0), (BEGIN + timedelta(minutes=10), 31.0)]]]
    chosen = over_time([instants[0], instants[1], instants[3]], second, timedelta(minutes=10), lambda fresh: fresh[0])
    assert [value for _, value in chosen] == [30.0, 20.0, 31.0]


def test_an_ensemble_has_256_members() -> None:
    """A 5 % bound rests on the thirteen beyond it."""
    assert possible.MEMBERS == 256
