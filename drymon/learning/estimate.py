"""Joint estimate of a room's coats and of its runs: most likely values with priors, and how sure they are.

A nonlinear mixed-effects model fitted by penalised least squares (Lindstrom & Bates 1990, Biometrics 46:673):

    parameters of the room ~ prior;   a coat's = the room's + its own departure;
    a run's water, transfer, inner = its coat's x its own scatter (dip_sd);
    weighing = dry mass + area x (water left, averaged over the zones) + errors

All coats are fitted at once: no single noisy run can tell its end, forty together can. The dry mass is projected out,
the area belongs to the tree, a slow zone's share and speed scatter from tree to tree. The errors' covariance is that
of `weight_evidence`, misfit of the curve included. Scatter between runs: EM steps on the curvature at the optimum.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drymon.drying import coat, ensemble
from drymon.drying.coat_model import PARAMETERS, Spread
from drymon.learning.forward import Fleet, coats_of
from drymon.learning.layout import Prior
from drymon.learning.problem import Problem
from drymon.learning.profile import SLOWNESSES, Marginal, joined, likeliest, marginal, profile
from drymon.learning.run import Run

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CoatEstimate:
    """One coat's parameters on working scales, mean (parameters,) and covariance; dip_sd (3,) scatter; the power of its
    slurry's viscosity; the growth of its end.
    """

    mean: Array
    covariance: Array
    dip_sd: Array
    slurry_power: Spread
    end_growth: Spread


@dataclass(frozen=True, slots=True)
class Estimate:
    """Result of `fit_room`.

    coats: by name; zone_sd: scatter of the slow zones' speed between trees; theta (runs, THETA): every run's own
    parameters; area (runs,) m2; racks: factor on transfer; evidence: log probability of the weighings; problem and
    solution: where the search ended; marginals: of unknowns that the curvature there says too little of.
    """

    coats: Mapping[str, CoatEstimate]
    zone_sd: float
    theta: Array
    area: Array
    tail: str
    racks: Mapping[str, float]
    evidence: float
    problem: Problem
    solution: Array
    marginals: tuple[Marginal, ...] = ()

    @property
    def runs(self) -> tuple[Run, ...]:
        """Those that it was fitted to, in the order of theta and area."""
        return self.problem.runs


_SKIN = {"exponent": -1.5, "inner": 1.0, "critical": 0.5}
_MILD = {"pocketed": 0.8, "deep": 0.5}
_SLOW = {"pocketed": -1.5, "deep": -0.5}
STARTS: tuple[Mapping[str, float], ...] = ({}, _SKIN, _MILD, _SLOW)
"""Starts of the search as shifts (in prior standard deviations) of the room's parameters."""

MOST_PACE = np.log(150.0)


def fit_room(
    runs: Sequence[Run],
    priors: Mapping[str, Prior],
    tail: str,
    *,
    fleet: Fleet | None = None,
    near: Estimate | None = None,
    rounds: int = 5,
) -> Estimate:
    """Estimate a room's coats from their runs (at least one, thinned, all with air).

    near: an estimate from other runs of the room to begin the search from.
    """
    problem = Problem(runs, priors, tail, fleet)
    x = _best_start(problem) if near is None else _near(problem, near)
    return estimate_at(problem, _solved(problem, x, rounds), marginals=() if near is None else near.marginals)


def _solved(problem: Problem, x: Array, rounds: int) -> Array:
    """The most likely unknowns from a start, errors and scatter brought up to date in so many rounds at most."""
    for _ in range(rounds):
        x = problem.solve(x)
        if problem.update(x) < 0.05:
            break
    return problem.solve(x, most=4)


def settled(estimate: Estimate) -> Estimate:
    """The estimate where the search has been led past ripples of the slow zones' speed, and how sure that is; of open
    trees alone the very same.
    """
    problem, x, found = estimate.problem, estimate.solution, []
    sheltered = {run.shelter for run in problem.fleet.runs} - {"open"}
    for name, spread in SLOWNESSES.items():
        if not sheltered & {name, "deep"}:
            continue
        place = problem.layout.room(name)
        points = profile(problem, x, place)
        found.append(marginal(place, points, spread))
        x = likeliest(points, spread)
    return estimate_at(problem, _solved(problem, x, 2), marginals=tuple(found)) if found else estimate


def estimate_at(
    problem: Problem, x: Array, covariance: Array | None = None, marginals: tuple[Marginal, ...] = ()
) -> Estimate:
    """What the unknowns `x` say; covariance: of all of them, else from the curvature there, but for the marginals."""
    layout = problem.layout
    if covariance is None:
        jacobian = problem.with_slopes(x)[1]
        covariance = np.asarray(np.linalg.inv(jacobian.T @ jacobian))
    middle, covariance = joined(x, covariance, marginals)
    found = {}
    for index, name in enumerate(layout.coats):
        root = layout.root_of(index)
        found[name] = CoatEstimate(
            layout.mean_of(middle, index),
            root @ covariance @ root.T,
            problem.dip_sd[index].copy(),
            layout.power_of(x, covariance, index),
            layout.end_growth_of(middle, covariance, index),
        )
    own, _ = layout.theta(x, problem.dip_sd, problem.zone_sd)
    area = np.array([problem.area(x, index) for index in range(len(problem.runs))])
    return Estimate(
        found,
        problem.zone_sd,
        own,
        area,
        problem.tail,
        layout.rack_factors(x),
        problem.log_evidence(x),
        problem,
        x,
        marginals,
    )


def _best_start(problem: Problem) -> Array:
    """Run a short search from every start, at the pace that the runs' own half-times ask for; go on from the best."""
    tried = []
    pace = paces(problem)
    sheltered = any(run.shelter != "open" for run in problem.fleet.runs)
    for shift in (shift for shift in STARTS if sheltered or "pocketed" not in shift):
        x = pace.copy()
        for name, value in shift.items():
            x[problem.layout.room(name)] += value
        x = problem.solve(x, most=5)
        tried.append((float(np.sum(problem.residuals(x) ** 2)), x))
    return min(tried, key=lambda pair: pair[0])[1]


def paces(problem: Problem) -> Array:
    """Unknowns that bring every coat's half-time to that of its runs as they were smoothed: the scale of time may be
    anywhere within a hundredfold.
    """
    layout = problem.layout
    x = np.zeros(layout.size)
    own, _ = layout.theta(x, problem.dip_sd, problem.zone_sd)
    coats = coats_of(problem.fleet, own[:, None, :], problem.tail)
    first = problem.fleet.first
    expected = coat.steady_time(coats, 0.5, ensemble.REFERENCE_AIR)[first, 0]
    for index in range(len(layout.coats)):
        logs = []
        for run in np.flatnonzero(layout.coat[: len(problem.runs)] == index):
            hours = problem.smooth[run].hours_until(0.5)
            deficit = problem.runs[run].air
            assert deficit is not None
            speed = float(np.mean(deficit.deficit)) / ensemble.REFERENCE_AIR.deficit
            logs.append(np.log(3600.0 * max(hours, 0.01) * max(speed, 0.05) / expected[run]))
        shift = float(np.clip(np.median(logs), -MOST_PACE, MOST_PACE)) if logs else 0.0
        if abs(shift) > 0.7:  # nearer, the search finds it among all that it can move
            x[layout.of_coat(index, "pace") if len(layout.coats) > 1 else layout.room("pace")] = _in_sds(
                problem, index, shift
            )
    return x


def _in_sds(problem: Problem, coat_index: int, shift: float) -> float:
    """A shift of the pace in units of what stands for it among the unknowns."""
    place = PARAMETERS.index("pace")
    several = len(problem.layout.coats) > 1
    sd = problem.layout.priors[coat_index].root[place, place]
    return shift / float(sd * (problem.layout.own[place] if several else 1.0))


def _near(problem: Problem, near: Estimate) -> Array:
    """The same room's parameters, scatter and belief where another estimate has left them."""
    ours, theirs = problem.layout, near.problem.layout
    problem.zone_sd = near.zone_sd
    x = np.zeros(ours.size)
    size = len(PARAMETERS)
    x[:size] = near.solution[:size]
    for index, name in enumerate(ours.coats):
        if name in theirs.coats:
            other = theirs.coats.index(name)
            at, there = size * (1 + index), size * (1 + other)
            x[at : at + size] = near.solution[there : there + size]
            problem.dip_sd[index] = near.problem.dip_sd[other]
    trees = {run.tree: place for run, place in zip(theirs.runs, theirs.area, strict=True)}
    for run, place in zip(ours.runs, ours.area, strict=True):
        if run.tree in trees:
            x[place] = near.solution[trees[run.tree]]
    tanks = {run.coat: place for run, place in zip(theirs.runs, theirs.slurry, strict=True) if place >= 0}
    for run, place in zip(ours.runs, ours.slurry, strict=True):
        if place >= 0 and run.coat in tanks:
            x[place] = near.solution[tanks[run.coat]]
    x[ours.end_at] = near.solution[theirs.end_at]
    problem.lighten(x)
    return x
