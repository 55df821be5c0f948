"""The least-squares search against NIST's certified nonlinear fits (StRD, from "start 2").

Source: NIST Statistical Reference Datasets, Nonlinear Regression: data and certified values of Misra1a,
BoxBOD, MGH17 (US government work). The search works on variables of order one, as the fit of coats does:
each parameter over its start.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from drymon.learning.search import minimise

MISRA1A = np.array(
    [(77.6, 10.07), (114.9, 14.73), (141.1, 17.94), (190.8, 23.93), (239.9, 29.61), (289.0, 35.18), (332.8, 40.02),
     (378.4, 44.82), (434.8, 50.76), (477.3, 55.05), (536.8, 61.01), (593.1, 66.40), (689.1, 75.47), (760.0, 81.78)]
)  # fmt: skip
BOXBOD = np.array([(1, 109), (2, 149), (3, 149), (5, 191), (7, 213), (10, 224)], dtype=float)
MGH17_Y = [
    0.844, 0.908, 0.932, 0.936, 0.925, 0.908, 0.881, 0.850, 0.818, 0.784, 0.751, 0.718, 0.685, 0.658, 0.628, 0.603,
    0.580, 0.558, 0.538, 0.522, 0.506, 0.490, 0.478, 0.467, 0.457, 0.448, 0.438, 0.431, 0.424, 0.420, 0.414, 0.411,
    0.406,
]  # fmt: skip
MGH17 = np.column_stack([10.0 * np.arange(33), MGH17_Y])


def saturating(b, x):
    return b[0] * (1.0 - np.exp(-b[1] * x))


def two_exponentials(b, x):
    return b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4])


CASES = {
    "Misra1a": (MISRA1A, saturating, [250.0, 5e-4], [2.3894212918e2, 5.5015643181e-4], 1.2455138894e-1),
    "BoxBOD": (BOXBOD, saturating, [100.0, 0.75], [2.1380940889e2, 5.4723748542e-1], 1.1680088766e3),
    "MGH17": (
        MGH17,
        two_exponentials,
        [0.5, 1.5, -1.0, 0.01, 0.02],
        [3.7541005211e-1, 1.9358469127, -1.4646871366, 1.2867534640e-2, 2.2122699662e-2],
        5.4648946975e-5,
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_certified_fits_are_found(name) -> None:
    data, model, start, certified, squares = CASES[name]
    x, y = data.T
    scale = np.array(start)

    def residuals(z):
        return (model(z * scale, x) - y) / np.std(y)

    def with_slopes(z):
        step = 1e-6
        slopes = [(residuals(z + step * unit) - residuals(z - step * unit)) / (2 * step) for unit in np.eye(len(z))]
        return residuals(z), np.column_stack(slopes)

    ones = np.ones(len(scale))
    found = scale * minimise(residuals, with_slopes, ones, 50.0 * ones, 200, good=1e-14)
    assert_allclose(found, certified, rtol=2e-3)
    assert np.sum((model(found, x) - y) ** 2) == pytest.approx(squares, rel=1e-3)


def test_it_stops_at_the_bounds_of_the_unknowns() -> None:
    """A straight line whose slope of 3 is not allowed: the nearest allowed one, 2, is found."""
    x = np.linspace(0.0, 1.0, 5)
    found = minimise(
        lambda z: z[0] * x - 3.0 * x, lambda z: (z[0] * x - 3.0 * x, x[:, None]), np.zeros(1), np.array([2.0]), 20
    )
    assert found == pytest.approx([2.0])


def test_where_nothing_can_be_gained_it_stays_and_counts_few_steps() -> None:
    asked = []

    def with_slopes(z):
        asked.append(z)
        return np.array([1.0, 2.0]), np.zeros((2, 1)) + 1e-9

    found = minimise(lambda z: np.array([1.0, 2.0]), with_slopes, np.array([0.5]), np.array([4.0]), 20)
    assert found == pytest.approx([0.5])
    assert len(asked) == 1


@pytest.mark.parametrize("most", [1, 2, 3, 5])
def test_each_step_is_the_same_in_whatever_units_the_unknowns_are(most) -> None:
    """What is damped is each unknown's own curvature (Marquardt 1963); without it these steps go far astray."""
    x, y = BOXBOD.T

    def reached(units):
        def residuals(z):
            return saturating(z * units, x) - y

        def with_slopes(z):
            left = np.exp(-units[1] * z[1] * x)
            return residuals(z), np.column_stack([(1.0 - left) * units[0], units[0] * z[0] * x * left * units[1]])

        return units * minimise(residuals, with_slopes, [100.0, 0.75] / units, np.full(2, 1e9), most, good=1e-14)

    assert_allclose(reached(np.array([1.0, 1.0])), reached(np.array([1000.0, 0.01])), rtol=1e-6)


def test_it_goes_on_while_a_step_gains_enough_and_no_further() -> None:
    """On a square each step halves the unknown, so the sum of squares gains 0.94, 0.059, 0.0037, 0.0002."""
    asked = []

    def with_slopes(z):
        asked.append(float(z[0]))
        return z * z, np.diag(2.0 * z)

    found = minimise(lambda z: z * z, with_slopes, np.array([1.0]), np.array([9.0]), 50, good=1e-3)
    assert asked == pytest.approx([1.0, 0.5, 0.25, 0.125], rel=5e-3)
    assert found == pytest.approx([0.0625], rel=5e-3)
