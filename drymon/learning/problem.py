"""The penalised least-squares problem of some runs of one coat type: residuals, Jacobian, scatter, doubt."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from drymon.drying import coat, ensemble
from drymon.drying.coat_model import DIP_PARAMETERS, PARAMETERS
from drymon.drying.weight_evidence import BENCH_SCALE, LOAD_CELL, error_covariance
from drymon.learning.forward import Fleet, coats_of, fleet_of, mean_water
from drymon.learning.layout import AREA_LOG_SD, AREA_MEDIAN_M2, EFFECTIVE, ZONE_LOG_SD, Layout, Prior
from drymon.learning.run import Run

Array = npt.NDArray[np.float64]

NOISE_PRIOR = 20.0
"""Weighings that the assumed errors of scale and curve are worth when the runs say how large they are."""

LITTLE_SCATTER = np.array([0.04, 0.04, 0.05])
"""Scatter from run to run that the search for a type's parameters begins from (log scale, `DIP_PARAMETERS`; assumed):
as little as a careful shop has. With more, each run's own luck would take in what numbers and airs have to tell.
"""

SCATTER_PRIOR_RUNS = 1.0
"""What the starting scatter counts for: more would drown the trends between runs in it (assumed)."""

OVER_RELAXED = 2.0
MOST_MISFIT, MOST_APART, LEAST_APART = 8.0, 4.0, 0.08
LARGEST_Z = 4.0
_STEP = 1e-4


class Problem:
    """The penalised least-squares problem of some runs of one type under one tail."""

    def __init__(self, runs: Sequence[Run], prior: Prior, tail: str, fleet: Fleet | None = None) -> None:
        self.fleet = fleet or fleet_of(runs)
        self.prior, self.tail = prior, tail
        self.layout = Layout(self.fleet, prior)
        self.little = np.minimum(LITTLE_SCATTER, prior.dip_sd)
        self.dip_sd, self.zone_sd = self.little.copy(), ZONE_LOG_SD
        self.whiteners = [_whitener(run) for run in self.fleet.runs]
        self.noise = 1.0
        self._at: tuple[bytes, Array, Array] | None = None

    def evaluate(self, x: Array) -> tuple[Array, Array]:
        """Residuals and their Jacobian, priors included."""
        key = x.tobytes() + self.dip_sd.tobytes() + bytes(str((self.noise, self.zone_sd)), "ascii")
        if self._at is None or self._at[0] != key:
            self._at = (key, *self._evaluate(x))
        return self._at[1], self._at[2]

    def _evaluate(self, x: Array) -> tuple[Array, Array]:
        own, slope = self.layout.theta(x, self.dip_sd, self.zone_sd)
        trials = np.repeat(own[:, None, :], EFFECTIVE + 1, axis=1)
        for column in range(EFFECTIVE):
            trials[:, column + 1, column] += _STEP
        water = mean_water(self.fleet, trials, self.tail)
        residuals, jacobian = [], []
        for index, run in enumerate(self.fleet.runs):
            at = self.layout.area[index]
            area = AREA_MEDIAN_M2 * np.exp(AREA_LOG_SD * x[at])
            held = area * self.fleet.marks[index].at(water[:, index])
            white = self.whiteners[index] @ np.column_stack([run.masses_kg, held]) / self.noise
            by_theta = (white[:, 2:] - white[:, 1:2]) / _STEP
            # Few unknowns act on a run: a rotation leaves all that they can change in as few rows (thin QR).
            own_rows = np.column_stack([-by_theta, -AREA_LOG_SD * white[:, 1], white[:, 0] - white[:, 1]])
            small: Array = np.asarray(np.linalg.qr(own_rows, mode="r"))
            rows = small[:, :EFFECTIVE] @ slope[index]
            rows[:, at] += small[:, EFFECTIVE]
            residuals.append(small[:, EFFECTIVE + 1])
            jacobian.append(rows)
        return np.concatenate([*residuals, x]), np.vstack([*jacobian, np.eye(self.layout.size)])

    def solve(self, start: Array, most: int = 25) -> Array:
        """The most likely unknowns from a start.

        Unknowns stay within `LARGEST_Z` prior standard deviations.
        """
        return search(
            lambda x: self.evaluate(x)[0], lambda x: self.evaluate(x)[1], start, (-LARGEST_Z, LARGEST_Z), most
        )

    def recentred(self, x: Array) -> Array:
        """Move what all runs' scatter has in common into the type's parameters: no curve changes, the prior's cost
        falls.

        The search itself creeps along this valley, for the curve has kinks. Linear least squares in the three shifts.
        """
        size = len(PARAMETERS)
        places = [PARAMETERS.index(name) for name in DIP_PARAMETERS]
        by_type = np.linalg.inv(self.prior.root)[:, places]
        rows = [by_type]
        right = [-x[:size]]
        for place in range(3):
            column = np.zeros((len(self.layout.scatter), 3))
            column[:, place] = -1.0 / self.dip_sd[place]
            rows.append(column)
            right.append(-x[self.layout.scatter + place])
        shift = np.linalg.lstsq(np.vstack(rows), np.concatenate(right), rcond=None)[0]
        moved = x.copy()
        moved[:size] += by_type @ shift
        for place in range(3):
            moved[self.layout.scatter + place] -= shift[place] / self.dip_sd[place]
        return np.asarray(moved)

    def covariance(self, x: Array) -> Array:
        """Laplace covariance of all unknowns at `x`."""
        jacobian = self.evaluate(x)[1]
        return np.asarray(np.linalg.inv(jacobian.T @ jacobian))

    def log_evidence(self, x: Array) -> float:
        """Log probability of the weighings under the prior (Laplace approximation at the optimum `x`, up to a
        constant).
        """
        residuals, jacobian = self.evaluate(x)
        errors = -self.freedom * float(np.log(self.noise))
        return float(errors - 0.5 * (residuals @ residuals) - 0.5 * np.linalg.slogdet(jacobian.T @ jacobian)[1])

    def doubt(self, x: Array) -> Array:
        """How badly each run agrees with the others, (runs,): above 1 is not to be believed.

        The larger of: mean square of its residuals over that of the median run, or over 1, for a load cell's small
        errors must not put it in doubt beside a bench scale, in units of `MOST_MISFIT`; distance of its log time to dry
        from the median run's, each over what its type would take, in units of `MOST_APART` robust standard deviations
        (median absolute deviation, so that it cannot widen its own measure).
        """
        sizes = [min(len(run.times_s), EFFECTIVE + 2) for run in self.fleet.runs]
        parts = np.split(self.evaluate(x)[0][: sum(sizes)], np.cumsum(sizes)[:-1])
        squares = np.array([float(part @ part) for part in parts])
        means = squares / np.array([max(len(run.times_s) - 3.0, 1.0) for run in self.fleet.runs])
        rough = means / (MOST_MISFIT * max(float(np.median(means)), 1.0))
        usual = x.copy()
        usual[self.layout.scatter[:, None] + np.arange(3)] = 0.0
        apart = self._log_time(x) - self._log_time(usual)
        apart = np.abs(apart - np.median(apart))
        return np.asarray(np.maximum(rough, apart / (MOST_APART * max(1.4826 * float(np.median(apart)), LEAST_APART))))

    def _log_time(self, x: Array) -> Array:
        own, _ = self.layout.theta(x, self.dip_sd, self.zone_sd)
        coats = coats_of(self.fleet, own[:, None, :], self.tail)
        return np.asarray(np.log(coat.steady_time(coats, 0.1, ensemble.REFERENCE_AIR)[0, :, 0]))

    @property
    def freedom(self) -> float:
        """Weighings less what each run adapts to: its dry mass, its area, its scatter."""
        return max(sum(len(run.times_s) - 3.0 for run in self.fleet.runs), 0.0)

    def update_noise(self, x: Array) -> None:
        """Scale the assumed errors to what the residuals show, between a third and three times."""
        squares = float(np.sum(self.evaluate(x)[0][: -self.layout.size] ** 2))
        ratio = (NOISE_PRIOR + squares) / (NOISE_PRIOR + self.freedom)
        self.noise = float(np.clip(self.noise * np.sqrt(ratio), 0.33, 3.0))

    def update_scatter(self, x: Array, covariance: Array) -> float:
        """One EM step on the scatter between runs and between slow zones.

        Returns the largest relative change.
        """
        before = np.append(self.dip_sd, self.zone_sd)
        for place in range(3):
            at = self.layout.scatter + place
            squares = self.dip_sd[place] ** 2 * (x[at] ** 2 + np.diag(covariance)[at])
            self.dip_sd[place] = _shrunk(squares, self.little[place], self.dip_sd[place])
        hidden = np.unique(self.layout.zone[self.layout.hidden >= 0])
        squares = self.zone_sd**2 * (x[hidden] ** 2 + np.diag(covariance)[hidden])
        self.zone_sd = _shrunk(squares, ZONE_LOG_SD, self.zone_sd)
        return float(np.max(np.abs(np.append(self.dip_sd, self.zone_sd) / before - 1.0)))


def search(
    residuals: Callable[[Array], Array],
    jacobian: Callable[[Array], Array],
    start: Array,
    bounds: tuple[float, float],
    most: int,
) -> Array:
    """Least squares within bounds from a start near or within them (trust region reflective, Branch et al. 1999)."""
    low, high = bounds
    margin = 1e-3 * (high - low)
    found = least_squares(
        residuals,
        np.clip(start, low + margin, high - margin),
        jac=jacobian,
        bounds=bounds,
        max_nfev=most,
        ftol=1e-5,
        xtol=1e-4,
        gtol=1e-4,
    )
    return np.asarray(found.x)


def _shrunk(squares: Array, prior_sd: float, now: float) -> float:
    total = SCATTER_PRIOR_RUNS * prior_sd**2 + float(squares.sum())
    step = float(np.sqrt(total / (SCATTER_PRIOR_RUNS + len(squares))))
    # EM creeps where the runs say little about themselves; over-relaxed it has the same fixed point.
    return float(np.clip(now * (step / now) ** OVER_RELAXED, 0.25 * prior_sd, 4.0 * prior_sd))


LEAST_TO_GO = 0.04
"""Share of a run's loss that a curve's error is never counted below: a run may have stopped before its end."""


DAMP_PCT, DAMP_FOR_S, DAMP_TIMES = 75.0, 3.0 * 3600.0, 8.0
"""Air from which water also condenses in a nearly dry coat's pores, for how long after it that is felt, and how many
times the usual error a curve then makes (assumed): the isotherm knows nothing of it, so it must not learn from it.
"""

NEARLY_DRY = 0.3


def misfit_water(run: Run) -> Array:
    """Water by which a right curve's error is counted at each weighing, kg: all of the loss at first, less and less as
    little is left to go, for the curve ends where the water does (by the root of what is to go, assumed); much more of
    a nearly dry coat in damp air.
    """
    assert run.air is not None
    loss = float(np.ptp(run.masses_kg))
    to_go = np.clip((run.masses_kg - run.masses_kg[-1]) / max(loss, 1e-9), LEAST_TO_GO, 1.0)
    damp = run.air.edges_s[1:][run.air.humidity_pct > DAMP_PCT]
    since = run.times_s[:, None] - damp[None, :]
    damped = ((since > -60.0) & (since < DAMP_FOR_S)).any(axis=1) & (to_go < NEARLY_DRY)
    return np.asarray(loss * np.where(damped, DAMP_TIMES, np.sqrt(to_go)))


def _whitener(run: Run) -> Array:
    """Turns a run's masses into independent unit residuals that do not know the dry mass, (weighings, weighings)."""
    errors = LOAD_CELL if run.on_cell else BENCH_SCALE
    root = np.linalg.cholesky(error_covariance(run.times_s, run.sds_kg, misfit_water(run), errors))
    inverse = np.linalg.inv(root)
    unit = inverse.sum(axis=1)
    unit = unit / np.sqrt(unit @ unit)
    return np.asarray(inverse - np.outer(unit, unit @ inverse))
