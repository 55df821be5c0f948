"""The ensemble's draws: exact quantiles, decorrelated, the same everywhere. References: scipy.stats, numpy.quantile."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import stats

from drymon.drying import possible


@pytest.mark.parametrize(("dimensions", "members"), [(1, 256), (15, 256), (20, 256), (4, 16)])
def test_each_dimension_holds_every_midpoint_quantile_exactly_once(dimensions: int, members: int) -> None:
    draws = possible.quantiles(dimensions, members)
    assert draws.shape == (members, dimensions)
    midpoints = np.broadcast_to((np.arange(members)[:, None] + 0.5) / members, draws.shape)
    np.testing.assert_allclose(np.sort(draws, axis=0), midpoints, atol=1e-15)


def test_no_two_dimensions_are_correlated() -> None:
    """Of the 105 pairs of 15 random columns of 256 the worst would be near 0.17, each about 1/16 (sampling theory)."""
    linear = np.corrcoef(possible.normal_scores(15), rowvar=False)
    assert np.abs(linear - np.eye(15)).max() < 0.03
    rank = stats.spearmanr(possible.quantiles(15)).statistic
    assert np.abs(rank - np.eye(15)).max() < 0.06


def test_normal_scores_are_the_normal_quantiles() -> None:
    np.testing.assert_allclose(possible.normal_scores(15), stats.norm.ppf(possible.quantiles(15)), atol=1e-9)


def test_a_lognormal_parameter_has_the_textbook_mean_and_spread() -> None:
    """Mean exp(s^2/2) and median 1 of a log-normal; 256 midpoints cut the tails, hence 1 %."""
    sd = 0.35
    values = np.exp(sd * possible.normal_scores(15))
    np.testing.assert_allclose(values.mean(axis=0), stats.lognorm(sd).mean(), rtol=0.01)
    np.testing.assert_allclose(np.median(values, axis=0), 1.0, rtol=0.01)


def test_draws_are_read_only_and_the_same_every_time() -> None:
    first = possible.quantiles(15).copy()
    possible.quantiles.cache_clear()
    np.testing.assert_array_equal(possible.quantiles(15), first)
    with pytest.raises(ValueError, match="read-only"):
        possible.quantiles(15)[0, 0] = 0.5


@pytest.mark.parametrize("dimensions", [0, 33])
def test_impossible_number_of_dimensions_says_what_is_allowed(dimensions: int) -> None:
    with pytest.raises(ValueError, match=rf"{dimensions} dimensions.*1 to 32"):
        possible.quantiles(dimensions)


weighted = st.integers(2, 60).flatmap(
    lambda n: st.tuples(
        hnp.arrays(np.float64, n, elements=st.one_of(st.floats(0, 1e6), st.just(np.inf))),
        hnp.arrays(np.float64, n, elements=st.floats(0.01, 1.0)),
    )
)


@given(weighted, st.lists(st.floats(0.02, 0.98), min_size=1, max_size=4).map(tuple))
def test_weighted_quantiles_are_those_of_the_inverted_distribution(
    drawn: tuple[np.ndarray, np.ndarray], at: tuple[float, ...]
) -> None:
    """numpy.quantile's inverted_cdf (Hyndman & Fan 1996, type 1) with weights; finite stand-in for infinity there."""
    values, weights = drawn[0], drawn[1] / drawn[1].sum()
    reached = np.cumsum(weights[np.argsort(values, kind="stable")])
    clear = np.abs(reached[:, None] - np.array(at)).min() > 1e-6  # no tie decided by the last bit
    found = possible.weighted_quantiles(values, weights, at)
    if clear:
        stand_in = np.where(np.isinf(values), 1e300, values)
        expected = np.quantile(stand_in, at, method="inverted_cdf", weights=weights)
        np.testing.assert_array_equal(np.where(np.isinf(found), 1e300, found), expected)
    assert np.isin(found, values).all()


@given(weighted)
def test_the_95_percent_bound_has_passed_exactly_when_95_percent_of_the_weight_has(
    drawn: tuple[np.ndarray, np.ndarray],
) -> None:
    values, weights = drawn[0], drawn[1] / drawn[1].sum()
    bound = float(possible.weighted_quantiles(values, weights, (0.95,))[0])
    assert weights[values <= bound].sum() >= 0.95 - 1e-8
    assert weights[values < bound].sum() < 0.95


def test_rank_share_orders_by_slowness() -> None:
    slow = np.array([30.0, 10.0, 40.0, 20.0])
    np.testing.assert_allclose(possible.rank_share(slow), [0.625, 0.125, 0.875, 0.375])
