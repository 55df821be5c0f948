"""The account of a fit for people: every run against its curve and its forecast, and what to weigh next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from drymon.drying import coat, dips, draws, ensemble
from drymon.drying.coat_model import CoatModel
from drymon.learning.fit import TypeFit
from drymon.learning.forecast_scores import EVEN, coats_of_run, hours_until
from drymon.learning.forward import mean_water
from drymon.learning.problem import run_covariance
from drymon.learning.run import Run

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RunCheck:
    """One run: hours (weighings,) since the dip; measured share of the tree's water left, that of the run's own curve,
    and the forecast's 5 % and 95 % bounds without watching this dip, all (weighings,); residual_g: weighing less own
    curve.
    """

    run: Run
    hours: Array
    measured: Array
    curve: Array
    low: Array
    high: Array
    residual_g: Array


def run_checks(fit: TypeFit) -> list[RunCheck]:
    """Every run that was used, in the order of the dips."""
    problem = fit.estimate.problem
    water = mean_water(problem.fleet, fit.estimate.theta[:, None, :], fit.estimate.tail)[..., 0]
    return [
        _checked(fit, place, problem.fleet.marks[place].at(water[:, place]), float(water[0, place]))
        for place in fit.places
    ]


def _checked(fit: TypeFit, place: int, water: Array, full: float) -> RunCheck:
    problem = fit.estimate.problem
    run, area = problem.runs[place], float(fit.estimate.area[place])
    held = area * water
    # The dry mass that belongs to this curve: weighted as the fit weighs, drift and misfit included.
    inverse = np.linalg.inv(run_covariance(run, problem.smooth[place], problem.belief[place]))
    dry = float(inverse.sum(axis=0) @ (run.masses_kg - held) / inverse.sum())
    low, high = _band(fit.model, run)
    return RunCheck(
        run=run,
        hours=run.times_s / 3600.0,
        measured=(run.masses_kg - dry) / (area * full),
        curve=held / (area * full),
        low=low,
        high=high,
        residual_g=1000.0 * (run.masses_kg - dry - held),
    )


def _band(model: CoatModel, run: Run) -> tuple[Array, Array]:
    """5 % and 95 % bounds of the tree's share of water left at the weighings, forecast from the air alone."""
    assert run.air is not None
    coats = coats_of_run(model, run)
    edges = np.unique(np.concatenate([[0.0], run.times_s, np.arange(0.0, run.times_s[-1], 600.0)]))
    air = run.air.over(edges)
    left, rows = np.ones_like(coats.water), []
    for i in range(len(edges)):
        rows.append(coats.of_tree(left * coats.water) / coats.of_tree(coats.water))
        if i < len(edges) - 1:
            piece = ensemble.AirStep(air.deficit[i], air.saturation[i], air.excess[i], air.resistance[i])
            left = coat.step(coats, left, piece, float(edges[i + 1] - edges[i]))
    table = np.array(rows)[np.searchsorted(edges, run.times_s)]
    return np.quantile(table, 0.05, axis=1), np.quantile(table, 0.95, axis=1)


@dataclass(frozen=True, slots=True)
class Advice:
    """What to weigh next: in words, and the share of the forecast's variance that it speaks to."""

    words: str
    share: float


_TEACHES = {
    "transfer": "trees on other racks, at another air speed: how strongly the air takes water is least sure",
    "cooling": "a tree every two minutes through the first twenty: how much its own heat takes is what is least sure",
    "water": "trees right after the dip and dry again: how much water a dip brings is what is least sure",
    "inner": "a tree in fast air to its end: the resistance of the dried layer is what is least sure",
    "liquid": "trees on the driest and on the dampest days: how much dry air hurries a coat is least sure",
    "critical": "a tree every 10 minutes through the middle of its drying: where the rate begins to fall is least sure",
    "exponent": "a tree every 15 minutes through its last third: how the rate falls is what is least sure",
    "sorption": "a dry tree through a damp night: what the binder takes up again is what is least sure",
    "soak": "a second and an eighth coat: how the water grows from coat to coat is what is least sure",
    "sunk": "a late coat (sixth or more) to its very end: water sunk into the coats below is what is least sure",
    "end_growth": "a late coat (seventh or more) until hardly anything is lost: how its last water goes is least sure",
}


def advice(fit: TypeFit) -> list[Advice]:
    """What to weigh next to learn most, the most useful first.

    From the share of the variance of the log time to dry (open tree, reference air) that each parameter explains;
    kinds of tree that no run has shown come first.
    """
    found = [
        Advice(f"a {name} tree down to its last water: no run of this kind has told its pockets yet", 1.0)
        for name in ("pocketed", "deep")
        if name not in fit.model.shelters_learned
    ]
    if not fit.model.tail_learned:
        found.append(Advice("a tree until hardly anything is lost any more: the tail is not learnt", 1.0))
    shares = variance_shares(fit.model)
    for name in sorted(_TEACHES, key=lambda name: -shares.get(name, 0.0))[:3]:
        if shares.get(name, 0.0) > 0.1:
            found.append(Advice(_TEACHES[name], shares[name]))
    if fit.model.runs < 9:
        found.append(Advice("any tree: below nine runs the interval rests on priors", 0.5))
    return found


def variance_shares(model: CoatModel) -> dict[str, float]:
    """Share of the variance of the log time to dry that falls if a parameter were known, with all that goes with it."""
    coats = dips.possible_coats(model.without_luck(), 5, "open", edges=EVEN)
    steps = [(ensemble.REFERENCE_AIR, 300.0 * 1.04**i) for i in range(150)]
    times = np.log(np.minimum(hours_until(coats, steps, 0.05), 1e3))
    drawn = draws.parameter_draws(model)
    if model.end_growth is not None:
        drawn["end_growth"] = draws.end_growth_draws(model)
    return {name: _correlation(np.log(values), times) ** 2 for name, values in drawn.items()}


def _correlation(first: Array, second: Array) -> float:
    if np.std(first) < 1e-12 or np.std(second) < 1e-12:
        return 0.0
    return float(np.corrcoef(first, second)[0, 1])


def coverage_curve(scores: Sequence[float]) -> tuple[Array, Array]:
    """Promised and kept: central intervals of 10 to 95 % and the share of left-out runs that fell into them."""
    promised = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95])
    limits = np.array([NormalDist().inv_cdf(0.5 + p / 2) for p in promised])
    return promised, np.array([float(np.mean(np.abs(scores) <= limit)) for limit in limits])
