"""A load cell's readings, and hand weighings, as those of a run."""

import math
from collections.abc import Callable

import numpy as np
import pytest

from drymon.learning.runs import Weighed, dip_before, from_bench, from_cell, problem_of


@pytest.mark.parametrize("tau_h", [0.5, 1.0])
def test_a_cells_weighings_lie_on_the_tree_from_the_first_half_hour_on(tau_h: float) -> None:
    """A tree that loses 100 g by a first-order lag, seen every 10 s with 1.5 g of noise: no weighing may lag behind it,
    or the fit learns a coat that begins to dry late. Twenty such runs, so that the mean's noise is small.
    """
    seconds = np.arange(0.0, 3 * 3600.0, 10.0)
    truth = 3.0 + 0.1 * np.exp(-seconds / 3600.0 / tau_h)
    rng = np.random.default_rng(5)
    errors, claimed = [], []
    for _ in range(20):
        run = from_cell(zip(seconds, truth + rng.normal(0.0, 0.0015, len(seconds)), strict=True))
        true_there = np.interp(run.times_s, seconds, truth)
        stretches = [(300.0, 900.0), (900.0, 1800.0), (1800.0, 3600.0), (3600.0, 9000.0)]
        inside = [(run.times_s >= low) & (run.times_s < high) for low, high in stretches]
        errors.append([float(np.mean((run.masses_kg - true_there)[places])) for places in inside])
        claimed.append(float(np.median(run.sds_kg[run.times_s > 900.0])))
    assert np.all(np.abs(np.mean(errors, axis=0)) < 0.0002), "within 0.2 % of the water"
    assert 0.0001 < np.mean(claimed) < 0.0006


@pytest.mark.parametrize("every_s", [60.0, 180.0, 600.0, 1200.0])
def test_a_cell_that_seldom_reports_is_weighed_as_often_as_it_does(every_s: float) -> None:
    seconds = np.arange(0.0, 6 * 3600.0, every_s)
    truth = 3.0 + 0.1 * np.exp(-seconds / 3600.0)
    noise = np.random.default_rng(1).normal(0.0, 0.001, len(seconds))
    run = from_cell(zip(seconds, truth + noise, strict=True))
    assert len(run.times_s) >= min(len(seconds) - 8, 150)
    errors = run.masses_kg - np.interp(run.times_s, seconds, truth)
    late = run.times_s > 1200.0
    assert abs(float(np.mean(errors[late]))) < 0.0005
    assert float(np.sqrt(np.mean((errors[late] / run.sds_kg[late]) ** 2))) < 2.0, "errors as large as they are said"


@pytest.mark.parametrize("wrong", [lambda kg: 10.0 * kg, lambda kg: kg + 0.05, lambda kg: kg - 0.05])
def test_one_slip_of_the_pen_costs_one_weighing_not_the_run(wrong: Callable[[float], float]) -> None:
    """Eight weighings of a tree that loses 100 g; the fourth has its point in the wrong place, or is 50 g off."""
    rows = [(1800.0 * k, 3.3 + 0.1 * math.exp(-k / 2.0)) for k in range(1, 9)]
    slipped = [(at, wrong(kg)) if place == 3 else (at, kg) for place, (at, kg) in enumerate(rows)]
    run = from_bench(slipped)
    assert run.times_s.tolist() == [at for place, (at, _) in enumerate(rows) if place != 3]
    assert "fits neither of its neighbours" in run.notes[0]
    assert problem_of(run, None, True) == "no temperature or humidity was measured"


def test_two_slips_are_another_trees_weighings() -> None:
    rows = [(1800.0 * k, 3.3 + 0.1 * math.exp(-k / 2.0) + (0.05 if k in (4, 6) else 0.0)) for k in range(1, 9)]
    assert "rose too much" in problem_of(from_bench(rows), None, True)


def hours_on_a_cell(change_kg: float, at_s: float) -> Weighed:
    """Five hours of a tree that loses 100 g, a reading each 20 s; at `at_s` the cell's load changes by so much."""
    seconds = np.arange(0.0, 5 * 3600.0, 20.0)
    masses = 3.0 + 0.1 * np.exp(-seconds / 5400.0) + np.where(seconds >= at_s, change_kg, 0.0)
    return from_cell(zip(seconds, masses + np.random.default_rng(11).normal(0.0, 5e-4, len(seconds)), strict=True))


@pytest.mark.parametrize(
    ("change_kg", "told"), [(0.12, "the cell saw a dip 2.0 h after"), (-0.6, "fell all at once 2.0 h")]
)
def test_a_run_ends_where_another_dip_or_another_tree_begins(change_kg: float, told: str) -> None:
    run = hours_on_a_cell(change_kg, 7200.0)
    assert told in run.notes[0]
    assert 6600.0 < run.times_s[-1] <= 7200.0
    assert np.ptp(run.masses_kg) < 0.1, "nothing of what hangs there next"


def test_a_run_ends_where_the_tree_is_taken_away() -> None:
    run = hours_on_a_cell(-2.5, 7200.0)
    assert run.notes == ()
    assert 6600.0 < run.times_s[-1] <= 7200.0


def test_a_run_without_a_dip_inside_goes_on_to_its_end() -> None:
    run = hours_on_a_cell(0.0, 0.0)
    assert run.notes == ()
    assert run.times_s[-1] > 17_000.0


def test_a_dip_in_the_first_minutes_is_the_one_that_was_told() -> None:
    """Told as the tree was lifted off: what hung there before is none of this run."""
    run = hours_on_a_cell(0.12, 300.0)
    assert run.notes == ()
    assert run.times_s[0] >= 300.0
    assert run.times_s[-1] > 17_000.0
    assert run.masses_kg.max() < 3.22


def test_weighings_in_coarse_digits_are_no_surer_than_their_step() -> None:
    """10 g steps leave 10 g / sqrt(12) = 2.887 g open, however many readings are put together."""
    seconds = np.arange(0.0, 5 * 3600.0, 20.0)
    truth = 3.0 + 0.1 * np.exp(-seconds / 5400.0) + np.random.default_rng(2).normal(0.0, 5e-4, len(seconds))
    run = from_cell(zip(seconds, np.round(truth / 0.01) * 0.01, strict=True))
    assert run.digit_kg == pytest.approx(0.01, rel=1e-6)
    assert run.sds_kg.min() >= 0.00288


@pytest.mark.parametrize(("rise_kg", "seen"), [(0.8, True), (0.0, False), (-2.0, False)])
def test_a_cell_tells_of_a_dip_that_was_told_late(rise_kg: float, seen: bool) -> None:
    """The two hours before: a tree that dries on, and forty minutes before the end is dipped, or not, or lifted off."""
    seconds = np.arange(-7200.0, -600.0, 20.0)
    masses = 4.0 + 0.05 * np.exp(-(seconds + 7200.0) / 3600.0) + np.where(seconds > -2400.0, rise_kg, 0.0)
    found = dip_before(zip(seconds, masses + np.random.default_rng(3).normal(0.0, 5e-4, len(seconds)), strict=True))
    assert (found is not None) == seen
    if found is not None:
        assert found == pytest.approx(-2400.0, abs=60.0)


@pytest.mark.parametrize(("step_kg", "said"), [(0.05, "shows steps of 50 g: at least 10 steps"), (0.01, "humidity")])
def test_a_scale_too_coarse_for_the_loss_teaches_nothing(step_kg: float, said: str) -> None:
    """130 g lost, shown in steps of 50 g: within one step the curve can be any."""
    rows = [(1800.0 * k, step_kg * round((3.3 + 0.13 * math.exp(-k / 3.0)) / step_kg)) for k in range(14)]
    assert said in problem_of(from_bench(rows), None, True)
