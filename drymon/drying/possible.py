"""Equally likely members of an ensemble, without a random number: ranked Kronecker sequences, decorrelated.

Each dimension holds every quantile (i + 1/2)/N exactly once; the order comes from the fractional parts of i times an
irrational number (Kronecker/Weyl sequence), and Iman & Conover's method (1982) takes the rest of the correlation out.
The same numbers come out on every machine and in every run.
"""

from functools import lru_cache
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

MEMBERS = 256
"""Possible coats in an ensemble; a 5 % bound rests on the 13 members beyond it."""

_PRIMES = (
    2,
    3,
    5,
    7,
    11,
    13,
    17,
    19,
    23,
    29,
    31,
    37,
    41,
    43,
    47,
    53,
    59,
    61,
    67,
    71,
    73,
    79,
    83,
    89,
    97,
    101,
    103,
    107,
    109,
    113,
    127,
    131,
)


def _ranked(values: npt.NDArray[np.floating]) -> Array:
    order = np.argsort(np.argsort(values, axis=0, kind="stable"), axis=0, kind="stable")
    return np.asarray((order + 0.5) / len(values))


def _normal(quantiles: Array) -> Array:
    """Normal scores of ranked quantiles: all dimensions hold the same ones."""
    same, place = np.unique(quantiles, return_inverse=True)
    return np.asarray([NormalDist().inv_cdf(value) for value in same])[place].reshape(quantiles.shape)


@lru_cache(maxsize=8)
def quantiles(dimensions: int, members: int = MEMBERS) -> Array:
    """Quantiles in (0, 1), shape (members, dimensions); read-only. Up to 32 dimensions."""
    if not 1 <= dimensions <= len(_PRIMES):
        raise ValueError(f"{dimensions} dimensions asked for; allowed are 1 to {len(_PRIMES)}")
    steps = np.sqrt(np.asarray(_PRIMES[:dimensions], dtype=np.float64))
    fractions = np.outer(np.arange(1, members + 1), steps) % 1.0
    spread = _ranked(fractions)
    for _ in range(3):
        scores = _normal(spread)
        root = np.linalg.cholesky(np.atleast_2d(np.corrcoef(scores, rowvar=False)))
        spread = _ranked(np.linalg.solve(root, scores.T).T)
    spread.flags.writeable = False
    return spread


@lru_cache(maxsize=8)
def normal_scores(dimensions: int, members: int = MEMBERS) -> Array:
    """Standard normal scores of `quantiles`, same shape; read-only."""
    scores = _normal(quantiles(dimensions, members))
    scores.flags.writeable = False
    return scores


def weighted_quantiles(values: Array, weights: Array, at: tuple[float, ...]) -> Array:
    """Quantiles `at` of `values` (members,) with `weights` (members,) that sum to 1; infinite values sort last.

    A quantile is the smallest value whose cumulated weight reaches it: the bound never lies between two members,
    one of which may be infinite. With that, "the 95 % bound has passed" and "95 % of the weight has passed" agree.
    """
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order])
    index = np.searchsorted(reached, np.asarray(at) - 1e-9, side="left")
    return np.asarray(values[order][np.minimum(index, len(values) - 1)])


def rank_share(slowness: Array) -> Array:
    """Each member's rank by slowness as a share in (0, 1): near 1 the slowest."""
    return _ranked(slowness)


HALVINGS = 50
"""Enough to find any power, however strange the evidence is to all members."""


def toned_down(prior: Array, log_likelihood: Array, least: float) -> Array:
    """Weights (members,) in proportion to prior x likelihood^power, with the highest power up to 1 that leaves `least`
    members counting: evidence must not make an ensemble of a few.
    """
    low, high = 0.0, 1.0
    weights = _weights(prior, log_likelihood)
    if _counting(weights) >= least:
        return weights
    for _ in range(HALVINGS):
        power = 0.5 * (low + high)
        weights = _weights(prior, power * log_likelihood)
        low, high = (power, high) if _counting(weights) >= least else (low, power)
    return _weights(prior, low * log_likelihood)


def _weights(prior: Array, log_likelihood: Array) -> Array:
    weights = prior * np.exp(log_likelihood - log_likelihood.max())
    return np.asarray(weights / weights.sum())


def _counting(weights: Array) -> float:
    """Effective number of members, 1 / sum of squares (Kish 1965)."""
    return float(1.0 / (weights @ weights))
