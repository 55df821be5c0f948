"""How sure the speed of slow zones is: the search pinned at one value of it after the other.

A pocket holds a tenth of a tree's water, and scales drift by as much. Where runs hardly tell how slow it is, the log
probability is flat, the search ends at whatever ripple it meets first, and the curvature there is that of the ripple.
So all other unknowns are found again at each of some values, on a way out from where the search ended (continuation;
for the weights see Rue, Martino & Chopin 2009, J. R. Stat. Soc. B 71:319, section 3).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drymon.learning.problem import HEAVY_FREEDOM, Problem

Array = npt.NDArray[np.float64]

SLOWNESSES = ("pocketed", "deep")
"""Parameters that are pinned, each by itself."""

PINNED_AT = np.arange(-2.5, 1.3, 0.6)
"""Values in standard deviations of the prior: transfer of 0.03 to 0.95 of an open face's with the packaged models."""

STEPS_EACH = 4
"""Steps of the search at each value: it begins from the solution at the one beside it."""

FLATTENED = 3.0
"""By what log probabilities are divided: a curve that is not quite the shop's errs alike in all of its runs, so that
these say less together than each for itself (assumed; Grünwald & van Ommen 2017, Bayesian Analysis 12:1069).
"""


@dataclass(frozen=True, slots=True)
class Marginal:
    """What is known of one unknown, whatever the others are. place: in the vector of unknowns; mean, variance."""

    place: int
    mean: float
    variance: float


def joined(x: Array, covariance: Array, marginals: Sequence[Marginal]) -> tuple[Array, Array]:
    """The unknowns and their covariance with the marginals of some replaced: these stay as correlated as they were, and
    what hangs on them goes along.
    """
    if not marginals:
        return x, covariance
    places = [one.place for one in marginals]
    theirs = covariance[np.ix_(places, places)]
    scale = np.sqrt([one.variance for one in marginals] / np.diag(theirs))
    per = np.linalg.solve(theirs, covariance[places]).T
    more = theirs * np.outer(scale, scale) - theirs
    mean = x + per @ (np.array([one.mean for one in marginals]) - x[places])
    return mean, np.asarray(covariance + per @ more @ per.T)


@dataclass(frozen=True, slots=True)
class Pinned:
    """The most likely unknowns with one of them at `value`, and the log probability there."""

    value: float
    x: Array
    log_probability: float


def profile(problem: Problem, x: Array, place: int) -> list[Pinned]:
    """Solutions along one unknown, from where it stands at `x` outwards both ways, by value."""
    down = sorted((value for value in PINNED_AT if value < x[place]), reverse=True)
    found = []
    for way in (down, [value for value in PINNED_AT if value >= x[place]]):
        at = x
        for value in way:
            at = problem.pinned(at, place, float(value), STEPS_EACH)
            found.append(Pinned(float(value), at, problem.log_evidence(at, place)))
    return sorted(found, key=lambda one: one.value)


def marginal(place: int, found: Sequence[Pinned]) -> Marginal:
    """Mean and variance over the values, flattened, that of the steps between them included."""
    values = np.array([one.value for one in found])
    heavy = np.array([log_prior(one.value) for one in found])
    logs = np.array([one.log_probability for one in found]) / FLATTENED + heavy
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    mean = float(weights @ values)
    within = (PINNED_AT[1] - PINNED_AT[0]) ** 2 / 12.0
    return Marginal(place, mean, float(weights @ (values - mean) ** 2) + within)


def log_prior(value: float) -> float:
    """Of Student's t, as the other unknowns' heavy tails."""
    return float(-0.5 * (HEAVY_FREEDOM + 1.0) * np.log1p(value**2 / HEAVY_FREEDOM))
