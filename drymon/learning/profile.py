"""How sure the speed of slow zones is: the search pinned at one value of it after the other.

A pocket holds a tenth of a tree's water, and scales drift by as much. Where runs hardly tell how slow it is, the log
probability is flat, the search ends at whatever ripple it meets first, and the curvature there is that of the ripple.
So all other unknowns are found again at each of some values, on a way out from where the search ended (continuation;
for the weights see Rue, Martino & Chopin 2009, J. R. Stat. Soc. B 71:319, section 3).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

from drymon.learning.problem import Problem

Array = npt.NDArray[np.float64]

SLOWNESSES: Mapping[str, float] = {"pocketed": 1.0, "deep": 0.7}
"""Parameters that are pinned, each by itself, and the spread of what is taken for granted of them over that of their
prior. Pockets are hardly slower than an open face, or up to ten times: a normal prior; a deep one lies behind a pocket,
and the two together are no slower than that by much, so that it has less room (assumed).
"""

PINNED_AT = np.arange(-2.5, 1.3, 0.6)
"""Values in standard deviations of the prior. With the packaged models that is a transfer of 0.03 to 1.05 of an open
face's, for no pocket is quicker than one.
"""

FINELY = 400
"""Values at which the log probability is taken, in between."""

SAME = 0.05
"""Values nearer than this to where the search ended are passed over."""

STEPS_EACH = 4
"""Steps of the search at each value: it begins from the solution at the one beside it."""


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
    """Solutions along one unknown: where it stands at `x`, and from there outwards both ways; by value."""
    here = float(x[place])
    found = [Pinned(here, x, problem.log_evidence(x, place))]
    others = PINNED_AT[np.abs(PINNED_AT - here) > SAME]
    for way in (others[others < here][::-1], others[others > here]):
        at = x
        for value in way:
            at = problem.pinned(at, place, float(value), STEPS_EACH)
            found.append(Pinned(float(value), at, problem.log_evidence(at, place)))
    return sorted(found, key=lambda one: one.value)


def marginal(place: int, found: Sequence[Pinned], spread: float) -> Marginal:
    """Mean and variance along the values, the log probability going monotonically from each to the next. spread: of
    SLOWNESSES.
    """
    along = PchipInterpolator([one.value for one in found], [one.log_probability for one in found])
    values = np.linspace(found[0].value, found[-1].value, FINELY)
    logs = along(values) + log_prior(values, spread)
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    mean = float(weights @ values)
    between = (values[1] - values[0]) ** 2 / 12.0
    return Marginal(place, mean, float(weights @ (values - mean) ** 2) + between)


def likeliest(found: Sequence[Pinned], spread: float) -> Array:
    """The unknowns at the most likely of the values."""
    return max(found, key=lambda one: one.log_probability + float(log_prior(one.value, spread))).x


def log_prior(value: npt.ArrayLike, spread: float) -> Array:
    """Log probability of values, in standard deviations of their prior, but for a constant."""
    return np.asarray(-0.5 * (np.asarray(value) / spread) ** 2)
