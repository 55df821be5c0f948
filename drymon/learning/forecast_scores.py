"""Forecast first, reveal later: how well a coat model would have told the drying of runs that it has not seen."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from drymon.drying import coat, dips, ensemble
from drymon.drying.coat_model import CoatModel, Spread
from drymon.drying.edges import NO_EDGES
from drymon.learning.estimate import Estimate
from drymon.learning.forward import courses, grid_of, mean_water
from drymon.learning.run import Run, RunAir

Array = npt.NDArray[np.float64]

TARGET_LEFT = 0.05
BOUNDS = (0.05, 0.5, 0.95)
_LONGEST_H = 14 * 24.0

MOST_LEFT_STANDING = 0.03
"""Share of the water that a tree whose mass stands still may yet hold (assumed): what a curve says beyond it, the
weighings deny.
"""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A run that was forecast from its air alone.

    left: share of the whole tree's water left at which it is judged; true_h: when its weighings got there, smoothed by
    a rule that knows no model (`smooth`); early_h, best_h, late_h: forecast 5 %, 50 %, 95 %, at most 14 days; log_sd:
    sd of the logarithm of the forecast time; unsure: share of `true_h` by which the weighings leave it open.
    """

    run: str
    left: float
    true_h: float
    early_h: float
    best_h: float
    late_h: float
    log_sd: float
    unsure: float = 0.0

    @property
    def error(self) -> float:
        """Forecast over true time, less 1: above 0 is late."""
        return self.best_h / self.true_h - 1.0

    @property
    def covered(self) -> bool:
        """The true time lies between the bounds."""
        return self.early_h <= self.true_h <= self.late_h

    @property
    def width(self) -> float:
        """Width of the interval over the true time."""
        return (self.late_h - self.early_h) / self.true_h

    @property
    def score(self) -> float:
        """Error in standard deviations of the forecast and of the weighings, on the log scale."""
        return float(np.log(self.true_h / self.best_h) / max(np.hypot(self.log_sd, self.unsure), 1e-3))


PLAIN_TO_SEE, MOST_UNSURE = 0.07, 0.35
"""A run is judged at a weighing whose error moves its moment by less than this share of its time; where there is none,
at the plainest, but not beyond the second (assumed).
"""

Truth = tuple[float, float, float]
"""Share left at which a run is judged, hours until it got there, share of these by which that is unsure."""


def taken(estimate: Estimate) -> list[Truth]:
    """For every run where to judge it; infinite hours where its weighings cannot tell.

    It is judged at the weighing with the least left, but `TARGET_LEFT`, that is plain to see. Of the curve comes only
    what was left at the first and the last one; no more than `MOST_LEFT_STANDING` where the mass stood still.
    """
    problem = estimate.problem
    water = mean_water(problem.fleet, estimate.theta[:, None, :], estimate.tail)[..., 0]
    found = []
    for index, seen in enumerate(problem.smooth):
        held = problem.fleet.marks[index].at(water[:, index])
        rest, begun = (max(float(held[place] / water[0, index]), 0.0) for place in (-1, 0))
        rest = min(rest, MOST_LEFT_STANDING) if seen.stands else rest
        left = rest + (begun - rest) * (1.0 - seen.gone)
        unsure = seen.unsure_of_time(problem.runs[index].on_cell, problem.error_kg(index))
        unsure = np.where(left >= TARGET_LEFT, unsure, np.inf)
        plain = np.flatnonzero(unsure <= np.clip(float(unsure.min()), PLAIN_TO_SEE, MOST_UNSURE))
        at = int(plain[-1]) if len(plain) else 0
        found.append((float(left[at]), float(seen.hours[at]), float(unsure[at])) if len(plain) else NOT_JUDGED)
    return found


NOT_JUDGED: Truth = (TARGET_LEFT, float("inf"), 0.0)


def ended(estimate: Estimate) -> list[float]:
    """For every run the share of water left in its slowest part at the last weighing, by its own curve."""
    problem = estimate.problem
    left = courses(problem.fleet, estimate.theta[:, None, :], estimate.tail).left[..., 0]
    found = []
    for index in range(len(problem.runs)):
        rows = slice(int(problem.fleet.first[index]), int(problem.fleet.first[index] + problem.fleet.zones[index]))
        found.append(float(problem.fleet.marks[index].at(left[:, rows])[-1].max()))
    return found


def forecast_hours(model: CoatModel, run: Run, left: float) -> Array:
    """Hours until `left` remains of the whole tree's water, for every possible coat of this run's dip, (members,).

    In the run's own air; past its end the air's mean goes on.
    """
    assert run.air is not None
    return hours_until(coats_of_run(model, run), steps_of(run), left, whole=True)


EVEN = NO_EDGES
"""What a scale sees: the mean of the faces."""


def coats_of_run(model: CoatModel, run: Run) -> ensemble.PossibleCoats:
    """The possible coats of a run's dip, with what the air before it had left in the coats below."""
    return dips.possible_coats(
        model, run.number, run.shelter, rack=run.rack, held_below=run.held_below, edges=EVEN, thick=run.thick
    )


def hours_until(
    coats: ensemble.PossibleCoats,
    steps: Iterable[tuple[ensemble.AirStep, float]],
    left: float,
    whole: bool = False,
) -> Array:
    """Hours through `steps` (air, seconds) until `left` remains in the slowest part, or of the whole tree's water,
    (members,). Infinite: not within them.
    """
    state = np.ones_like(coats.water)
    found = np.full(state.shape[1], np.inf)
    all_water = coats.of_tree(coats.water)

    def seen(values: Array) -> Array:
        return coats.of_tree(values * coats.water) / all_water if whole else values.max(axis=0)

    before = seen(state)
    clock = 0.0
    for air, seconds in steps:
        state = coat.step(coats, state, air, seconds)
        after = seen(state)
        due = np.isinf(found) & (after <= left)
        floor = (coats.sorption * air.excess).min(axis=0)
        share = coat.share_of_step(before, after, left, floor)
        found[due] = (clock + share[due] * seconds) / 3600.0
        before, clock = after, clock + seconds
        if not np.isinf(found).any():
            break
    return found


def steps_of(run: Run) -> list[tuple[ensemble.AirStep, float]]:
    """A run's own air, and its mean from there on: (air, seconds), 14 days in all."""
    assert run.air is not None
    edges = grid_of(run)
    own = run.air.over(edges)
    whole = run.air.over(np.array([0.0, float(edges[-1])]))
    steps = [(_piece(own, i), float(edges[i + 1] - edges[i])) for i in range(len(edges) - 1)]
    clock, length = float(edges[-1]), 0.5 * steps[-1][1]
    while clock < _LONGEST_H * 3600.0:
        steps.append((_piece(whole, 0), length))
        clock, length = clock + length, length * 1.15
    return steps


def _piece(air: RunAir, index: int) -> ensemble.AirStep:
    return ensemble.AirStep(
        deficit=float(air.deficit[index]),
        saturation=float(air.saturation[index]),
        excess=float(air.excess[index]),
        resistance=float(air.resistance[index]),
    )


def judge(model: CoatModel, run: Run, level: float, true_h: float, unsure: float = 0.0) -> Judgement:
    """Forecast one run with a model that has not seen it."""
    hours = np.sort(np.clip(forecast_hours(model, run, level), 1e-3, _LONGEST_H))
    early, best, late = (float(hours[int(np.ceil(q * len(hours))) - 1]) for q in BOUNDS)
    middle = hours[int(0.16 * len(hours)) : int(0.84 * len(hours))]
    log_sd = float(np.log(middle[-1] / middle[0]) / 2.0)
    return Judgement(run.id, level, true_h, early, best, late, log_sd, unsure)


def summary(judgements: Sequence[Judgement]) -> dict[str, float]:
    """Median and 90th percentile of the absolute error in %, share of covered runs, median width.

    Empty without runs.
    """
    if not judgements:
        return {}
    errors = np.array([abs(one.error) for one in judgements])
    return {
        "median_pct": round(100.0 * float(np.median(errors)), 2),
        "p90_pct": round(100.0 * float(np.quantile(errors, 0.9)), 2),
        "coverage": round(float(np.mean([one.covered for one in judgements])), 3),
        "width": round(float(np.median([one.width for one in judgements])), 3),
        "runs": float(len(judgements)),
    }


SCORE_PRIOR_RUNS, FEWEST_SCORES = 2.0, 3


def scatter_factor(model: CoatModel, judgements: Sequence[Judgement]) -> float:
    """Factor on the scatter between dips by which forecasts of left-out runs err as much as they say; 1 for few runs.

    The mean squared score, shrunk towards 1 with the weight of a few runs, says by how much the variance of the
    forecast time is off; what the type's parameters contribute stays, the scatter between dips takes the difference.
    """
    if len(judgements) < FEWEST_SCORES:
        return 1.0
    scores = np.clip([one.score for one in judgements], -4.0, 4.0)
    ratio = (SCORE_PRIOR_RUNS + float(np.sum(scores**2))) / (SCORE_PRIOR_RUNS + len(scores))
    total = reference_log_sd(model) ** 2
    still = reference_log_sd(scattered(model, 0.0)) ** 2
    dips = max(total - still, 1e-6)
    return float(np.sqrt(np.clip((ratio * total - still) / dips, 0.2, 9.0)))


LEAST_POCKET, MOST_POCKET = 0.3, 2.0


def pocket_factor(judgements: Sequence[tuple[str, Judgement]]) -> float:
    """Factor on the uncertainty of one kind of slow zone from (tree, forecast of its left-out run); 1 without any.

    Dips of one tree share its pockets: a tree's mean squared score counts once. Shrunk as in `scatter_factor`; of fewer
    than three trees nothing may be narrowed, for their pockets say nothing of another's.
    """
    by_tree: dict[str, list[float]] = {}
    for tree, one in judgements:
        by_tree.setdefault(tree, []).append(float(np.clip(one.score, -4.0, 4.0)) ** 2)
    squares = [float(np.mean(found)) for found in by_tree.values()]
    ratio = (SCORE_PRIOR_RUNS + sum(squares)) / (SCORE_PRIOR_RUNS + len(squares))
    least = LEAST_POCKET if len(squares) >= FEWEST_SCORES else 1.0
    return float(np.clip(np.sqrt(ratio), least, MOST_POCKET))


def pockets_scattered(model: CoatModel, factors: Mapping[str, float]) -> CoatModel:
    """The model with the uncertainty of its slow zones' speed times a factor, by kind of shelter."""
    wider = {
        name: Spread(model.parameters[name].centre, factor * model.parameters[name].sd)
        for name, factor in factors.items()
    }
    return replace(model, parameters={**model.parameters, **wider})


def scattered(model: CoatModel, factor: float) -> CoatModel:
    """The model with its scatter between dips times a factor."""
    return replace(model, dip_sd={name: sd * factor for name, sd in model.dip_sd.items()})


OTHER_DAYS_LOG_SD = 0.08
"""How far another week's slurry stands from that of the days that were weighed (assumed)."""


def other_days(model: CoatModel) -> CoatModel:
    """The model with another week's slurry among its luck: runs weighed within some days do not tell of other weeks."""
    return replace(model, slurry_sd=OTHER_DAYS_LOG_SD)


CENTRED_PRIOR_RUNS = 2.0
"""What a model's own idea of the middle counts for, in runs, against its runs' own curves (assumed)."""


def usual_error(model: CoatModel, runs: Sequence[Run], truths: Sequence[Truth]) -> float:
    """Mean log of best guess over true time of the runs that a model was fitted to, open trees where there are any.

    Spreads are normal on working scales and times to dry are not: the middle of the possible coats need not lie where
    the curves do in the middle of which they were drawn. Shrunk towards 0, and 0 for fewer than three: of few runs a
    prior has its say.
    """
    some = [pair for pair in zip(runs, truths, strict=True) if np.isfinite(pair[1][1])]
    some = [pair for pair in some if pair[0].shelter == "open"] or some
    if len(some) < FEWEST_SCORES:
        return 0.0
    errors = [np.log(judge(model, run, *truth).best_h / truth[1]) for run, truth in some]
    return float(np.sum(errors) / (CENTRED_PRIOR_RUNS + len(errors)))


def brought_forward(model: CoatModel, log_time: float) -> CoatModel:
    """The model whose coats dry in exp(-log_time) of their time."""
    pace = model.parameters["pace"]
    moved = Spread(pace.centre * float(np.exp(-log_time)), pace.sd)
    return replace(model, parameters={**model.parameters, "pace": moved})


def reference_log_sd(model: CoatModel, left: float = TARGET_LEFT, shelter: str = "open") -> float:
    """Sd of the log of the time to dry in steady reference air: what is not known before a dip is watched."""
    coats = dips.possible_coats(model, 3, shelter, edges=EVEN)
    steps = [(ensemble.REFERENCE_AIR, 300.0 * 1.04**i) for i in range(150)]
    hours = np.minimum(hours_until(coats, steps, left), 1e3)
    return float(np.std(np.log(hours)))
