"""Errors of a scale that do not average out: what of them two weighings share. Exponentials as tables print them."""

import numpy as np
import pytest

from drymon.drying.weight_evidence import BENCH_SCALE, LOAD_CELL, ScaleErrors, error_covariance

GRAM2 = 1e-6
HOURS = np.array([0.0, 0.5, 2.0])
GONE = np.array([0.0, 0.4, 1.0])


def covariance(**errors: float) -> np.ndarray:
    """Of weighings without scatter of their own, in square grams; what is not named is nought."""
    none = {"drift_kg": 0.0, "creep_kg": 0.0, "misfit": 0.0}
    return error_covariance(3600.0 * HOURS, np.zeros(3), 1.0, GONE, ScaleErrors(**{**none, **errors})) / GRAM2


def test_creep_is_shared_and_fades_with_its_time() -> None:
    """2 g after loading, with half an hour: e^-1 = 0.36788, e^-4 = 0.018316."""
    found = covariance(creep_kg=0.002, creep_h=0.5)
    creep = 2.0 * np.array([1.0, 0.36788, 0.018316])
    np.testing.assert_allclose(found, np.outer(creep, creep), rtol=1e-4, atol=1e-5)


def test_drift_is_a_random_walk() -> None:
    """1 g per sqrt(hour): the variance grows with time, and two weighings share the walk to the earlier of them."""
    found = covariance(drift_kg=0.001)
    np.testing.assert_allclose(found, [[0.0, 0.0, 0.0], [0.0, 0.5, 0.5], [0.0, 0.5, 2.0]], atol=1e-5)


def test_a_cell_creeps_and_a_bench_scale_that_is_zeroed_each_time_does_not() -> None:
    at = 3600.0 * HOURS
    both = [error_covariance(at, np.zeros(3), 0.0, GONE, errors) / GRAM2 for errors in (LOAD_CELL, BENCH_SCALE)]
    assert both[0][0, 0] == pytest.approx(1.0, rel=1e-4), "a gram of creep, and no drift yet"
    assert np.abs(both[1]).max() < 1e-5
