"""A weighed piece teaches its kind of coat before any fit: what it may tell, whom, and how much.

The piece dries by a first-order lag, which is none of the model's own forms.
"""

import math

import numpy as np
import pytest

from drymon.drying import coat, dips
from drymon.drying.coat_model import Spread
from drymon.drying.ensemble import REFERENCE_AIR, Array
from drymon.shop.facts.outcome import Verdict
from drymon.shop.tree.taught import Taught, likelihood, taught_by
from tests.shop.invented_shop import MODELS, SPREADS, Shop, model

WIDE = {name: Spread(centre, sd if name != "water" else 0.6) for name, (centre, sd) in SPREADS.items()}
STARTING = {name: model(name, runs=0, parameters=WIDE) for name in ("middle", "backup")}
DRY_KG, AREA_M2, WATER = 0.6, 0.06, 0.1


def weighed(shop: Shop, name: str, tau_min: float, weighings: int = 8, every_min: float = 8.0) -> None:
    """Weigh a piece that was dipped just now, on a scale that shows tenths of a gram."""
    for step in range(1, weighings + 1):
        shop.run(every_min / 60.0)
        left = AREA_M2 * WATER * math.exp(-step * every_min / tau_min)
        shop.weigh(name, round(DRY_KG + left, 4))


def taught(tau_min: float | None, rack: str = "rack-a", coat: str = "middle", **more: object) -> Verdict:
    """What is said of an open tree after an hour; tau_min: of the witness dipped with it on rack-a, None without."""
    shop = Shop(models=STARTING)
    shop.run(0.2)
    shop.dip("t-1", coat, rack=rack)
    shop.dip("witness-1", "middle")
    if tau_min is None:
        shop.run(64 / 60)
    else:
        weighed(shop, "witness-1", tau_min)
    shop.run(2 / 60)
    return shop.tree("t-1")


def hours(said: Verdict) -> tuple[float, float]:
    """From now on: the likely moment and the late bound."""
    assert said.dry_at.best is not None
    assert said.dry_at.late is not None
    return tuple((when - said.dipped_at).total_seconds() / 3600.0 for when in (said.dry_at.best, said.dry_at.late))  # type: ignore[return-value]


def test_a_quick_piece_brings_its_neighbour_forward_and_a_slow_one_puts_it_off() -> None:
    quick, alone, slow = hours(taught(12.0)), hours(taught(None)), hours(taught(40.0))
    assert quick[0] < alone[0] < slow[0]
    assert quick[1] < 0.85 * alone[1], "the safe moment comes sooner"


@pytest.mark.parametrize("tau_min", [12.0, 25.0, 40.0])
def test_what_is_told_of_the_neighbour_holds_the_truth(tau_min: float) -> None:
    """A tree that dries like the piece has 5 % left after three time constants; the verdict's edges come later."""
    best, late = hours(taught(tau_min))
    truth = -math.log(0.05) * tau_min / 60.0
    assert late > truth
    assert best == pytest.approx(truth, rel=0.4)


def test_the_same_coat_learns_on_another_rack_another_coat_does_not() -> None:
    alone = hours(taught(None))
    assert hours(taught(12.0, rack="rack-b"))[1] < 0.9 * hours(taught(None, rack="rack-b"))[1]
    assert hours(taught(12.0, coat="backup")) == pytest.approx(hours(taught(None, coat="backup")), rel=0.01)
    assert alone == hours(taught(None))


def test_what_a_coat_taught_is_there_for_the_next_dip_and_for_a_piece_begun_anew() -> None:
    def late(tau_min: float | None) -> float:
        shop = Shop(models=STARTING)
        shop.run(0.2)
        shop.dip("witness-1", "middle")
        if tau_min is not None:
            weighed(shop, "witness-1", tau_min, weighings=12)
        shop.run(20.0)
        shop.dip("witness-1", "middle", number=1)
        return hours(shop.dip("t-1", "middle"))[1] if tau_min is None else hours(_after_a_minute(shop))[1]

    assert late(12.0) < 0.9 * late(None)


def _after_a_minute(shop: Shop) -> Verdict:
    shop.dip("t-1", "middle")
    shop.run(2 / 60)
    return shop.tree("t-1")


def test_a_weighing_taken_back_has_taught_nothing() -> None:
    shop = Shop(models=STARTING)
    shop.run(0.2)
    shop.dip("t-1", "middle")
    shop.dip("witness-1", "middle")
    weighed(shop, "witness-1", 20.0, weighings=3, every_min=20.0)
    for _ in range(3):
        shop.undo("witness-1")
    shop.run(6 / 60)
    assert hours(shop.tree("t-1"))[1] == pytest.approx(hours(taught(None))[1], rel=0.05)


def test_a_piece_too_small_for_a_tree_is_not_taken_for_a_dead_scale() -> None:
    """A tile of a hundred square centimetres, both sides: 2 g of water on a scale of a tenth of a gram."""
    shop = Shop(models=STARTING)
    shop.run(0.2)
    shop.dip("witness-1", "middle")
    for step in range(1, 9):
        shop.run(8 / 60)
        shop.weigh("witness-1", round(0.25 + 0.02 * WATER * math.exp(-8.0 * step / 30.0), 4))
    assert "weight-disagrees" not in {reason.code for reason in shop.tree("witness-1").reasons}


# What it counts

TIMES = np.log(np.geomspace(1.0, 20.0, 64))[None, :]


def word(hours_: float, variance: float) -> Taught:
    return Taught("middle", ("open",), TIMES, np.array([math.log(hours_)]), np.array([variance]))


def spread(*words: Taught) -> tuple[float, float]:
    factors = likelihood(words, "open")
    assert factors is not None
    weights = factors / factors.sum()
    mean = float(TIMES[0] @ weights)
    return mean, float(np.sqrt((TIMES[0] - mean) ** 2 @ weights))


def test_nothing_told_nothing_counted() -> None:
    assert likelihood((), "open") is None


def test_one_piece_counts_as_a_measurement_with_the_luck_of_two_dips() -> None:
    mean, sd = spread(word(5.0, 0.01))
    assert mean == pytest.approx(math.log(5.0), abs=0.02)
    assert sd == pytest.approx(math.hypot(0.1, 0.35), rel=0.05)


def test_many_pieces_leave_the_luck_of_the_dip_itself() -> None:
    mean, sd = spread(*[word(5.0, 0.01)] * 100)
    assert mean == pytest.approx(math.log(5.0), abs=0.02)
    assert sd == pytest.approx(0.35 / math.sqrt(2.0), rel=0.05)


def test_pieces_that_differ_are_averaged() -> None:
    assert spread(word(4.0, 0.02), word(6.25, 0.02))[0] == pytest.approx(math.log(5.0), abs=0.02)


def test_the_zone_that_a_verdict_is_about_is_compared_where_both_have_it() -> None:
    """Else the open faces; twice as slow there."""
    both = np.vstack([TIMES, TIMES + math.log(2.0)])
    piece = Taught("middle", ("open", "pocketed"), both, np.log([5.0, 6.0]), np.array([0.01, 0.01]))
    for slowest, expected in (("open", 5.0), ("pocketed", 3.0), ("deep", 5.0)):
        factors = likelihood([piece], slowest)
        assert factors is not None
        assert float(TIMES[0] @ factors / factors.sum()) == pytest.approx(math.log(expected), abs=0.02)


# What is told

COATS = dips.possible_coats(MODELS["middle"], 1, "open")
EQUAL = np.full(COATS.water.shape[1], 1.0 / COATS.water.shape[1])
SECONDS = np.log(coat.steady_seconds(COATS, 0.05, REFERENCE_AIR))
"""By the closed form with its floor, which the binder does not reach in the reference air."""


def moved(middle: float, sd: float) -> Array:
    """The members' weights after a measurement of their open faces' time: as many standard deviations off, so sure."""
    times, wide = open_times(), float(np.std(open_times()))
    weights = np.exp(-0.5 * ((times - times.mean() - middle * wide) / (sd * wide)) ** 2)
    return np.asarray(weights / weights.sum())


def open_times() -> Array:
    told = taught_by("middle", COATS, EQUAL, np.exp(-COATS.slowness) / np.exp(-COATS.slowness).sum())
    assert told is not None
    assert told.log_times.max(axis=0) == pytest.approx(SECONDS, abs=1e-6), "until 5 % are left"
    return told.log_times[0]


@pytest.mark.parametrize(("middle", "sd"), [(0.0, 0.3), (0.8, 0.5), (-1.0, 0.2)])
def test_the_measurement_that_moved_the_members_is_told(middle: float, sd: float) -> None:
    """As two normal distributions make a third; the members' times are nearly one."""
    times = open_times()
    told = taught_by("middle", COATS, EQUAL, moved(middle, sd))
    assert told is not None
    assert (told.coat, told.zones) == ("middle", COATS.zones)
    assert (told.mean[0] - times.mean()) / np.std(times) == pytest.approx(middle, abs=0.1)
    assert math.sqrt(told.variance[0]) / np.std(times) == pytest.approx(sd, rel=0.15)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_measurement_is_believed_within_two_standard_deviations_of_the_members(side: float) -> None:
    times = open_times()
    told = taught_by("middle", COATS, EQUAL, moved(side * 4.0, 1.0))
    assert told is not None
    assert told.mean[0] == pytest.approx(times.mean() + side * 2.0 * np.std(times), abs=1e-9)


@pytest.mark.parametrize(("narrowed", "told"), [(0.018, False), (0.022, True)])
def test_who_has_narrowed_the_time_by_less_than_two_percent_tells_nothing(narrowed: float, told: bool) -> None:
    times, low, high = open_times(), 0.5, 50.0
    for _ in range(40):
        sd = math.sqrt(low * high)
        weights = moved(0.0, sd)
        left = float((times - times @ weights) ** 2 @ weights) / float(np.var(times))
        low, high = (sd, high) if left < 1.0 - narrowed else (low, sd)
    assert (taught_by("middle", COATS, EQUAL, moved(0.0, low)) is not None) is told
