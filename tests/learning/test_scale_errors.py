"""Errors of a hand scale, read off weighings made up with known ones."""

from dataclasses import replace

import numpy as np
import pytest

from drymon.learning.run import Run
from drymon.learning.scale_errors import OVER_PLAIN, most_by_hand
from drymon.learning.smooth import smooth

HOURS = np.array([0.2, 0.9, 1.8, 3.0, 4.5, 6.5, 9.0])


def bent(hours):
    """A constant rate down to a third, then ever slower."""
    return np.where(hours < 2.0, 1.0 - hours / 3.0, np.exp(-(hours - 2.0)) / 3.0)


def weighed(make, error_kg: float, count: int = 40, slip_kg: float = 0.0) -> list[Run]:
    """Runs that are thought to err by a gram; a slip in each fourth."""
    found = []
    for seed in range(count):
        run = make(bent, HOURS)
        masses = 3.0 + 0.03 * bent(HOURS) + error_kg * np.random.default_rng(seed).standard_normal(len(HOURS))
        masses[3] += slip_kg if seed % 4 == 0 else 0.0
        found.append(replace(run, masses_kg=masses, sds_kg=np.full(len(HOURS), 0.001)))
    return found


def most(runs: list[Run]) -> float:
    return most_by_hand(runs, [smooth(run) for run in runs])


@pytest.mark.parametrize("error_kg", [0.0015, 0.003])
def test_the_scatter_about_smoothed_runs_bounds_the_errors(make, error_kg: float) -> None:
    assert most(weighed(make, error_kg)) == pytest.approx(1.25 * error_kg / 0.001, rel=0.3)


def test_a_slip_of_the_pen_is_no_error_of_the_scale(make) -> None:
    """A hundred grams in every tenth run or so of a careful hand."""
    assert most(weighed(make, 0.001, slip_kg=0.1)) < 2.0


def test_the_assumed_errors_are_always_allowed(make) -> None:
    assert most(weighed(make, 0.0001)) == 1.0


def test_one_run_hardly_moves_what_is_assumed(make) -> None:
    assert most(weighed(make, 0.004, count=1)) < 2.5


def test_load_cells_tell_nothing_of_a_hand_scale(make) -> None:
    assert most([replace(run, on_cell=True) for run in weighed(make, 0.01)]) == OVER_PLAIN
