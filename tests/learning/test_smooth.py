"""A run smoothed without a model: what a drying coat can do it follows, what none can do it does not."""

from dataclasses import replace

import numpy as np
import pytest

from drymon.learning.smooth import clock_of, smooth

HOURS = np.linspace(0.1, 6.0, 24)


def exponential(hours):
    return np.exp(-hours / 1.2)


def bent(hours):
    """A constant rate down to a third, then ever slower."""
    return np.where(hours < 2.0, 1.0 - hours / 3.0, np.exp(-(hours - 2.0)) / 3.0)


@pytest.mark.parametrize("left", [exponential, bent])
def test_a_falling_and_slowing_mass_is_followed(make, left) -> None:
    """To three times the noise of the scale, 0.3 g."""
    seen = smooth(make(left, HOURS))
    np.testing.assert_allclose(seen.mass_kg, 3.0 + 0.1 * left(HOURS), atol=0.0009)
    assert 0.0 < seen.scatter_kg < 0.0004


def test_it_never_rises_and_never_speeds_up(make) -> None:
    run = make(lambda h: exponential(h) + 0.05 * np.sin(9.0 * h), HOURS, sd_kg=0.002)
    seen = smooth(run)
    rates = np.diff(seen.mass_kg) / np.diff(seen.clock)
    assert rates.max() <= 1e-12
    assert np.diff(rates).min() >= -1e-9


def test_times_are_read_where_the_exponential_has_them(make) -> None:
    """Half of what an exponential loses between a and b has gone at -tau ln((e^-a + e^-b) / 2)."""
    seen = smooth(make(exponential, HOURS))
    ends = np.exp(-HOURS[[0, -1]] / 1.2)
    assert seen.hours_until(0.5) == pytest.approx(-1.2 * np.log(ends.mean()), rel=0.02)
    assert (seen.hours_until(0.0), seen.hours_until(1.0)) == pytest.approx((HOURS[0], HOURS[-1]))


def test_one_slip_of_the_pen_costs_itself(make) -> None:
    run = make(exponential, HOURS)
    masses = run.masses_kg.copy()
    masses[9] += 0.03
    seen = smooth(replace(run, masses_kg=masses))
    assert seen.belief[9] < 0.05
    np.testing.assert_allclose(seen.mass_kg, 3.0 + 0.1 * exponential(HOURS), atol=0.001)


def test_the_clock_goes_with_the_air(make) -> None:
    """Half of the time in air of twice the deficit: a third of the clock, then two thirds."""
    run = make(exponential, HOURS)
    middle = int(np.searchsorted(run.air.edges_s, 1800.0 * 6.0))
    deficit = run.air.deficit.copy()
    deficit[middle:] *= 2.0
    clock = clock_of(replace(run, air=replace(run.air, deficit=deficit)))
    assert clock[0] == pytest.approx(HOURS[0] / 9.0, rel=0.02)
    assert np.interp(3.0, HOURS, clock) == pytest.approx(1.0 / 3.0, abs=0.01)
    assert clock[-1] == pytest.approx(1.0)


def test_a_mass_that_stands_is_told_from_one_that_still_falls(make) -> None:
    assert smooth(make(exponential, np.linspace(0.1, 8.0, 24))).stands
    assert not smooth(make(exponential, np.linspace(0.1, 2.0, 24))).stands


def test_where_the_mass_hardly_falls_its_moment_is_unsure(make) -> None:
    """At half the water a gram is minutes, at the last hundredth it is hours; a drifting cell knows less still."""
    seen = smooth(make(exponential, HOURS))
    unsure = seen.unsure_of_time(on_cell=False, error_kg=seen.scatter_kg)
    early, late = np.searchsorted(HOURS, [0.8, 5.0])
    assert unsure[early] < 0.02
    assert unsure[late] > 5.0 * unsure[early]
    assert seen.unsure_of_time(on_cell=True, error_kg=seen.scatter_kg)[late] > unsure[late]


def test_a_load_cells_run_is_followed_as_well(make) -> None:
    seen = smooth(make(bent, HOURS, on_cell=True))
    np.testing.assert_allclose(seen.mass_kg, 3.0 + 0.1 * bent(HOURS), atol=0.0009)


def test_how_much_a_run_has_slowed_needs_no_curve(make) -> None:
    """An exponential to a share s: its last quarter of time takes s^(3/4) - s, against 1 - s on the whole; a line never
    slows.
    """
    for share in (0.3, 0.1, 0.02):
        hours = np.linspace(0.05, -1.2 * np.log(share), 20)
        expected = 4.0 * (share**0.75 - share) / (1.0 - share)
        assert smooth(make(exponential, hours)).late_pace == pytest.approx(expected, abs=0.06)
    assert smooth(make(lambda h: 1.0 - h / 7.0, HOURS)).late_pace == pytest.approx(1.0, abs=0.05)
