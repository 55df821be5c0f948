"""What one weighed dip tells of how long its kind of coat takes here, before any fit.

Starting models are wide, and what makes them so is the same for all trees of a shop: its slurry, its air, its coats'
depth. Members are the same draws of a coat model's parameters for every dip. So a weighed dip is summed up by one
number for each member, the logarithm of the time that its faces would take in the reference air, and by what the
weighings made of it: a mean and a variance, as of a measurement. For another dip of that coat it counts as such a
measurement, made less sure by what differs between any two dips.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from drymon.drying.coat import steady_time
from drymon.drying.ensemble import REFERENCE_AIR, Array, PossibleCoats

TAUGHT_COATS = 6
"""Newest weighed coats of a tree whose word on their kinds is kept."""

NEARLY_DRY = 0.05
"""Share of the water left at which times are compared."""

APART_LOG_SD = 0.35
"""By how much the times of two dips of one coat differ, on the log scale: pick-up, place, size and form of the piece,
the coat's number (assumed). By half of it coats were called too early in shops simulated in `benchmarks/accuracy`.
"""

FARTHEST_SDS = 2.0
"""Standard deviations of the members' own times within which a measurement is believed: weighings that move the mean
and narrow next to nothing would tell times of days.
"""

LEAST_TOLD = 0.02
"""Share by which weighings must have narrowed the time's variance to tell anything."""

KEPT = 32
"""Ensembles whose times are kept: a weighed coat is asked each minute, and its times stay what they are."""


@dataclass(frozen=True, slots=True)
class Taught:
    """One weighed dip's word on its coat.

    coat: name. zones: of the tree. log_times (zones, members): logarithm of the seconds until each zone is nearly dry
    in the reference air. mean, variance (zones,): as measured by the weighings alone, of the members' time.
    """

    coat: str
    zones: tuple[str, ...]
    log_times: Array
    mean: Array
    variance: Array


def taught_by(coat: str, coats: PossibleCoats, prior: Array, weights: Array) -> Taught | None:
    """What weighings tell that have moved the members' weights from `prior` to `weights`, (members,); None: nothing."""
    times = _log_times(coats)
    mean, variance = _moments(times, weights)
    before, wide = _moments(times, prior)
    if variance[0] > (1.0 - LEAST_TOLD) * wide[0]:
        return None
    variance = np.minimum(variance, (1.0 - LEAST_TOLD) * wide)
    own = 1.0 / variance - 1.0 / wide
    measured = (mean / variance - before / wide) / own
    far = FARTHEST_SDS * np.sqrt(wide)
    return Taught(coat, coats.zones, times, np.clip(measured, before - far, before + far), 1.0 / own)


def likelihood(taught: Sequence[Taught], slowest: str) -> Array | None:
    """Factors on the weights of a dip's members, (members,), by what others' weighings tell; None where none do.

    taught: of this dip's coat. slowest: the dip's slowest zone, which is compared where a weighed tree has such a one,
    else the open faces. Each dip's own luck is half of what two differ by: that of the dip itself stays, however many
    others were weighed.
    """
    if not taught:
        return None
    luck = 0.5 * APART_LOG_SD**2
    squares, precision = 0.0, 0.0
    for one in taught:
        zone = one.zones.index(slowest) if slowest in one.zones else 0
        weight = 1.0 / (one.variance[zone] + luck)
        squares = squares + weight * (one.log_times[zone] - one.mean[zone]) ** 2
        precision += float(weight)
    log_likelihood = -0.5 * squares / (1.0 + precision * luck)
    return np.asarray(np.exp(log_likelihood - np.max(log_likelihood)))


@lru_cache(KEPT)
def _log_times(coats: PossibleCoats) -> Array:
    """Logarithm of the seconds until each zone is nearly dry in the reference air, (zones, members)."""
    return np.asarray(np.log(steady_time(coats, NEARLY_DRY, REFERENCE_AIR)))


def _moments(values: Array, weights: Array) -> tuple[Array, Array]:
    mean = values @ weights
    return mean, ((values - mean[:, None]) ** 2) @ weights
