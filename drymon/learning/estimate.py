"""Joint estimate of a coat type and of its runs: most likely values with priors, and how sure they are.

A nonlinear mixed-effects model fitted by penalised least squares (Lindstrom & Bates 1990, Biometrics 46:673):

    parameters of the type ~ prior;   a run's water, transfer, inner = the type's x its own scatter (dip_sd);
    weighing = dry mass + area x (water left, averaged over the zones) + errors

The dry mass is projected out, the area belongs to the tree, the slow zone's share and its speed scatter
from tree to tree. The errors' covariance is that of `weight_evidence`, misfit of the curve included.
Scatter between runs: EM steps on the curvature at the optimum, with a prior worth a few runs (half the
weight of Gelman 2006's advice not to trust a handful of groups).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from drymon.drying import coat
from drymon.drying.coat_model import DIP_PARAMETERS, PARAMETERS, CoatModel, Spread, to_working
from drymon.drying.weight_evidence import BENCH_SCALE, LOAD_CELL, error_covariance
from drymon.learning.forward import Fleet, fleet_of, mean_water
from drymon.learning.run import Run

Array = npt.NDArray[np.float64]

AREA_MEDIAN_M2, AREA_LOG_SD = 0.4, 1.0
SHARE_LOGIT_SD = 0.5
ZONE_LOG_SD = 0.2
"""Scatter of the slow zone's speed from tree to tree within one kind of shelter (assumed.

Learnt with enough trees).
"""

SHELTER_LOG_SD = 0.25
"""How far the open faces of a sheltered tree dry apart from those of an open one (assumed)."""

RACK_LOG_SD = 0.15
"""How far racks of one room differ beyond what their sensors say, the sensors' bias included (assumed)."""

BURIED_USUAL = 0.03
"""Share of its own water that a later coat usually finds left below.

The coat before was dry, not bone dry (assumed).
"""

NOISE_PRIOR = 20.0
"""Weighings that the assumed errors of scale and curve are worth when the runs say how large they are."""

TAIL_EXPONENT: Mapping[str, Spread] = {
    "power": Spread(1.0, 0.45),
    "front": Spread(0.5, 0.6),
    "supply": Spread(1.0, 0.5),
}
"""What is taken for granted of the exponent under each tail: wide, the runs decide."""

SCATTER_PRIOR_RUNS = 2.0
OVER_RELAXED = 2.0
LARGEST_Z = 4.0
_STEP = 1e-4
_EFFECTIVE = 9


@dataclass(frozen=True, slots=True)
class Prior:
    """Normal prior of the type's parameters on working scales, in the order of PARAMETERS, and of the
    scatter.
    """

    mean: Array
    root: Array
    dip_sd: Array
    soak_coats: float
    racks: Mapping[str, float]

    @classmethod
    def of(cls, model: CoatModel, tail: str | None = None) -> Prior:
        """The prior that a coat model stands for.

        Under another tail than its own the exponent starts anew.
        """
        own = dict(model.parameters)
        if tail is not None and tail != model.tail:
            own["exponent"] = TAIL_EXPONENT[tail]
        spreads = [own[name] for name in PARAMETERS]
        mean = np.array([to_working(name, s.centre) for name, s in zip(PARAMETERS, spreads, strict=True)])
        root = np.diag([spread.sd for spread in spreads])
        if model.correlation is not None:
            root = root @ np.linalg.cholesky(np.asarray(model.correlation))
        dip_sd = np.array([model.dip_sd[name] for name in DIP_PARAMETERS])
        return cls(mean, root, dip_sd, model.soak_coats, model.racks)


@dataclass(frozen=True, slots=True)
class Estimate:
    """Result of `fit_type`.

    mean (10,), covariance (10, 10) of the type's parameters on working scales (PARAMETERS); dip_sd (3,)
    scatter (DIP_PARAMETERS); zone_sd: scatter of the slow zone's speed between trees; theta (runs, 9):
    every run's own parameters (`forward.THETA`); area (runs,) m2; tail; misfit: root mean square of the
    whitened residuals, 1 when errors are as assumed; cost; evidence: log probability of the weighings.
    """

    mean: Array
    covariance: Array
    dip_sd: Array
    zone_sd: float
    theta: Array
    area: Array
    tail: str
    noise: float
    racks: Mapping[str, float]
    cost: float
    evidence: float
    solution: Array


class Layout:
    """Where each unknown stands in the vector of unknowns; all have standard normal priors."""

    def __init__(self, fleet: Fleet, prior: Prior) -> None:
        self.prior, self.runs = prior, fleet.runs
        count = len(fleet.runs)
        trees = sorted({run.tree for run in fleet.runs})
        hidden = sorted({run.tree for run in fleet.runs if run.shelter != "open"})
        self.tree = np.array([trees.index(run.tree) for run in fleet.runs])
        self.hidden = np.array([hidden.index(run.tree) if run.tree in hidden else -1 for run in fleet.runs])
        self.scatter = len(PARAMETERS) + 3 * np.arange(count)
        self.area = len(PARAMETERS) + 3 * count + self.tree
        start = len(PARAMETERS) + 3 * count + len(trees)
        self.share = start + self.hidden
        self.zone = start + len(hidden) + self.hidden
        kinds = sorted({run.shelter for run in fleet.runs if run.shelter != "open"})
        place = [kinds.index(run.shelter) if run.shelter in kinds else -1 for run in fleet.runs]
        self.shelter = start + 2 * len(hidden) + np.array(place)
        start += 2 * len(hidden) + len(kinds)
        self.racks = tuple(sorted({run.rack for run in fleet.runs}))
        self.rack = np.array([self.racks.index(run.rack) for run in fleet.runs])
        self.rack_at = slice(start, start + len(self.racks) - 1)
        self.rack_root = RACK_LOG_SD * _contrasts(len(self.racks))
        self.rack_mean = np.log([prior.racks.get(name, 1.0) for name in self.racks])
        self.size = start + len(self.racks) - 1
        self.buried = np.array([BURIED_USUAL * (run.number > 1) for run in fleet.runs])
        numbers = np.array([run.number for run in fleet.runs])
        self.settled = 1.0 - np.exp(-(numbers - 1) / prior.soak_coats)
        self.slow = np.array([PARAMETERS.index("deep" if r.shelter == "deep" else "pocketed") for r in fleet.runs])
        shares = [coat.SLOW_ZONE_SHARE.get(run.shelter, 0.15) for run in fleet.runs]
        self.share_prior = np.log(np.array(shares) / (1.0 - np.array(shares)))

    def theta(self, x: Array, dip_sd: Array, zone_sd: float) -> tuple[Array, Array]:
        """Every run's own parameters (runs, 9) and their derivatives (runs, 9, unknowns)."""
        count, type_size = len(self.runs), len(PARAMETERS)
        mean = self.prior.mean + self.prior.root @ x[:type_size]
        own = np.zeros((count, _EFFECTIVE))
        slope = np.zeros((count, _EFFECTIVE, self.size))
        for column in range(6):  # water, transfer, critical, exponent, inner, sorption
            own[:, column] = mean[column]
            slope[:, column, :type_size] = self.prior.root[column]
        own[:, 1] += self.rack_mean[self.rack] + (self.rack_root @ x[self.rack_at])[self.rack]
        slope[:, 1, self.rack_at] = self.rack_root[self.rack]
        own[:, 0] += np.log1p(self.buried)
        sunk, found = np.exp(mean[PARAMETERS.index("sunk")]), self.buried / (1.0 + self.buried)
        own[:, 8] = np.log(sunk + found)
        slope[:, 8, :type_size] = (sunk / (sunk + found))[:, None] * self.prior.root[PARAMETERS.index("sunk")]
        rows = np.arange(count)
        for place, column in enumerate((0, 1, 4)):  # scatter of water, transfer, inner
            own[:, column] += dip_sd[place] * x[self.scatter + place]
            slope[rows, column, self.scatter + place] = dip_sd[place]
        soak = np.exp(mean[PARAMETERS.index("soak")])
        share_of_growth = soak * self.settled / (1.0 + soak * self.settled)
        for column in (0, 4):
            own[:, column] += np.log1p(soak * self.settled)
            slope[:, column, :type_size] += share_of_growth[:, None] * self.prior.root[PARAMETERS.index("soak")]
        self._slow_zones(x, mean, zone_sd, own, slope)
        return own, slope

    def rack_factors(self, x: Array) -> dict[str, float]:
        """Factor on transfer by rack."""
        logs = self.rack_mean + self.rack_root @ x[self.rack_at]
        return {name: float(np.exp(value)) for name, value in zip(self.racks, logs, strict=True)}

    def _slow_zones(self, x: Array, mean: Array, zone_sd: float, own: Array, slope: Array) -> None:
        own[:, 6], own[:, 7] = mean[self.slow], self.share_prior
        for run in np.flatnonzero(self.hidden >= 0):
            # What the open faces of such trees differ by must not move the slow zone.
            apart = SHELTER_LOG_SD * x[self.shelter[run]]
            own[run, 1] += apart
            own[run, 6] += zone_sd * x[self.zone[run]] - apart
            slope[run, 1, self.shelter[run]] = SHELTER_LOG_SD
            slope[run, 6, self.shelter[run]] = -SHELTER_LOG_SD
            own[run, 7] += SHARE_LOGIT_SD * x[self.share[run]]
            slope[run, 6, : len(PARAMETERS)] = self.prior.root[self.slow[run]]
            slope[run, 6, self.zone[run]] = zone_sd
            slope[run, 7, self.share[run]] = SHARE_LOGIT_SD


def _contrasts(count: int) -> Array:
    """Orthonormal contrasts (count, count - 1).

    Effects that sum to zero, so that the type's own numbers are the mean's.
    """
    helmert = np.zeros((count, max(count - 1, 0)))
    for k in range(1, count):
        helmert[:k, k - 1] = 1.0
        helmert[k, k - 1] = -k
        helmert[:, k - 1] /= np.sqrt(k * (k + 1.0))
    return helmert


class Problem:
    """The penalised least-squares problem of some runs of one type under one tail."""

    def __init__(self, runs: Sequence[Run], prior: Prior, tail: str, fleet: Fleet | None = None) -> None:
        self.fleet = fleet or fleet_of(runs)
        self.prior, self.tail = prior, tail
        self.layout = Layout(self.fleet, prior)
        self.dip_sd, self.zone_sd = prior.dip_sd.copy(), ZONE_LOG_SD
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
        trials = np.repeat(own[:, None, :], _EFFECTIVE + 1, axis=1)
        for column in range(_EFFECTIVE):
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
            rows = small[:, :_EFFECTIVE] @ slope[index]
            rows[:, at] += small[:, _EFFECTIVE]
            residuals.append(small[:, _EFFECTIVE + 1])
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
        """Move what all runs' scatter has in common into the type's parameters: no curve changes, the
        prior's cost falls.

        The search itself creeps along this valley, for the curve has kinks. Linear least squares in the
        three shifts.
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
        """Log probability of the weighings under the prior (Laplace approximation at the optimum `x`, up
        to a constant).
        """
        residuals, jacobian = self.evaluate(x)
        errors = -self.freedom * float(np.log(self.noise))
        return float(errors - 0.5 * (residuals @ residuals) - 0.5 * np.linalg.slogdet(jacobian.T @ jacobian)[1])

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
            self.dip_sd[place] = _shrunk(squares, self.prior.dip_sd[place], self.dip_sd[place])
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
    """Least squares within bounds from a start near or within them (trust region reflective; Branch et al. 1999)."""
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


def _whitener(run: Run) -> Array:
    """Turns a run's masses into independent unit residuals that do not know the dry mass, (weighings,
    weighings).
    """
    errors = LOAD_CELL if run.on_cell else BENCH_SCALE
    water = float(np.ptp(run.masses_kg))
    root = np.linalg.cholesky(error_covariance(run.times_s, run.sds_kg, water, errors))
    inverse = np.linalg.inv(root)
    unit = inverse.sum(axis=1)
    unit = unit / np.sqrt(unit @ unit)
    return np.asarray(inverse - np.outer(unit, unit @ inverse))


STARTS: tuple[Mapping[str, float], ...] = ({}, {"exponent": -1.5, "inner": 1.0, "critical": 0.5})
"""Starts of the search as shifts (in prior standard deviations) of the type's parameters."""


def fit_type(
    runs: Sequence[Run],
    prior: Prior,
    tail: str,
    *,
    fleet: Fleet | None = None,
    starts: Sequence[Mapping[str, float]] = STARTS,
    near: Estimate | None = None,
    rounds: int = 4,
) -> Estimate:
    """Estimate one coat type from its runs (at least one, thinned, all with air).

    near: an estimate from more runs to begin from (its type's parameters and scatter); only saves time.
    """
    problem = Problem(runs, prior, tail, fleet)
    x = _best_start(problem, starts) if near is None else _near(problem, near)
    covariance = np.eye(problem.layout.size)
    for _ in range(rounds):
        x = problem.solve(problem.recentred(x), most=8)
        problem.update_noise(x)
        covariance = problem.covariance(x)
        if problem.update_scatter(x, covariance) < 0.05:
            break
    return _estimate(problem, x, covariance)


def _best_start(problem: Problem, starts: Sequence[Mapping[str, float]]) -> Array:
    """Run a short search from every start; go on from the best."""
    tried = []
    for shift in starts:
        x = np.zeros(problem.layout.size)
        for name, value in shift.items():
            x[PARAMETERS.index(name)] = value
        x = problem.solve(x, most=6)
        tried.append((float(np.sum(problem.evaluate(x)[0] ** 2)), x))
    return problem.recentred(min(tried, key=lambda pair: pair[0])[1])


def log_predictive(runs: Sequence[Run], model: CoatModel, noise: float) -> float:
    """Log probability per run of weighings under a model that has not seen them (Laplace, up to a constant
    of the runs).
    """
    problem = Problem(runs, Prior.of(model), model.tail)
    problem.noise = noise
    x = problem.solve(np.zeros(problem.layout.size), most=8)
    return problem.log_evidence(x) / len(runs)


def _near(problem: Problem, near: Estimate) -> Array:
    problem.dip_sd, problem.zone_sd, problem.noise = near.dip_sd.copy(), near.zone_sd, near.noise
    x = np.zeros(problem.layout.size)
    x[: len(PARAMETERS)] = near.solution[: len(PARAMETERS)]
    return x


def _estimate(problem: Problem, x: Array, covariance: Array) -> Estimate:
    size = len(PARAMETERS)
    root = problem.prior.root
    own, _ = problem.layout.theta(x, problem.dip_sd, problem.zone_sd)
    residuals = problem.evaluate(x)[0]
    return Estimate(
        mean=problem.prior.mean + root @ x[:size],
        covariance=root @ covariance[:size, :size] @ root.T,
        dip_sd=problem.dip_sd,
        zone_sd=problem.zone_sd,
        theta=own,
        area=AREA_MEDIAN_M2 * np.exp(AREA_LOG_SD * x[problem.layout.area]),
        tail=problem.tail,
        noise=problem.noise,
        racks=problem.layout.rack_factors(x),
        cost=float(np.sum(residuals**2)),
        evidence=problem.log_evidence(x),
        solution=x,
    )
