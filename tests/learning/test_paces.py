"""Where the search for a room's coats begins: at the pace of the runs, however far that lies from a starting model."""

import numpy as np
import pytest

from drymon.drying import coat
from drymon.drying.ensemble import REFERENCE_AIR
from drymon.learning.estimate import paces
from drymon.learning.forward import coats_of
from drymon.learning.layout import Prior
from drymon.learning.problem import Problem
from drymon.messages.coat_models import load_models
from tests.learning.made_up_air import steady_air

STARTS = load_models(None)
PRIORS = {name: Prior.of(model) for name, model in STARTS.items()}


def half_times(problem, x):
    """Of each run's coat by these unknowns, hours in air of 50 %RH."""
    theta, _ = problem.layout.theta(x, problem.dip_sd, problem.zone_sd)
    coats = coats_of(problem.fleet, theta[:, None, :], problem.tail)
    return coat.steady_time(coats, 0.5, REFERENCE_AIR)[problem.fleet.first, 0] / 3600.0


def runs_of(make, name, half_h, count=3, humidity=50.0):
    """Exponentials that lose half of their water in so many hours, watched for ten of their half-times."""
    hours = half_h * np.linspace(0.05, 10.0, 40)
    air = steady_air(int(60 * hours[-1]) + 2, humidity=humidity)
    return [
        make(lambda h: 0.5 ** (h / half_h), hours, name=f"{name}-{i}", coat=name, seed=i, sd_kg=1e-5, air=air)
        for i in range(count)
    ]


def problem_of(make, factors, humidity=50.0):
    """A room of coats whose half-times are so many times what their starting models say of them."""
    usual = Problem([run for name in factors for run in runs_of(make, name, 1.0, 1)], PRIORS, "power")
    of_start = dict(zip(factors, half_times(usual, np.zeros(usual.layout.size)), strict=True))
    runs = [run for name, k in factors.items() for run in runs_of(make, name, k * of_start[name], 3, humidity)]
    return Problem(runs, PRIORS, "power"), of_start


@pytest.mark.parametrize("factors", [{"backup": 8.0}, {"backup": 0.15}, {"backup": 5.0, "seal": 0.2}])
def test_it_begins_at_the_half_time_of_each_coats_runs(make, factors) -> None:
    problem, of_start = problem_of(make, factors)
    found = half_times(problem, paces(problem))
    expected = [factors[run.coat] * of_start[run.coat] for run in problem.runs]
    np.testing.assert_allclose(found, expected, rtol=0.05)


def test_it_counts_the_hours_in_the_air_that_they_were_in(make) -> None:
    """Air of 75 %RH takes half as much as that of 50: eight times the hours there are four times of the usual air's."""
    problem, of_start = problem_of(make, {"backup": 8.0}, humidity=75.0)
    found = half_times(problem, paces(problem))
    np.testing.assert_allclose(found, 4.0 * of_start["backup"], rtol=0.1)


@pytest.mark.parametrize(("factor", "moved"), [(0.55, False), (1.9, False), (2.2, True), (0.42, True)])
def test_what_is_within_a_factor_two_is_left_to_the_search(make, factor, moved) -> None:
    problem, _ = problem_of(make, {"backup": factor})
    assert paces(problem).any() == moved


def test_no_run_moves_it_beyond_150_times(make) -> None:
    """Weighings of something else altogether: 400 times as slow as any backup coat."""
    problem, of_start = problem_of(make, {"backup": 400.0})
    np.testing.assert_allclose(half_times(problem, paces(problem)), 150.0 * of_start["backup"], rtol=0.02)
