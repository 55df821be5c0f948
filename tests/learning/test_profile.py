"""How slow pockets are where the runs hardly tell: ripples do not hold the search, and what is open stays wide."""

from dataclasses import replace

import numpy as np
import pytest

from drymon.drying import dips
from drymon.drying.coat_model import PARAMETERS
from drymon.drying.edges import NO_EDGES
from drymon.learning.estimate import fit_room, settled
from drymon.learning.folds import models_of
from drymon.learning.forecast_scores import hours_until, steps_of
from drymon.learning.layout import Prior
from drymon.learning.profile import Marginal, Pinned, joined, likeliest, marginal, profile
from drymon.messages.coat_models import load_models

STARTS = {"backup": load_models(None)["backup"]}
PRIORS = {"backup": Prior.of(STARTS["backup"])}
PLACE = PARAMETERS.index("pocketed")
HOURS = np.concatenate([np.linspace(0.1, 3.0, 9), np.linspace(3.6, 14.0, 9)])
SHARE, SLOWER, PACE = 0.16, 4.0, 1.2


def shop(make, sd_kg: float):
    """Four open trees, and four whose pockets, a sixth of them, dry four times as slowly; all weighed to the end."""
    dice = np.random.default_rng(7)
    runs = []
    for place in range(8):
        pace = PACE * float(np.exp(dice.normal(0.0, 0.03)))
        slow = 0.0 if place < 4 else SHARE
        runs.append(
            make(
                lambda h, pace=pace, slow=slow: (1 - slow) * np.exp(-h / pace) + slow * np.exp(-h / (SLOWER * pace)),
                HOURS,
                name=f"t-{place}",
                shelter="pocketed" if slow else "open",
                seed=place,
                start_s=9e4 * place,
                sd_kg=sd_kg,
            )
        )
    return runs


@pytest.fixture(scope="module")
def kept():
    return {}


def of_shop(make, kept, sd_kg: float):
    """The estimate as the search left it, and settled; with a bench scale that errs by so much."""
    if sd_kg not in kept:
        first = fit_room(shop(make, sd_kg), PRIORS, "power", rounds=3)
        kept[sd_kg] = first, settled(first)
    return kept[sd_kg]


def sd_of(estimate) -> float:
    """Of the speed of pockets, on the log scale."""
    return float(np.sqrt(estimate.coats["backup"].covariance[PLACE, PLACE]))


def test_a_fine_scale_tells_how_slow_pockets_are_and_a_coarse_one_leaves_it_open(make, kept) -> None:
    fine, coarse = (of_shop(make, kept, sd_kg)[1] for sd_kg in (0.0002, 0.006))
    assert sd_of(fine) < 0.45
    assert sd_of(coarse) > 1.5 * sd_of(fine)
    truly = SLOWER * PACE * np.log(20.0)
    runs = fine.runs
    for estimate, near in ((fine, 1.3), (coarse, 3.0)):
        coats = dips.possible_coats(models_of(STARTS, estimate, runs)["backup"], 1, "pocketed", edges=NO_EDGES)
        low, middle, high = np.quantile(hours_until(coats, steps_of(runs[-1]), 0.05), (0.05, 0.5, 0.95))
        assert low < truly < high
        assert 1.0 / near < middle / truly < near


def test_wherever_the_search_began_it_settles_in_the_same_place(make, kept) -> None:
    """Begun at pockets that are ten times too slow, and at such as dry like an open face."""
    first, there = of_shop(make, kept, 0.006)
    for begin in (-2.4, 1.0):
        problem = first.problem
        x = problem.pinned(first.solution, PLACE, begin, 6)
        again = settled(replace(first, solution=x))
        mean, sd = again.coats["backup"].mean[PLACE], sd_of(again)
        assert mean == pytest.approx(there.coats["backup"].mean[PLACE], abs=0.35 * sd)
        assert sd == pytest.approx(sd_of(there), rel=0.35)
        assert again.evidence > first.evidence - 1.0


def test_a_pinned_unknown_stays_where_it_is_and_the_others_give_way(make, kept) -> None:
    first = of_shop(make, kept, 0.0002)[0]
    points = profile(first.problem, first.solution, PLACE)
    assert [one.value for one in points] == sorted(one.value for one in points)
    for one in points:
        assert one.x[PLACE] == pytest.approx(one.value, abs=1e-3)
    share = [one.x[PARAMETERS.index("pocketed_share")] for one in points]
    assert np.ptp(share) > 0.1
    assert abs(likeliest(points, 1.0)[PLACE] - first.solution[PLACE]) < 0.61


def test_a_shop_of_open_trees_has_nothing_to_settle(make) -> None:
    runs = shop(make, 0.0003)[:4]
    first = fit_room(runs, PRIORS, "power", rounds=2)
    assert settled(first) is first


def test_values_that_are_equally_likely_are_as_wide_as_what_is_taken_for_granted() -> None:
    """A flat log probability: what stays is the prior, cut where the values end. Against draws of it."""
    values = np.arange(-2.5, 1.3, 0.6)
    points = [Pinned(float(value), np.zeros(1), -1000.0) for value in values]
    draws = np.random.default_rng(1).normal(0.0, 0.8, 400_000)
    draws = draws[(draws > values[0]) & (draws < values[-1])]
    flat = marginal(3, points, 0.8)
    assert flat.mean == pytest.approx(draws.mean(), abs=0.01)
    assert flat.variance == pytest.approx(draws.var(), rel=0.02)


def test_what_is_told_clearly_is_told_between_the_values_too() -> None:
    """A normal one of sd 0.3 about -0.55, seen at values 0.6 apart and at its top."""
    values = np.sort(np.append(np.arange(-2.5, 1.3, 0.6), -0.55))
    points = [Pinned(float(value), np.zeros(1), -0.5 * ((value + 0.55) / 0.3) ** 2) for value in values]
    told = marginal(3, points, 10.0)
    assert told.mean == pytest.approx(-0.55, abs=0.03)
    assert told.variance == pytest.approx(0.3**2, rel=0.25)


def test_another_marginal_takes_along_what_hangs_on_it() -> None:
    """Against draws of the old belief, weighted by the new marginals over the old (importance sampling)."""
    mean = np.array([0.3, -0.5, 1.0, 0.0])
    root = np.array([[0.8, 0, 0, 0], [0.5, 0.7, 0, 0], [-0.3, 0.4, 0.5, 0], [0.2, 0.0, 0.1, 0.6]])
    covariance = root @ root.T
    new = Marginal(1, -0.2, 1.2 * covariance[1, 1])
    draws = mean + np.random.default_rng(2).standard_normal((400_000, 4)) @ root.T
    before = -0.5 * (draws[:, 1] - mean[1]) ** 2 / covariance[1, 1]
    after = -0.5 * (draws[:, 1] - new.mean) ** 2 / new.variance
    weights = np.exp(after - before)
    found_mean, found = joined(mean, covariance, [new])
    np.testing.assert_allclose(found_mean, np.average(draws, axis=0, weights=weights), atol=0.02)
    np.testing.assert_allclose(found, np.cov(draws.T, aweights=weights), atol=0.03)


def test_two_marginals_at_once_are_both_as_told_and_as_correlated_as_before() -> None:
    root = np.array([[0.8, 0, 0], [-0.6, 0.5, 0], [0.3, 0.2, 0.4]])
    covariance = root @ root.T
    mean, found = joined(np.zeros(3), covariance, [Marginal(0, 0.4, 2.0), Marginal(1, -0.1, 0.9)])
    np.testing.assert_allclose(mean[:2], [0.4, -0.1])
    np.testing.assert_allclose(np.diag(found)[:2], [2.0, 0.9])

    def together(matrix):
        return matrix[0, 1] / np.sqrt(matrix[0, 0] * matrix[1, 1])

    assert together(found) == pytest.approx(together(covariance))
    assert np.linalg.eigvalsh(found).min() > 0.0


def test_without_marginals_nothing_changes() -> None:
    mean, found = joined(np.ones(2), np.eye(2), [])
    np.testing.assert_array_equal(mean, np.ones(2))
    np.testing.assert_array_equal(found, np.eye(2))
