"""The penalised least-squares problem of a room's runs: residuals, Jacobian, scatter, belief."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from drymon.drying.weight_evidence import BENCH_SCALE, LOAD_CELL, error_covariance
from drymon.learning.forward import THETA, Fleet, courses, fleet_of, mean_water
from drymon.learning.layout import AREA_LOG_SD, AREA_MEDIAN_M2, ZONE_LOG_SD, Layout, Prior
from drymon.learning.run import Run
from drymon.learning.scale_errors import PRIOR_WEIGHINGS, most_by_hand
from drymon.learning.search import minimise
from drymon.learning.smooth import FREEDOM, Smooth, smooth
from drymon.learning.touched import Touches

Array = npt.NDArray[np.float64]

LEAST_NOISE, MOST_NOISE = 0.33, 3.0
"""How far the errors of load cells may be from the assumed ones, as factors; of hand scales `most_by_hand` says it."""

LITTLE_SCATTER = np.array([0.04, 0.04, 0.05])
"""Scatter from run to run that the search for a type's parameters begins from (log scale, `DIP_PARAMETERS`; assumed):
as little as a careful shop has. With more, each run's own luck would take in what numbers and airs have to tell.
"""

SCATTER_PRIOR_RUNS = 2.0
"""What the starting scatter counts for: more would drown the trends between runs in it (assumed)."""

OVER_RELAXED = 2.0
LARGEST_Z, LARGEST_HEAVY_Z = 4.0, 40.0
HEAVY_FREEDOM = 4.0
"""Degrees of freedom of the heavy-tailed priors (Student's t; assumed)."""

_STEP = 1e-4

STIFF = 1e4
"""Weight of an unknown that is held: a ten-thousandth of a standard deviation."""


class Problem:
    """The penalised least-squares problem of some runs of one room under one tail.

    runs: first those that were weighed, then those that were only felt; `self.runs` are the weighed ones.
    Heavy tails are met by weights that go with the last round's unknowns and residuals (EM; Lange, Little & Taylor
    1989): `heavy` on the priors, `belief` in each weighing.
    """

    def __init__(self, runs: Sequence[Run], priors: Mapping[str, Prior], tail: str, fleet: Fleet | None = None) -> None:
        self.fleet = fleet or fleet_of(runs)
        self.runs, self.tail = tuple(run for run in self.fleet.runs if run.used), tail
        self.touches = Touches(self.fleet)
        self.layout = Layout(self.fleet, priors)
        self.little = np.minimum(LITTLE_SCATTER, [prior.dip_sd for prior in self.layout.priors])
        self.dip_sd, self.zone_sd = self.little.copy(), ZONE_LOG_SD
        self.smooth = [smooth(run) for run in self.runs]
        self.belief = [
            each.belief if not run.on_cell else np.ones_like(each.belief)
            for run, each in zip(self.runs, self.smooth, strict=True)
        ]
        self.heavy = np.ones(self.layout.size)
        self.noise = np.ones(len(self.runs))
        self.most_noise = most_by_hand(self.runs, self.smooth), MOST_NOISE
        self.limit = np.where(self.layout.heavy, LARGEST_HEAVY_Z, LARGEST_Z)
        self._whiten()

    def _whiten(self) -> None:
        self.whiteners = [
            _whitener(run, each, belief) / noise
            for run, each, belief, noise in zip(self.runs, self.smooth, self.belief, self.noise, strict=True)
        ]

    def error_kg(self, run: int) -> float:
        """Error of one weighing of a run: as its scale's are in this room, and no less than it scatters itself."""
        return max(self.smooth[run].scatter_kg, float(np.median(self.runs[run].sds_kg) * self.noise[run]))

    # ---- residuals -----------------------------------------------------------------------------------------

    def residuals(self, x: Array) -> Array:
        """Whitened residuals of all weighings, those of what was felt, and the priors'."""
        own, _ = self.layout.theta(x, self.dip_sd, self.zone_sd)
        course = courses(self.fleet, own[:, None, :], self.tail)
        water = course.mean[..., 0]
        found = [
            self.whiteners[index] @ (run.masses_kg - self.area(x, index) * self.fleet.marks[index].at(water[:, index]))
            for index, run in enumerate(self.runs)
        ]
        if len(self.touches):
            found.append(self.touches.residuals(course)[:, 0])
        return np.concatenate([*found, self.heavy * x])

    def area(self, x: Array, run: int) -> float:
        """Wet area of a run's tree, m2."""
        return float(AREA_MEDIAN_M2 * np.exp(AREA_LOG_SD * x[self.layout.area[run]]))

    def rows(self, x: Array) -> list[tuple[Array, Array]]:
        """By weighed run its residuals and their derivatives, rotated into as few rows as its unknowns can change (thin
        QR); then, where anything was felt, those of all touches.
        """
        own, slope = self.layout.theta(x, self.dip_sd, self.zone_sd)
        count = len(THETA)
        trials = np.repeat(own[:, None, :], count + 1, axis=1)
        for column in range(count):
            trials[:, column + 1, column] += _STEP
        course = courses(self.fleet, trials, self.tail)
        water = course.mean
        found = []
        for index, run in enumerate(self.runs):
            at = self.layout.area[index]
            held = self.area(x, index) * self.fleet.marks[index].at(water[:, index])
            white = self.whiteners[index] @ np.column_stack([run.masses_kg, held])
            by_theta = (white[:, 2:] - white[:, 1:2]) / _STEP
            own_rows = np.column_stack([-by_theta, -AREA_LOG_SD * white[:, 1], white[:, 0] - white[:, 1]])
            small = np.asarray(np.linalg.qr(own_rows, mode="r"))
            by_all = small[:, :count] @ slope[index]
            by_all[:, at] += small[:, count]
            found.append((small[:, count + 1], by_all))
        if len(self.touches):
            felt = self.touches.residuals(course)
            by_theta = (felt[:, 1:] - felt[:, :1]) / _STEP
            found.append((felt[:, 0], np.einsum("tc,tcx->tx", by_theta, slope[self.touches.run])))
        return found

    def with_slopes(self, x: Array) -> tuple[Array, Array]:
        """Residuals and their Jacobian, priors included."""
        rows = self.rows(x)
        residuals = np.concatenate([*(row[0] for row in rows), self.heavy * x])
        return residuals, np.vstack([*(row[1] for row in rows), np.diag(self.heavy)])

    def solve(self, start: Array, most: int = 12) -> Array:
        """The most likely unknowns from a start."""
        return minimise(self.residuals, self.with_slopes, start, self.limit, most)

    def pinned(self, start: Array, place: int, value: float, most: int) -> Array:
        """The most likely unknowns near `start` with one of them held at a value."""
        slope = STIFF * (np.arange(len(start)) == place)

        def residuals(x: Array) -> Array:
            return np.append(self.residuals(x), STIFF * (x[place] - value))

        def with_slopes(x: Array) -> tuple[Array, Array]:
            free, slopes = self.with_slopes(x)
            return np.append(free, STIFF * (x[place] - value)), np.vstack([slopes, slope])

        begin = start.copy()
        begin[place] = value
        return minimise(residuals, with_slopes, begin, self.limit, most)

    # ---- rounds --------------------------------------------------------------------------------------------

    def update(self, x: Array) -> float:
        """Bring errors, belief, scatter and heavy tails up to date at `x`; the largest relative change of a scatter."""
        rows = self.rows(x)
        jacobian = np.vstack([*(row[1] for row in rows), np.diag(self.heavy)])
        covariance = np.linalg.inv(jacobian.T @ jacobian)
        self.update_noise(rows)
        self._update_belief(x)
        self._whiten()
        self.lighten(x)
        return self._update_scatter(x**2 + np.diag(covariance))

    def lighten(self, x: Array) -> None:
        """Let the heavy-tailed priors weigh the less the further out their unknowns stand at `x`."""
        tail = np.sqrt((HEAVY_FREEDOM + 1.0) / (HEAVY_FREEDOM + x**2))
        self.heavy = np.where(self.layout.heavy, np.minimum(tail, 1.0), 1.0)

    def update_noise(self, rows: Sequence[tuple[Array, Array]]) -> None:
        """Scale the assumed errors of each kind of scale to what its residuals show."""
        for on_cell in (False, True):
            own = [index for index, run in enumerate(self.runs) if run.on_cell == on_cell]
            freedom = sum(max(len(self.runs[index].times_s) - 3.0, 0.0) for index in own)
            squares = sum(float(rows[index][0] @ rows[index][0]) * self.noise[index] ** 2 for index in own)
            ratio = np.sqrt((PRIOR_WEIGHINGS + squares) / (PRIOR_WEIGHINGS + freedom))
            self.noise[own] = np.clip(ratio, LEAST_NOISE, self.most_noise[on_cell])

    def _update_belief(self, x: Array) -> None:
        """Believe hand weighings the less the further they lie off the run's own curve."""
        own, _ = self.layout.theta(x, self.dip_sd, self.zone_sd)
        water = mean_water(self.fleet, own[:, None, :], self.tail)[..., 0]
        for index, run in enumerate(self.runs):
            if run.on_cell or len(run.times_s) < 5:
                continue
            off = run.masses_kg - self.area(x, index) * self.fleet.marks[index].at(water[:, index])
            off = off - np.average(off, weights=self.belief[index] / run.sds_kg**2)
            scale = np.maximum(run.sds_kg * self.noise[index], 1.4826 * float(np.median(np.abs(off))))
            belief = (FREEDOM + 1.0) / (FREEDOM + (off / scale) ** 2)
            self.belief[index] = np.minimum(belief, 1.0)

    def _update_scatter(self, squares: Array) -> float:
        """One EM step on the scatter between runs of each coat and between slow zones."""
        before = np.append(self.dip_sd.ravel(), self.zone_sd)
        for coat in range(len(self.layout.coats)):
            runs = self.layout.scatter[self.layout.coat == coat]
            for place in range(3):
                found = self.dip_sd[coat, place] ** 2 * squares[runs + place]
                self.dip_sd[coat, place] = shrunk(found, self.little[coat, place], self.dip_sd[coat, place])
        zones = np.unique(np.concatenate([self.layout.zone, self.layout.depth]))
        found = self.zone_sd**2 * squares[zones[zones >= 0]]
        self.zone_sd = shrunk(found, ZONE_LOG_SD, self.zone_sd)
        return float(np.max(np.abs(np.append(self.dip_sd.ravel(), self.zone_sd) / before - 1.0)))

    def log_evidence(self, x: Array, pinned: int | None = None) -> float:
        """Log probability of the weighings under the prior (Laplace approximation at the optimum `x`, up to a constant
        of the runs). pinned: an unknown that is held where it is; its own prior is left out.
        """
        free = np.arange(len(x)) != (-1 if pinned is None else pinned)
        rows = self.rows(x)
        jacobian = np.vstack([*(row[1] for row in rows), np.diag(self.heavy)[free]])[:, free]
        squares = sum(float(residual @ residual) for residual, _ in rows) + float(np.sum((self.heavy * x)[free] ** 2))
        errors = -sum(
            max(len(run.times_s) - 3.0, 0.0) * float(np.log(noise))
            for run, noise in zip(self.runs, self.noise, strict=True)
        )
        return errors - 0.5 * squares - 0.5 * float(np.linalg.slogdet(jacobian.T @ jacobian)[1])


def shrunk(squares: Array, prior_sd: float, now: float) -> float:
    total = SCATTER_PRIOR_RUNS * prior_sd**2 + float(squares.sum())
    step = float(np.sqrt(total / (SCATTER_PRIOR_RUNS + len(squares))))
    # EM creeps where the runs say little about themselves; over-relaxed it has the same fixed point.
    return float(np.clip(now * (step / now) ** OVER_RELAXED, 0.25 * prior_sd, 6.0 * prior_sd))


LEAST_TO_GO = 0.04
"""Lower limit of the error scale, as a share of the run's loss. A run may have stopped before its end."""


DAMP_PCT, DAMP_FOR_S, DAMP_TIMES = 75.0, 3.0 * 3600.0, 8.0
"""Air from which water also condenses in a nearly dry coat's pores, for how long after it that is felt, and how many
times the usual error a curve then makes (assumed): the isotherm knows nothing of it, so it must not learn from it.
"""

NEARLY_DRY = 0.3


def misfit_water(run: Run, seen: Smooth) -> Array:
    """Water by which a right curve's error is counted at each weighing, kg: all of the loss at first, less and less as
    little is left to go, for the curve ends where the water does (by the root of what is to go, assumed); much more of
    a nearly dry coat in damp air.
    """
    assert run.air is not None
    to_go = np.clip(1.0 - seen.gone, LEAST_TO_GO, 1.0)
    damp = run.air.edges_s[1:][run.air.humidity_pct > DAMP_PCT]
    since = run.times_s[:, None] - damp[None, :]
    damped = ((since > -60.0) & (since < DAMP_FOR_S)).any(axis=1) & (to_go < NEARLY_DRY)
    return np.asarray(seen.loss_kg * np.where(damped, DAMP_TIMES, np.sqrt(to_go)))


def run_covariance(run: Run, seen: Smooth, belief: Array) -> Array:
    """Covariance of a run's weighings about its right curve, kg2, (weighings, weighings)."""
    errors = LOAD_CELL if run.on_cell else BENCH_SCALE
    return error_covariance(
        run.times_s, run.sds_kg / np.sqrt(belief), misfit_water(run, seen), np.clip(seen.gone, 0.0, 1.0), errors
    )


def _whitener(run: Run, seen: Smooth, belief: Array) -> Array:
    """Turns a run's masses into independent unit residuals that do not know the dry mass, (weighings, weighings)."""
    inverse = np.linalg.inv(np.linalg.cholesky(run_covariance(run, seen, belief)))
    unit = inverse.sum(axis=1)
    unit = unit / np.sqrt(unit @ unit)
    return np.asarray(inverse - np.outer(unit, unit @ inverse))
