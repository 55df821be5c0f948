"""Whether fitted curves explain the weighings that they were fitted to: held against a rule that knows no model."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from drymon.drying import coat, ensemble
from drymon.learning.estimate import Estimate
from drymon.learning.forward import coats_of, mean_water
from drymon.learning.run import Run
from drymon.learning.smooth import Smooth

Array = npt.NDArray[np.float64]

MISSED_LOG = 0.25
"""A curve misses its run where it gets to a share of the run's loss so much sooner or later, on the log of time."""

MISSED_SHARES, PLAINLY = (0.5, 0.8), 3.0
"""Shares of the loss at which this is looked at; how many standard errors of the weighings it takes."""

STRANGE_CURVE, STRANGE_ALTOGETHER = 0.08, 0.06
"""Shares of a run's loss by which its weighings lie off the curve, and off all masses that fall ever more slowly, where
it is no drying that drymon can tell (assumed; runs through nights without a fan lie at 0.05 and 0.02).
"""

UNEXPLAINED_SHARE = 1.0 / 3.0
"""Of a coat's runs more than this may not be missed by their own curves (assumed)."""

APART, LEAST_APART = 4.0, 0.15
"""A run contradicts the others where its pace lies so many robust standard deviations from theirs, these being no less
than that (median absolute deviation, so that it cannot widen its own measure; assumed).
"""

FEWEST_FOR_GROUPS, GROUPS_BIC, GROUPS_LOG = 6, 10.0, 0.4
"""Runs that two groups need, by how much the information criterion must prefer them (Kass & Raftery 1995: very strong),
and how far apart they must lie on the log of time.
"""


def missed(estimate: Estimate) -> list[bool]:
    """By run, whether its own fitted curve goes another way than its smoothed mass."""
    problem = estimate.problem
    water = mean_water(problem.fleet, estimate.theta[:, None, :], estimate.tail)[..., 0]
    found = []
    for index, seen in enumerate(problem.smooth):
        held = problem.fleet.marks[index].at(water[:, index])
        lost = float(held[0] - held[-1])
        if lost <= 1e-9:
            found.append(True)
            continue
        gone = np.maximum.accumulate((held[0] - held) / lost)
        error_kg = problem.error_kg(index)
        unsure = PLAINLY * seen.unsure_of_time(problem.runs[index].on_cell, error_kg)
        off = 0.0
        for share in MISSED_SHARES:
            hours = max(seen.hours_until(share), 1e-3)
            log = abs(np.log(max(float(np.interp(share, gone, seen.hours)), 1e-3) / hours))
            off = max(off, log if log > np.interp(hours, seen.hours, unsure) else 0.0)
        apart = float(estimate.area[index]) * lost - seen.loss_kg
        plain = abs(apart) > PLAINLY * error_kg
        strange = is_strange(problem.runs[index], seen, float(estimate.area[index]) * held)
        found.append(bool(off > MISSED_LOG or (plain and abs(apart) > MISSED_LOG * seen.loss_kg) or strange))
    return found


def is_strange(run: Run, seen: Smooth, curve_kg: Array) -> bool:
    """The weighings follow neither the run's curve nor any other drying: they rather fall ever faster, or in a leap."""
    off = run.masses_kg - curve_kg
    off = off - np.average(off, weights=seen.belief)
    rms = float(np.sqrt(np.average(off**2, weights=seen.belief)))
    least = PLAINLY * float(np.median(run.sds_kg))
    return rms > max(STRANGE_CURVE * seen.loss_kg, least) and seen.scatter_kg > max(
        STRANGE_ALTOGETHER * seen.loss_kg, least
    )


def doubt_of(name: str, runs: Sequence[Run], miss: Sequence[bool]) -> str:
    """Why a coat's model is not to be relied on, "" where its curves explain its runs."""
    own = [one for run, one in zip(runs, miss, strict=True) if run.coat == name]
    if not own or sum(own) <= UNEXPLAINED_SHARE * len(own):
        return ""
    return (
        f"the fitted curve misses {sum(own)} of {len(own)} weighed runs: what dries here is unlike anything that "
        "drymon knows, or the weighings are of something else; go by your own finger and scale"
    )


def log_paces(estimate: Estimate) -> Array:
    """By run, the log of its time to dry over that of its coat in equal air and of equal number, (runs,)."""
    layout, problem = estimate.problem.layout, estimate.problem
    usual = estimate.solution.copy()
    usual[layout.scatter[:, None] + np.arange(3)] = 0.0
    own, mean = (layout.theta(x, problem.dip_sd, problem.zone_sd)[0] for x in (estimate.solution, usual))
    return _log_times(estimate, own) - _log_times(estimate, mean)


def _log_times(estimate: Estimate, theta: Array) -> Array:
    fleet = estimate.problem.fleet
    coats = coats_of(fleet, theta[:, None, :], estimate.tail)
    return np.asarray(np.log(coat.steady_time(coats, 0.1, ensemble.REFERENCE_AIR)[fleet.first, 0]))


def contradicting(estimate: Estimate) -> list[int]:
    """Runs that plainly contradict the others of their coat, by index: a quarter of them at most, for more that agree
    among themselves are no strangers but another coat (`two_groups`).
    """
    logs = log_paces(estimate)
    found: list[int] = []
    for coat_index in range(len(estimate.problem.layout.coats)):
        own = np.flatnonzero(estimate.problem.layout.coat[: len(estimate.runs)] == coat_index)
        found += own[strangers(logs[own])].tolist()
    return sorted(found)


def strangers(logs: Array) -> npt.NDArray[np.intp]:
    """Which of one coat's paces on the log of time (runs,) lie apart from the others; none where they are many."""
    if not len(logs):  # of this coat nothing was weighed, only felt
        return np.zeros(0, dtype=np.intp)
    off = np.abs(logs - np.median(logs))
    beyond = np.flatnonzero(off > APART * max(1.4826 * float(np.median(off)), LEAST_APART / APART * 2.0))
    return beyond if len(beyond) <= len(logs) // 4 else beyond[:0]


def two_groups(hours: Array) -> str:
    """Two coats under one name, in words, from the runs' times to dry (runs,); "" where one group will do."""
    if len(hours) < FEWEST_FOR_GROUPS:
        return ""
    from sklearn.mixture import GaussianMixture  # takes longer to import than many a fit: only where it is asked

    logs = np.log(hours)[:, None]
    one, two = (GaussianMixture(count, random_state=0, reg_covar=4e-4, n_init=3).fit(logs) for count in (1, 2))
    apart = abs(float(two.means_[0, 0] - two.means_[1, 0]))
    if one.bic(logs) - two.bic(logs) < GROUPS_BIC or apart < GROUPS_LOG:
        return ""
    of = two.predict(logs)
    parts = sorted((float(np.exp(np.median(logs[of == k]))), int(np.count_nonzero(of == k))) for k in (0, 1))
    if min(count for _, count in parts) < 2:
        return ""
    return "two groups: " + ", ".join(f"{count} runs near {hour:.1f} h" for hour, count in parts)
