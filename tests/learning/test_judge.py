"""The spread that a model claims is that with which forecasts of left-out runs err."""

import math

import pytest

from drymon.learning.forecast_scores import Judgement, pocket_factor


def forecast(score: float) -> Judgement:
    """A run whose true time lies `score` claimed standard deviations (here 0.2 on the log scale) off the forecast."""
    return Judgement("run", 0.05, 10.0 * math.exp(0.2 * score), 7.0, 10.0, 14.0, 0.2)


def test_nothing_known_changes_nothing() -> None:
    assert pocket_factor([]) == 1.0


def test_errors_as_claimed_change_nothing() -> None:
    trees = [(f"t-{i}", forecast(1.0 if i % 2 else -1.0)) for i in range(8)]
    assert pocket_factor(trees) == pytest.approx(1.0)


def test_small_errors_narrow_and_large_ones_widen_the_slow_zones() -> None:
    small = [(f"t-{i}", forecast(0.2)) for i in range(6)]
    large = [(f"t-{i}", forecast(2.0)) for i in range(6)]
    assert 0.3 <= pocket_factor(small) < 0.7
    assert 1.3 < pocket_factor(large) <= 2.0


def test_one_tree_that_was_weighed_often_counts_once() -> None:
    often = [("t-1", forecast(3.0))] * 9
    assert pocket_factor(often) == pytest.approx(pocket_factor(often[:1]))
    assert pocket_factor(often) < pocket_factor([(f"t-{i}", forecast(3.0)) for i in range(9)])


def test_one_tree_never_narrows() -> None:
    assert pocket_factor([("t-1", forecast(0.0))] * 9) == 1.0
