"""Joint estimate of a coat type and of its runs: most likely values with priors, and how sure they are.

A nonlinear mixed-effects model fitted by penalised least squares (Lindstrom & Bates 1990, Biometrics 46:673):

    parameters of the type ~ prior;   a run's water, transfer, inner = the type's x its own scatter (dip_sd);
    weighing = dry mass + area x (water left, averaged over the zones) + errors

The dry mass is projected out, the area belongs to the tree, the slow zone's share and its speed scatter from tree to
tree. The errors' covariance is that of `weight_evidence`, misfit of the curve included. Scatter between runs: EM steps
on the curvature at the optimum, with a prior worth a few runs (half the weight of Gelman 2006's advice not to trust a
handful of groups).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drymon.drying.coat_model import PARAMETERS, CoatModel
from drymon.learning.forward import Fleet
from drymon.learning.layout import AREA_LOG_SD, AREA_MEDIAN_M2, Prior
from drymon.learning.problem import Problem
from drymon.learning.run import Run

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Estimate:
    """Result of `fit_type`.

    mean (14,), covariance (14, 14) of the type's parameters on working scales (PARAMETERS); dip_sd (3,) scatter
    (DIP_PARAMETERS); zone_sd: scatter of the slow zone's speed between trees; theta (runs, 11): every run's own
    parameters (`forward.THETA`); area (runs,) m2; tail; misfit: root mean square of the whitened residuals, 1 when
    errors are as assumed; cost; evidence: log probability of the weighings.
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
    doubt: Array
    solution: Array


_SKIN = {"exponent": -1.5, "inner": 1.0, "critical": 0.5}
STARTS: tuple[Mapping[str, float], ...] = ({}, _SKIN, {**_SKIN, "deep": 1.0})
"""Starts of the search as shifts (in prior standard deviations) of the type's parameters; those that shift deep pockets
are for runs that have some: slow pockets that hold little and quicker ones that hold more are two valleys.
"""


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
    deep = any(run.shelter == "deep" for run in problem.fleet.runs)
    for shift in (shift for shift in starts if deep or "deep" not in shift):
        x = np.zeros(problem.layout.size)
        for name, value in shift.items():
            x[PARAMETERS.index(name)] = value
        x = problem.solve(x, most=6)
        tried.append((float(np.sum(problem.evaluate(x)[0] ** 2)), x))
    return problem.recentred(min(tried, key=lambda pair: pair[0])[1])


def log_predictive(runs: Sequence[Run], model: CoatModel, noise: float) -> float:
    """Log probability per run of weighings under a model that has not seen them (Laplace, up to a constant of the
    runs).
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
        doubt=problem.doubt(x),
        solution=x,
    )
