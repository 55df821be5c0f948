"""The least-squares problem of a room's runs: its derivatives, and what its residuals may not know."""

from dataclasses import replace

import numpy as np
import pytest

from drymon.drying.coat_model import PARAMETERS
from drymon.learning.estimate import fit_room
from drymon.learning.layout import Prior
from drymon.learning.problem import Problem
from drymon.messages.coat_models import load_models

STARTS = load_models(None)
HOURS = np.concatenate([np.linspace(0.1, 3.0, 12), np.linspace(3.5, 9.0, 8)])


def in_two_speeds(hours):
    return 0.8 * np.exp(-hours / 1.1) + 0.2 * np.exp(-hours / 4.0)


@pytest.fixture
def runs(make):
    return [
        make(lambda h: np.exp(-h / 1.2), HOURS, name="t-1", number=1, coat="prime-fine", seed=1),
        make(lambda h: np.exp(-h / 1.3), HOURS, name="t-2", number=4, rack="rack-b", seed=2),
        make(in_two_speeds, HOURS, name="t-3", number=9, shelter="deep", seed=3),
        replace(make(in_two_speeds, HOURS, name="t-4", number=6, shelter="pocketed", seed=4, on_cell=True), thick=0.4),
    ]


def problem_of(runs, tail="power"):
    return Problem(runs, {name: Prior.of(start, tail) for name, start in STARTS.items()}, tail)


@pytest.mark.parametrize("tail", ["power", "front", "supply"])
def test_the_slope_of_the_sum_of_squares_is_that_of_differences(runs, tail) -> None:
    """Of every unknown; the rows of the two are rotated against each other, so the sums are compared."""
    problem = problem_of(runs, tail)
    at = np.random.default_rng(5).normal(0.0, 0.4, problem.layout.size)
    residuals, slopes = problem.with_slopes(at)
    told = 2.0 * slopes.T @ residuals
    step = 1e-4 * np.eye(len(at))
    found = [
        (np.sum(problem.residuals(at + each) ** 2) - np.sum(problem.residuals(at - each) ** 2)) / 2e-4 for each in step
    ]
    np.testing.assert_allclose(told, found, rtol=2e-3, atol=2e-3 * np.abs(found).max())


def test_the_rows_are_those_of_the_residuals_rotated(runs) -> None:
    problem = problem_of(runs)
    at = np.random.default_rng(6).normal(0.0, 0.4, problem.layout.size)
    residuals, slopes = problem.with_slopes(at)
    assert float(residuals @ residuals) == pytest.approx(float(np.sum(problem.residuals(at) ** 2)), rel=1e-9)
    columns = [(problem.residuals(at + each) - problem.residuals(at - each)) / 2e-4 for each in 1e-4 * np.eye(len(at))]
    normal = np.array([[float(one @ other) for other in columns] for one in columns])
    np.testing.assert_allclose(slopes.T @ slopes, normal, rtol=5e-3, atol=5e-3 * np.abs(normal).max())


def test_the_dry_mass_is_not_known(runs) -> None:
    """A tree with half a kilogram more of metal behind its shell is the same run."""
    heavier = [replace(run, masses_kg=run.masses_kg + 0.5) for run in runs]
    at = np.full(problem_of(runs).layout.size, 0.1)
    np.testing.assert_allclose(problem_of(heavier).residuals(at), problem_of(runs).residuals(at), atol=1e-6)


def test_one_slip_of_the_pen_is_believed_less_than_the_rest(make) -> None:
    run = make(lambda h: np.exp(-h / 1.2), HOURS, sd_kg=0.0005)
    slipped = run.masses_kg.copy()
    slipped[7] += 0.02
    problem = problem_of([replace(run, masses_kg=slipped)])
    problem.update(problem.solve(np.zeros(problem.layout.size)))
    belief = problem.belief[0]
    assert belief[7] < 0.02
    assert np.median(np.delete(belief, 7)) > 0.7


def test_far_from_what_was_taken_for_granted_the_prior_gives_way(make) -> None:
    """A coat of another shop that takes thirty times as long: heavy tails let the air's part go there, and hold what
    physics bounds.
    """
    slow = [make(lambda h: np.exp(-h / 36.0), 30.0 * HOURS, name=f"t-{i}", seed=i) for i in range(3)]
    estimate = fit_room(slow, {"backup": Prior.of(STARTS["backup"])}, "power")
    problem = estimate.problem
    transfer = estimate.coats["backup"].mean[PARAMETERS.index("transfer")]
    assert transfer < np.log(STARTS["backup"].parameters["transfer"].centre / 10.0)
    assert problem.heavy[problem.layout.room("transfer")] < 0.5
    assert problem.heavy[problem.layout.room("sorption")] == 1.0


def test_few_weighings_are_no_surer_than_their_scale(make) -> None:
    """A smooth line goes through five weighings as if they had no error: the scale's own word holds, as far as all runs
    on such scales bear it out.
    """
    few = make(lambda h: np.exp(-h / 1.2), np.array([0.1, 0.8, 1.6, 3.0, 5.0]), sd_kg=0.0005)
    problem = problem_of([few])
    assert problem.smooth[0].scatter_kg < 0.2 * float(np.median(few.sds_kg))
    assert problem.error_kg(0) == pytest.approx(float(np.median(few.sds_kg)))
