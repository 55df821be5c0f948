"""Runs left out: forecast by what was learnt without them, with intervals that nothing of them has touched."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drymon.drying.coat_model import CoatModel
from drymon.learning.estimate import Estimate, estimate_at, fit_room
from drymon.learning.estimated_model import model_of
from drymon.learning.forecast_scores import Judgement, Truth, judge
from drymon.learning.layout import Prior
from drymon.learning.run import Run

Array = npt.NDArray[np.float64]
MOST_FOLDS = 6


def folds(runs: Sequence[Run]) -> list[list[int]]:
    """Indices to leave out together: whole trees where there are three, else single runs; `MOST_FOLDS` at most."""
    several = len({run.tree for run in runs}) >= 3
    groups = [run.tree if several else run.id for run in runs]
    names = sorted(set(groups))
    count = min(MOST_FOLDS, len(names))
    return [[i for i, name in enumerate(groups) if names.index(name) % count == fold] for fold in range(count)]


@dataclass(frozen=True, slots=True)
class Left:
    """One fold: the runs `out` by index, the models by coat that were fitted without them, and forecasts of the other
    runs, each by a model that has seen neither it nor the fold (by the run's index).
    """

    out: tuple[int, ...]
    models: Mapping[str, CoatModel]
    inner: Mapping[int, Judgement]

    def judged(self, runs: Sequence[Run], truths: Sequence[Truth]) -> dict[int, Judgement]:
        """Forecasts of this fold's runs, as far as their time is known."""
        return {i: judge(self.models[runs[i].coat], runs[i], *truths[i]) for i in self.out if np.isfinite(truths[i][1])}


def parts_of(runs: Sequence[Run]) -> list[list[int]]:
    """Every fold in turn; empty where there is but one run."""
    parts = folds(runs)
    return parts if len(parts) > 1 else []


def leave_out(
    runs: Sequence[Run], starts: Mapping[str, CoatModel], whole: Estimate, truths: Sequence[Truth], part: int
) -> Left:
    """The fold of this number left out, of those of `parts_of`."""
    parts = parts_of(runs)
    out = parts[part]
    kept = [i for i in range(len(runs)) if i not in out]
    priors = {name: Prior.of(start, whole.tail) for name, start in starts.items()}
    trees = {runs[i].tree for i in out}
    felt = [run for run in whole.problem.fleet.runs if not run.used and run.tree not in trees]
    estimate = fit_room([*(runs[i] for i in kept), *felt], priors, whole.tail, near=whole, rounds=2)
    inner: dict[int, Judgement] = {}
    rows = estimate.problem.rows(estimate.solution)
    for other in parts:
        held = [i for i in other if i not in out and np.isfinite(truths[i][1])]
        if not held or len(kept) <= len(other):
            continue
        places = [place for place, i in enumerate(kept) if i not in other]
        less = _downdated(estimate, rows, [*places, *range(len(kept), len(rows))])
        models = models_of(starts, less, [runs[i] for i in kept if i not in other])
        inner |= {i: judge(models[runs[i].coat], runs[i], *truths[i]) for i in held}
    return Left(tuple(out), models_of(starts, estimate, [runs[i] for i in kept]), inner)


def _downdated(estimate: Estimate, rows: Sequence[tuple[Array, Array]], kept: Sequence[int]) -> Estimate:
    """The estimate without the runs that are not kept: one Gauss-Newton step, which of a few runs less is enough."""
    problem = estimate.problem
    residuals = np.concatenate([*(rows[i][0] for i in kept), problem.heavy * estimate.solution])
    slopes = np.vstack([*(rows[i][1] for i in kept), np.diag(problem.heavy)])
    normal = slopes.T @ slopes
    x = np.clip(estimate.solution - np.linalg.solve(normal, slopes.T @ residuals), -problem.limit, problem.limit)
    return estimate_at(problem, x, np.linalg.inv(normal), estimate.marginals)


def models_of(starts: Mapping[str, CoatModel], estimate: Estimate, runs: Sequence[Run]) -> dict[str, CoatModel]:
    """By coat what was learnt of it; a coat of which nothing was weighed or felt keeps its start."""
    by_coat = {name: [run for run in runs if run.coat == name] for name in starts}
    known = estimate.coats
    return {
        name: model_of(start, estimate, by_coat[name]) if name in known else start for name, start in starts.items()
    }
