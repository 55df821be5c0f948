"""The weight signal against known truths.

Made-up weighings whose curve is a plain exponential, no part of drymon.
"""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import solve_discrete_are

from drymon.drying import weight
from drymon.drying.weight_evidence import AreaPrior, ScaleErrors, bench_sd, bench_sds, weigh_members

HOUR = 3600.0


def drying_mass(time_s):
    """A 5 kg tree that loses 150 g with a time constant of 1.5 h."""
    return 5.0 + 0.15 * np.exp(-time_s / (1.5 * HOUR))


def fold(times, masses, cell=None):
    """All signals, reading by reading."""
    cell = cell or weight.CellLimits()
    signals = [weight.step(None, float(times[0]), float(masses[0]), cell)]
    for time_s, mass in zip(times[1:], masses[1:], strict=True):
        signals.append(weight.step(signals[-1], float(time_s), float(mass), cell))
    return signals


def steps(signals):
    return [signal.step for signal in signals if signal.step]


@pytest.fixture
def readings():
    """Eight hours of readings each 10 s with a noise of 2 g."""
    times = np.arange(0.0, 8 * HOUR, 10.0)
    return times, drying_mass(times) + np.random.default_rng(7).normal(0.0, 0.002, times.size)


def test_mass_and_rate_follow_the_truth_within_their_stated_error(readings) -> None:
    times, masses = readings
    signals = fold(times, masses)[60:]
    errors = np.array([(s.mass - drying_mass(s.time_s)) / s.mass_sd for s in signals])
    rates = np.array([s.rate + 0.15 / (1.5 * HOUR) * math.exp(-s.time_s / (1.5 * HOUR)) for s in signals])
    assert np.mean(np.abs(errors) < 2.0) > 0.85
    assert np.std(rates) * HOUR < 0.006  # g/h of a rate that begins at 100 g/h
    assert not steps(signals)


@pytest.mark.parametrize("noise_kg", [0.0, 0.0002, 0.0012])
@pytest.mark.parametrize("digit_kg", [0.001, 0.002, 0.005, 0.01])
@pytest.mark.parametrize("every_s", [10.0, 60.0])
def test_coarse_digits_hide_no_loss(noise_kg, digit_kg, every_s) -> None:
    """A hobby cell shows whole grams or more: the same digits for minutes, then the next ones. All that left is seen,
    to the step of the digits.
    """
    times = np.arange(0.0, 8 * HOUR, every_s)
    noise = np.random.default_rng(11).normal(0.0, 1.0, times.size) * noise_kg
    shown = np.round((drying_mass(times) + noise) / digit_kg) * digit_kg
    signals = fold(times, shown)
    late = [signal for signal in signals if signal.time_s > HOUR and not signal.waiting]
    errors = np.array([signal.mass - drying_mass(signal.time_s) for signal in late])
    assert np.abs(errors).max() < digit_kg + 3.0 * noise_kg
    assert not steps(signals)


@pytest.mark.parametrize(
    ("shown", "step_kg"),
    [
        ([3.40, 3.35, 3.30, 3.30, 3.25, 3.25], 0.05),
        ([value * 0.45359237 for value in (7.5, 7.4, 7.3, 7.3, 7.1)], 0.045359237),  # tenths of a pound
        ([3.4121, 3.3987, 3.3702, 3.3519, 3.3500], 0.0),
        ([3.40, 3.35], 0.05),
        ([3.4], 0.0),
    ],
)
def test_the_digits_of_hand_weighings_are_seen(shown, step_kg) -> None:
    """Errors of rounding: uniform, sd = step / sqrt(12), beside the scale's own gram."""
    expected = np.hypot(bench_sd(np.array(shown)), step_kg / math.sqrt(12.0))
    assert_allclose(bench_sds(np.array(shown)), expected, rtol=0.05)


def test_variance_settles_where_the_riccati_equation_says() -> None:
    """scipy's Riccati solver is the outside: stationary covariance of the same (mass, rate) trend."""
    dt, noise = 10.0, 0.002
    q = weight.ACCELERATION * np.array([[dt**3 / 3, dt**2 / 2], [dt**2 / 2, dt]])
    ahead = solve_discrete_are(np.array([[1.0, dt], [0.0, 1.0]]).T, np.array([[1.0], [0.0]]), q, np.array([[noise**2]]))
    settled = ahead[0, 0] * noise**2 / (ahead[0, 0] + noise**2)
    times = np.arange(0.0, 10 * HOUR, dt)
    flat = 5.0 + noise * np.where(np.arange(times.size) % 2, 1.0, -1.0)
    assert fold(times, flat)[-1].mass_sd == pytest.approx(math.sqrt(settled), rel=0.05)


def test_knocks_lifts_and_drop_outs_leave_no_trace(readings) -> None:
    times, masses = readings
    masses = masses.copy()
    masses[900:903] += 4.0
    masses[1200:1204] = 0.0
    masses[1500] = math.nan
    signals = fold(times, masses)
    worst = max(abs(s.mass - drying_mass(s.time_s)) for s in signals[100:])
    assert worst < 0.003
    assert signals[-1].rejected >= 8
    assert not steps(signals)


def test_a_dip_without_a_word_is_found_with_its_size_and_time(readings) -> None:
    times, masses = readings
    later = times + 8 * HOUR
    lifted = later < 8 * HOUR + 300
    after = np.where(lifted, 0.0, 5.0 + 0.25 * np.exp(-(later - 8 * HOUR - 300) / (1.5 * HOUR)))
    found = steps(fold(np.r_[times, later], np.r_[masses, after]))
    assert [step.kind for step in found] == ["lifted", "dip"]
    assert found[1].time_s == pytest.approx(8 * HOUR + 300, abs=30)
    assert found[1].size_kg == pytest.approx(0.249, abs=0.004)


def test_right_after_a_dip_the_mass_is_as_sure_as_it_has_settled(readings) -> None:
    """A minute of readings of 2 g noise: no surer than a gram, and true to three of what it says."""
    times, masses = readings
    (signal,) = [one for one in fold(times, masses + 0.2 * (times > 4 * HOUR)) if one.step]
    assert 0.001 < signal.mass_sd < 0.01
    assert abs(signal.mass - drying_mass(signal.time_s) - 0.2) < 3.0 * signal.mass_sd


def test_a_new_coat_is_followed_from_its_dip_on(readings) -> None:
    """200 g that leave with a time constant of an hour: within grams from five minutes after the dip on."""
    times, masses = readings
    since = np.maximum(times - 4 * HOUR, 0.0)
    coat = np.where(since > 0.0, 0.2 * np.exp(-since / HOUR), 0.0)
    signals = [one for one in fold(times, masses + coat) if 4 * HOUR + 300 < one.time_s < 6 * HOUR]
    errors = [one.mass - drying_mass(one.time_s) - 0.2 * math.exp(-(one.time_s - 4 * HOUR) / HOUR) for one in signals]
    assert np.abs(errors).max() < 0.004


@pytest.mark.parametrize("every_s", [0.1, 0.4, 1.0, 1.6, 2.0, 5.0])
def test_a_cell_that_speaks_many_times_a_second_finds_a_dip_too(every_s) -> None:
    """However many readings come within the minute that a step takes to be believed."""
    times = np.arange(0.0, 600.0, every_s)
    masses = np.where(times < 300.0, 3.0, 3.2) + np.random.default_rng(5).normal(0.0, 0.001, times.size)
    signals = fold(times, masses)
    (dip,) = steps(signals)
    assert dip.kind == "dip"
    assert dip.size_kg == pytest.approx(0.2, abs=0.002)
    assert dip.time_s == pytest.approx(300.0, abs=2.0 * every_s)
    assert signals[-1].mass == pytest.approx(3.2, abs=0.001)
    assert not signals[-1].waiting


@pytest.mark.parametrize("every_s", [0.1, 10.0])
def test_what_swings_for_long_waits_in_as_many_places(every_s) -> None:
    times = np.arange(0.0, 900.0, every_s)
    swinging = fold(times, 3.0 + np.where(times < 60.0, 0.0, 0.4 * np.sin(times)))
    assert max(len(signal.waiting) for signal in swinging) <= 40


def test_lifted_and_hung_back_is_no_dip(readings) -> None:
    times, masses = readings
    masses = masses.copy()
    masses[1000:1030] = 0.0
    found = steps(fold(times, masses))
    assert [step.kind for step in found] == ["lifted", "hung"]
    assert abs(found[1].size_kg) < 0.006


def test_a_moved_zero_is_not_drying(readings) -> None:
    """A draught that pulls 12 g for good must not look like 12 g of water gone."""
    times, masses = readings
    signals = fold(times, masses - 0.012 * (times > 4 * HOUR))
    assert [step.kind for step in steps(signals)] == ["shift"]
    assert signals[-1].mass == pytest.approx(drying_mass(times[-1]), abs=0.002)


@pytest.mark.parametrize("seed", range(4))
def test_a_zero_that_has_moved_is_seen_to_move_again(seed) -> None:
    """By six times the noise, up and later down: no more is taken for drying than before."""
    times = np.arange(0.0, 6 * HOUR, 10.0)
    moved = np.where(times < 2 * HOUR, 0.0, np.where(times < 4 * HOUR, 0.015, 0.003))
    noise = np.random.default_rng(seed).normal(0.0, 0.002, times.size)
    signals = fold(times, drying_mass(times) + moved + noise)
    up, down = steps(signals)
    assert (up.kind, down.kind) == ("shift", "shift")
    assert up.size_kg == pytest.approx(0.015, abs=0.003)
    assert down.size_kg == pytest.approx(-0.012, abs=0.003)
    assert signals[-1].mass == pytest.approx(drying_mass(times[-1]), abs=0.004)


@pytest.mark.parametrize(("away_s", "kinds"), [(0.0, ["fall"]), (300.0, ["lifted", "fall"])])
def test_another_tree_that_is_41_g_lighter_is_told_as_a_fall(readings, away_s, kinds) -> None:
    """Hung in the other's place within a reading, or after five minutes of an empty hook."""
    times, masses = readings
    away = (times > 4 * HOUR) & (times <= 4 * HOUR + away_s)
    found = steps(fold(times, np.where(away, 0.0, masses - 0.041 * (times > 4 * HOUR))))
    assert [step.kind for step in found] == kinds
    assert found[-1].time_s == pytest.approx(4 * HOUR + away_s, abs=30)
    between = drying_mass(4 * HOUR) - drying_mass(4 * HOUR + away_s)
    assert (found[-1].size_kg if kinds == ["fall"] else found[-1].size_kg + between) == pytest.approx(-0.041, abs=0.006)


@pytest.mark.parametrize("every_s", [5.0, 20.0, 60.0, 300.0, 600.0, 1200.0])
@pytest.mark.parametrize("tau_h", [0.5, 1.0, 3.0, 8.0])
def test_no_drying_is_told_as_a_fall_however_heavy_the_coat_and_sparse_the_readings(every_s, tau_h) -> None:
    """1.5 kg of water on a 30 kg tree, by a first-order lag, from three quarters of an hour after the dip on."""
    times = np.arange(0.0, 12 * HOUR, every_s)
    noise = np.random.default_rng(5).normal(0.0, 0.002, times.size)
    signals = fold(times, 30.0 + 1.5 * np.exp(-times / (tau_h * HOUR)) + noise)
    assert not [step for step in steps(signals) if step.kind == "fall" and step.time_s > weight.UNTOLD_S]


def test_buffeting_widens_and_does_not_deceive(readings) -> None:
    times, masses = readings
    windy = (times > 2 * HOUR) & (times < 4 * HOUR)
    masses = masses + windy * np.random.default_rng(3).normal(0.0, 0.02, times.size)
    signals = fold(times, masses)
    in_wind = [s for s in signals if 3 * HOUR < s.time_s < 4 * HOUR]
    assert max(abs(s.mass - drying_mass(s.time_s)) for s in in_wind) < 0.012
    assert min(s.noise for s in in_wind) > 0.012
    assert signals[-1].noise < 0.003


def test_a_gap_forgets_the_trend_and_keeps_the_mass(readings) -> None:
    times, masses = readings
    there = (times < 2 * HOUR) | (times > 5 * HOUR)
    signals = fold(times[there], masses[there])
    assert not steps(signals)
    assert signals[-1].mass == pytest.approx(drying_mass(times[-1]), abs=0.001)


def test_a_dip_during_a_gap_is_found(readings) -> None:
    times, masses = readings
    there = (times < 2 * HOUR) | (times > 5 * HOUR)
    found = steps(fold(times[there], (masses + 0.12 * (times > 3 * HOUR))[there]))
    assert [step.kind for step in found] == ["dip"]
    lost = drying_mass(2 * HOUR) - drying_mass(5 * HOUR)
    assert found[0].size_kg == pytest.approx(0.12 - lost, abs=0.004)


def test_a_first_reading_that_is_no_mass_is_refused() -> None:
    with pytest.raises(ValueError, match="received nan"):
        weight.step(None, 0.0, math.nan)


def _members():
    """Possible coats that differ in their time constant alone; member 114 is the true one (1.5 h)."""
    constants = np.linspace(0.8, 2.37, 256) * HOUR
    return constants, int(np.argmin(np.abs(constants - 1.5 * HOUR)))


@pytest.mark.parametrize(("watched_h", "widest"), [(1.0, 0.4), (3.0, 0.12), (6.0, 0.06)])
def test_weight_finds_the_true_member_without_area_and_dry_mass(watched_h, widest) -> None:
    constants, true = _members()
    times = np.linspace(300.0, watched_h * HOUR, 30)
    masses = 7.3 + 0.55 * 0.3 * np.exp(-times / (1.5 * HOUR)) + np.random.default_rng(1).normal(0, 0.0005, 30)
    water = 0.3 * np.exp(-times / constants[:, None])
    evidence = weigh_members(times, masses, np.full(30, 0.0005), water)
    weights = np.exp(evidence.log_likelihood)
    weights /= weights.sum()
    mean = float(weights @ constants)
    sd = math.sqrt(float(weights @ (constants - mean) ** 2))
    assert abs(mean - 1.5 * HOUR) < 2.5 * sd
    assert sd / (1.5 * HOUR) < widest
    assert_allclose(evidence.area_m2[true], 0.55, rtol=0.15)
    assert_allclose(evidence.dry_kg[true], 7.3, atol=0.02)


def test_drift_makes_weight_a_weaker_witness() -> None:
    """A cell whose zero walks 5 g per root hour knows less than a steady one."""
    constants, _ = _members()
    times = np.linspace(300.0, 6 * HOUR, 30)
    masses = 7.3 + 0.165 * np.exp(-times / (1.5 * HOUR))
    water = 0.3 * np.exp(-times / constants[:, None])
    spans = []
    for drift in (0.0002, 0.005):
        score = weigh_members(
            times, masses, np.full(30, 0.001), water, errors=ScaleErrors(drift_kg=drift)
        ).log_likelihood
        spans.append(np.count_nonzero(score > -2.0))
    assert spans[1] > 1.5 * spans[0]


def test_one_weighing_teaches_nothing() -> None:
    score = weigh_members(np.array([600.0]), np.array([5.0]), np.array([0.001]), np.full((8, 1), 0.3)).log_likelihood
    assert_allclose(score, np.zeros(8))


def test_area_prior_is_felt_where_the_scale_cannot_tell() -> None:
    """With no loss yet the area is the prior's."""
    times = np.array([300.0, 360.0])
    evidence = weigh_members(
        times, np.array([5.0, 5.0]), np.full(2, 0.002), np.full((4, 2), 0.3), area=AreaPrior(0.7, 0.5)
    )
    assert_allclose(evidence.area_m2, 0.7, rtol=0.02)


def test_tenths_of_a_gram_are_believed_of_small_pieces_alone() -> None:
    """A kitchen scale of tenths carries little; what weighs kilograms told in tenths has hands and air in it."""
    tile = np.array([0.2412, 0.2405, 0.2399])
    assert_allclose(bench_sds(tile), 2e-4)
    assert (bench_sds(10.0 * tile) >= 1e-3).all()
    assert (bench_sds(np.array([0.241, 0.240, 0.239])) >= 1e-3).all(), "whole grams"
    assert (bench_sds(np.array([0.2415, 0.2405, 0.240])) >= 1e-3).all(), "steps of half a gram"
    assert (bench_sds(np.array([0.241237, 0.240518, 0.239944])) >= 1e-3).all(), "digits of a converter, not of a scale"
