"""What a tree's weight says about its possible coats: a likelihood for each member of the ensemble.

The scale reads  dry mass + area x predicted water + errors.  Dry mass and area are unknown: the dry mass
has a flat prior, the area a wide log-normal one; both are profiled out for every member. Errors are not
independent, or a day of readings would pretend to know the last gram; their covariance adds up

    scatter of the smoothed readings + random walk and creep of the zero + misfit of the curve

The misfit is a stationary process (Matern 3/2; Rasmussen & Williams 2006 eq. 4.17) in the model's own imperfection, as
Kennedy & O'Hagan (2001) want it: without it the ensemble would collapse on one wrong member. Heavy tails: a
multivariate Student's t.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ScaleErrors:
    """Errors of a scale that do not average out. A bench scale (zeroed each time) has no drift and no creep.

    drift_kg: random walk of the zero, kg per sqrt(hour) (0.2-2 g/sqrt(h) for hobby cells); creep_kg after loading,
    settling with creep_h; misfit: share of the water by which a right curve may be wrong, correlated over misfit_span
    of the water that was seen to go; freedom of Student's t.
    """

    drift_kg: float = 0.0007
    creep_kg: float = 0.001
    creep_h: float = 0.5
    misfit: float = 0.012
    misfit_span: float = 0.35
    freedom: float = 8.0


LOAD_CELL = ScaleErrors()
BENCH_SCALE = ScaleErrors(drift_kg=0.0, creep_kg=0.0)


BENCH_SD_KG, BENCH_SHARE = 0.001, 2e-4
"""Error of a bench scale: a gram, or this share of what lies on it (common practice, no source)."""


FINE_STEP_KG, FINE_MOST_KG, FINE_SD_KG = 1e-4, 1.0, 2e-4
"""Scales that show tenths of a gram carry small pieces; what air and hands do to one is twice that (assumed)."""


def bench_sd(mass_kg: float | Array) -> Array:
    """Standard deviation of one weighing on a bench scale, kg."""
    return np.maximum(BENCH_SD_KG, BENCH_SHARE * np.asarray(mass_kg))


SCALE_STEPS_KG = (0.1, 0.05, 0.02, 0.01, 0.005, 0.002)
SCALE_STEPS_LB, LB_KG = (0.5, 0.2, 0.1, 0.05, 0.02, 0.01), 0.45359237
"""Steps in which scales show (1, 2 or 5 x 10^k as OIML R 76-1 asks, from memory), in kg and in pounds, those that
matter.
"""

FEWEST_DIGITS, SAME_KG = 2, 3e-4
"""Different values that show the digits of a scale; how far a value may miss a multiple of its step: it may have been
converted, and rounded, on its way.
"""


def bench_sds(masses_kg: Array) -> Array:
    """Standard deviations of hand weighings (weighings,), kg: `bench_sd`, and what the scale's digits leave open (a
    uniform error: `bench_step` / sqrt(12)). On a scale that shows tenths of a gram, `FINE_SD_KG`.
    """
    if _fine(masses_kg):
        return np.maximum(FINE_SD_KG, BENCH_SHARE * np.asarray(masses_kg))
    return np.asarray(np.hypot(bench_sd(masses_kg), bench_step(masses_kg) / np.sqrt(12.0)))


def _fine(masses_kg: Array) -> bool:
    """Small pieces on a scale that shows tenths of a gram, and no more: all digits are told, not all are half grams."""
    tenths = np.asarray(masses_kg) / FINE_STEP_KG
    told = np.abs(tenths - np.round(tenths)).max(initial=0.0) < 1e-3
    return bool(told and (np.round(tenths) % 5 != 0).any() and np.max(masses_kg, initial=0.0) <= FINE_MOST_KG)


def bench_step(masses_kg: Array) -> float:
    """The coarsest step of a scale of which all these hand weighings are multiples, kg; 0 where there is none."""
    values = np.unique(np.round(masses_kg, 6))
    if len(values) < FEWEST_DIGITS:
        return 0.0
    steps = sorted((*SCALE_STEPS_KG, *(LB_KG * step for step in SCALE_STEPS_LB)), reverse=True)
    return next((step for step in steps if np.abs(values - step * np.round(values / step)).max() < SAME_KG), 0.0)


@dataclass(frozen=True, slots=True)
class AreaPrior:
    """Wet area of the tree, m2: median, and standard deviation of its logarithm; one for all members or (members,)."""

    median_m2: float | Array = 0.4
    log_sd: float | Array = 1.0


@dataclass(frozen=True, slots=True)
class WeightEvidence:
    """Per member: log likelihood, fitted area (m2) with the sd of its logarithm, fitted dry mass (kg), and the sum of
    squared errors in units of their spread, which for a right member is about the number of weighings; area_squares:
    the part of it that stands for an area other than expected.

    All (members,).
    """

    log_likelihood: Array
    area_m2: Array
    log_area_sd: Array
    dry_kg: Array
    squares: Array
    area_squares: Array


LEAST_SPAN = 0.02
"""Share of the water over which a curve's errors go together at the least."""


def error_covariance(times_s: Array, sds_kg: Array, water_kg: float | Array, gone: Array, errors: ScaleErrors) -> Array:
    """Covariance (times, times) of weighings at `times_s` since the dip, kg2.

    `water_kg`: size of the water for the misfit, one for all weighings or (times,). gone: share of the water gone at
    each weighing (times,): a curve's errors go together where they are near each other on the curve, not on the clock,
    else a last weighing long after all was dry would stretch them over the whole drying.
    """
    hours = times_s / 3600.0
    earlier = np.minimum(hours[:, None], hours[None, :])
    creep = errors.creep_kg * np.exp(-hours / errors.creep_h)
    span = max(errors.misfit_span * float(np.ptp(gone)), LEAST_SPAN)
    distance = np.sqrt(3.0) * np.abs(gone[:, None] - gone[None, :]) / span
    matern = (1.0 + distance) * np.exp(-distance)
    covariance = np.diag(sds_kg**2) + errors.drift_kg**2 * earlier + np.outer(creep, creep)
    misfit = errors.misfit * np.broadcast_to(water_kg, hours.shape)
    covariance = covariance + np.outer(misfit, misfit) * matern
    return np.asarray(covariance + np.eye(len(hours)) * (1e-6 + 1e-4 * sds_kg.max()) ** 2)


def weigh_members(
    times_s: Array,
    masses_kg: Array,
    sds_kg: Array,
    predicted_water: Array,
    *,
    errors: ScaleErrors = LOAD_CELL,
    area: AreaPrior = AreaPrior(),
) -> WeightEvidence:
    """Compare weighings since one dip with every member's predicted water.

    times_s, masses_kg, sds_kg: (times,), s since the dip and kg; at least 2 weighings, else nothing is learnt (zeros).
    predicted_water: (members, times) water left averaged over the tree's faces, kg/m2 (zones weighted with their share
    of area).
    """
    members = len(predicted_water)
    if len(times_s) < 2:
        nothing = np.zeros(members)
        expected, spread = nothing + area.median_m2, nothing + area.log_sd
        return WeightEvidence(nothing, expected, spread, nothing + masses_kg.mean(), nothing, nothing)
    water = _misfit_water(masses_kg, sds_kg, predicted_water)
    root = np.linalg.cholesky(error_covariance(times_s, sds_kg, water, share_gone(predicted_water), errors))
    white = np.linalg.solve(root, np.column_stack([masses_kg, np.ones_like(masses_kg), predicted_water.T]))
    unit = white[:, 1] / np.sqrt(white[:, 1] @ white[:, 1])
    free = white - np.outer(unit, unit @ white)
    log_area, information, squares = _profile_area(free[:, 0], free[:, 2:].T, area)
    scale = np.exp(log_area)
    dry = (unit @ white[:, 0] - scale * (unit @ white[:, 2:])) / (unit @ white[:, 1])
    count, freedom = len(times_s) - 1, errors.freedom
    score = -0.5 * (freedom + count) * np.log1p(squares / freedom) - 0.5 * np.log(information * area.log_sd**2)
    odd = ((log_area - np.log(area.median_m2)) / area.log_sd) ** 2
    return WeightEvidence(score - score.max(), scale, 1.0 / np.sqrt(information), dry, squares, np.asarray(odd))


def share_gone(predicted_water: Array) -> Array:
    """Share of the water that has gone by each weighing as the members see it in the mean, (times,)."""
    mean = np.maximum(predicted_water.mean(axis=0), 1e-9)
    return np.asarray(1.0 - mean / mean[0])


LEAST_LEFT, LEAST_GONE, LESS_NEAR_THE_END = 0.04, 0.15, 0.25
"""Share of the water left below which a curve's error shrinks no more; share that is taken to have gone at the least;
power of what is left with which the error shrinks (assumed: less than in a fit, where many runs speak for the curve).
"""


def _misfit_water(masses_kg: Array, sds_kg: Array, predicted_water: Array) -> Array:
    """Water by which a right curve's error is counted at each weighing, kg: all that there was at first, less and less
    as little is left, for the curve ends where the water does.
    """
    mean = np.maximum(predicted_water.mean(axis=0), 1e-9)
    gone = max(1.0 - float(mean[-1] / mean[0]), LEAST_GONE)
    all_kg = (float(np.ptp(masses_kg)) + float(sds_kg.mean())) / gone
    return np.asarray(all_kg * np.clip(mean / mean[0], LEAST_LEFT, 1.0) ** LESS_NEAR_THE_END)


MOST_ROUNDS, SETTLED = 40, 1e-7
"""Of the search for a tree's area: it ends where no member's moves any more (natural logarithm)."""


def _profile_area(mass: Array, water: Array, area: AreaPrior) -> tuple[Array, Array, Array]:
    """Most likely log area of each member under the prior, its information, and the sum of squares there, prior
    included.

    Newton steps on  |mass - a water|^2 + ((log a - log median)/sd)^2  with a = exp(log a), the curvature
    kept positive. Where a member expects next to no loss the first guess lies far off: it takes them many.
    """
    weight = 1.0 / area.log_sd**2
    middle = np.log(area.median_m2)
    power = np.maximum(np.einsum("mt,mt->m", water, water), 1e-12)
    cross = water @ mass
    log_area = np.log(np.maximum(cross / power, area.median_m2 * np.exp(-2.0 * area.log_sd)))
    information = np.zeros(len(water)) + weight
    for _ in range(MOST_ROUNDS):
        scale = np.exp(log_area)
        excess = scale * (scale * power - cross)
        information = scale * scale * power + weight
        step = (excess + weight * (log_area - middle)) / np.maximum(information + excess, weight)
        log_area = log_area - np.clip(step, -1.0, 1.0)
        if np.abs(step).max() < SETTLED:
            break
    scale = np.exp(log_area)
    squares = mass @ mass - 2.0 * scale * cross + scale * scale * power + weight * (log_area - middle) ** 2
    return log_area, information, np.maximum(squares, 0.0)
