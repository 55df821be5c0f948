"""The wet area that a tree's weighings and a member's water ask for, against scipy's bounded search."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from drymon.drying.weight_evidence import AreaPrior, ScaleErrors, weigh_members

HONEST = ScaleErrors(drift_kg=0.0, creep_kg=0.0, misfit=0.0)
SD_KG = 0.001


def most_likely_area(masses: np.ndarray, water: np.ndarray, prior: AreaPrior) -> float:
    """Least squares about any dry mass, and the prior's distance on the log; scipy looks through the whole range."""
    variance = SD_KG**2 + (1e-6 + 1e-4 * SD_KG) ** 2
    own, other = masses - masses.mean(), water - water.mean()

    def cost(log_area: float) -> float:
        fit = float(np.sum((own - np.exp(log_area) * other) ** 2)) / variance
        return fit + ((log_area - float(np.log(prior.median_m2))) / float(prior.log_sd)) ** 2

    starts = np.linspace(np.log(1e-4), np.log(1e5), 300)
    best = float(starts[np.argmin([cost(start) for start in starts])])
    found = minimize_scalar(cost, bounds=(best - 0.1, best + 0.1), method="bounded", options={"xatol": 1e-9})
    return float(np.exp(found.x))


@pytest.mark.parametrize("lost_kg", [0.0, 0.002, 0.02, 0.06, 0.3])
@pytest.mark.parametrize("prior", [AreaPrior(), AreaPrior(0.7, 0.3)])
def test_each_members_area_is_the_most_likely_one_however_far_off_the_first_guess(
    lost_kg: float, prior: AreaPrior
) -> None:
    """Members that expect all of the water to go, or next to nothing of it: what their loss alone would ask for lies
    between a tenth and thousands of square metres.
    """
    times = np.array([600.0, 1800.0, 5400.0, 9000.0])
    gone = np.array([0.0, 0.2, 0.7, 1.0])
    expected = np.array([0.3, 0.1, 0.03, 0.01, 0.003, 1e-3, 3e-4])
    water = 0.3 - expected[:, None] * gone
    masses = 3.0 - lost_kg * gone + 0.0003 * np.array([1.0, -1.0, -1.0, 1.0])
    found = weigh_members(times, masses, np.full(4, SD_KG), water, errors=HONEST, area=prior).area_m2
    np.testing.assert_allclose(found, [most_likely_area(masses, row, prior) for row in water], rtol=1e-4)


def test_where_nothing_was_told_a_tree_has_two_fifths_of_a_square_metre_within_a_factor_e() -> None:
    prior = AreaPrior()
    assert (prior.median_m2, prior.log_sd) == (0.4, 1.0)
    evidence = weigh_members(np.array([600.0]), np.array([3.0]), np.array([SD_KG]), np.full((8, 1), 0.3))
    assert evidence.area_m2.tolist() == [0.4] * 8
    assert evidence.log_area_sd.tolist() == [1.0] * 8


def test_two_weighings_are_enough_to_learn_from() -> None:
    """From 30 g lost where members expect 0.15, 0.3 and 0.6 of it: what the area alone explains."""
    times, masses = np.array([600.0, 9000.0]), np.array([3.03, 3.0])
    water = np.array([[0.3, 0.15], [0.3, 0.2], [0.3, 0.05]])
    found = weigh_members(times, masses, np.full(2, SD_KG), water, errors=HONEST)
    expected = [most_likely_area(masses, row, AreaPrior()) for row in water]
    np.testing.assert_allclose(found.area_m2, expected, rtol=1e-4)
    assert found.log_area_sd.max() < 0.1
