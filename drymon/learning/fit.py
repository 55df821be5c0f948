"""From weighed runs to coat models.

Fit each type, choose its tail by runs left out, say what the runs cannot tell.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from drymon.drying.coat_model import PARAMETERS, CoatModel
from drymon.drying.curve import TAILS
from drymon.errors import LearningError
from drymon.learning.estimate import STARTS, Estimate, fit_type, log_predictive
from drymon.learning.forward import fleet_of
from drymon.learning.judge import (
    FEWEST_SCORES,
    Judgement,
    brought_forward,
    judge,
    other_days,
    pocket_factor,
    pockets_scattered,
    reached,
    scatter_factor,
    scattered,
    usual_error,
)
from drymon.learning.layout import Prior
from drymon.learning.pooling import FEW_RUNS, DoseSample, lent, pool
from drymon.learning.run import Run, thinned
from drymon.learning.written import model_of, told

Array = npt.NDArray[np.float64]

MOST_FOLDS = 6

RUNS_TO_CHOOSE_TAIL = 4
"""With fewer, tails are ranked by the probability of all weighings under their priors.

Nothing is left to leave out.
"""

HOPELESS = 50.0
"""A tail whose log odds on all runs are so far behind is not tried on left-out runs: it only costs time."""

CLEARLY, CLEARLY_PER_RUN = 3.0, 1.0
"""Log odds by which another tail must be ahead (Kass & Raftery 1995: strong evidence), in all and for each run: the
weighings of a run share their errors, and a tail that is ahead by less has told the end of drying worse (assumed).
"""


@dataclass(frozen=True, slots=True)
class TypeFit:
    """All that was learnt of one coat type.

    model: to be written; start: the prior it began from; runs: those used (thinned); estimate: of the chosen tail, all
    runs; left_out: each run forecast by a model without it; revealed: each forecast from earlier runs only; truths:
    per run (share left, hours); tails: mean log probability of left-out weighings by tail; theta of the estimate holds
    each run's own curve.
    """

    model: CoatModel
    start: CoatModel
    runs: tuple[Run, ...]
    estimate: Estimate
    left_out: tuple[Judgement, ...]
    revealed: tuple[Judgement, ...]
    truths: tuple[tuple[float, float], ...]
    tails: Mapping[str, float] = field(default_factory=dict)
    doubted: tuple[Run, ...] = ()


def fit_all(runs: Sequence[Run], starts: Mapping[str, CoatModel], coats: Sequence[str] | None = None) -> list[TypeFit]:
    """Fit every coat type that has usable runs.

    starts: the starting model of each coat name that may occur. coats: only these (default all). Types with few runs
    begin from a prior that the room's other types have moved.
    """
    usable = [thinned(run) for run in sorted(runs, key=lambda run: run.start_s) if run.used]
    by_coat = {name: [run for run in usable if run.coat == name] for name in sorted({run.coat for run in usable})}
    missing = [name for name in by_coat if name not in starts]
    if missing:
        raise LearningError(f"no starting model for coat {missing[0]!r}; give it a family in room.toml")
    with threadpool_limits(1):  # matrices this small only lose time to threads
        wanted = [name for name in by_coat if coats is None or name in coats]
        few = len(by_coat) > 1 and any(len(by_coat[name]) < FEW_RUNS for name in wanted)
        first = {name: fit_coat(own, starts[name], quick=True) for name, own in by_coat.items()} if few else {}
        return [_with_pool(name, by_coat, starts, first) for name in wanted]


def _with_pool(
    name: str, by_coat: Mapping[str, list[Run]], starts: Mapping[str, CoatModel], first: Mapping[str, TypeFit]
) -> TypeFit:
    others = [sample for other, fit in first.items() if other != name for sample in dose_samples(fit)]
    few = len(by_coat[name]) < FEW_RUNS
    start = lent(starts[name], pool(others), dose_samples(first[name])) if few and others else starts[name]
    return fit_coat(by_coat[name], start, lent_by=len(others) if few else 0)


def dose_samples(fit: TypeFit) -> list[DoseSample]:
    """Each run's log dose over the one that the type's starting model expected, from its own fitted curve."""
    prior = Prior.of(fit.start)
    usual = prior.mean[PARAMETERS.index("transfer")] - prior.mean[PARAMETERS.index("water")]
    ratio = usual - (fit.estimate.theta[:, 1] - fit.estimate.theta[:, 0])
    return [
        DoseSample(run.coat, run.shelter, run.rack, run.number, float(value))
        for run, value in zip(fit.runs, ratio, strict=True)
    ]


def fit_coat(runs: Sequence[Run], start: CoatModel, *, quick: bool = False, lent_by: int = 0) -> TypeFit:
    """Fit one type from its usable, thinned runs. quick: one tail, nothing judged.

    Of four runs and more, those that plainly contradict the others (another coat, a moved scale) are doubted and the
    rest is fitted again: at most a quarter of them.
    """
    if not runs:
        raise LearningError(f"no weighed run of coat {start.name!r} can be used; `drymon runs` says why")
    fit = _fit_coat(runs, start, quick, lent_by)
    doubt = fit.estimate.doubt
    worst = np.argsort(-doubt)[: len(runs) // 4]
    out = {int(i) for i in worst if doubt[i] > 1.0}
    if quick or not out:
        return fit
    kept = [run for i, run in enumerate(runs) if i not in out]
    return replace(_fit_coat(kept, start, quick, lent_by), doubted=tuple(runs[i] for i in sorted(out)))


def _fit_coat(runs: Sequence[Run], start: CoatModel, quick: bool, lent_by: int) -> TypeFit:
    fleet = fleet_of(runs)
    if quick:
        estimate = fit_type(runs, Prior.of(start), start.tail, fleet=fleet, starts=STARTS[:1], rounds=2)
        return TypeFit(start, start, tuple(runs), estimate, (), (), tuple(reached(fleet, estimate.theta, start.tail)))
    tried = {tail: fit_type(runs, Prior.of(start, tail), tail, fleet=fleet) for tail in TAILS}
    # The truth must not favour a rival: every tail is judged against the closest account of the weighings.
    closest = max(tried.values(), key=lambda estimate: estimate.evidence)
    truths = reached(fleet, closest.theta, closest.tail)
    judged, scores = {}, {tail: estimate.evidence / len(runs) for tail, estimate in tried.items()}
    for tail, estimate in tried.items():
        if closest.evidence - estimate.evidence < HOPELESS:
            judged[tail], likely = leave_out(runs, start, estimate, truths)
            scores[tail] = likely if len(runs) >= RUNS_TO_CHOOSE_TAIL else scores[tail]
    best = _choose({tail: scores[tail] for tail in judged}, start.tail, len(runs))
    model = model_of(start, tried[best], runs)
    honest = _honest(model, [one for one, _ in judged[best]], runs)
    late = usual_error(honest(model), runs, truths)
    model = brought_forward(honest(model), late)
    left_out = [_again(one, brought_forward(honest(without), late), runs) for one, without in judged[best]]
    revealed = reveal_later(runs, start, best, truths)
    model = told(model, start, runs, truths, left_out, lent_by)
    return TypeFit(model, start, tuple(runs), tried[best], tuple(left_out), tuple(revealed), tuple(truths), scores)


def _honest(model: CoatModel, judgements: Sequence[Judgement], runs: Sequence[Run]) -> Callable[[CoatModel], CoatModel]:
    """How to change a model's spread so that forecasts of left-out runs err as much as they say.

    Open trees tell of the scatter between dips, sheltered ones of their slow zones; what no run of these days can tell
    is added to both.
    """
    run_of = {run.id: run for run in runs}
    by_shelter: dict[str, list[Judgement]] = {}
    for one in judgements:
        by_shelter.setdefault(run_of[one.run].shelter, []).append(one)
    opened = by_shelter.pop("open", [])
    dips = scatter_factor(model, opened if len(opened) >= FEWEST_SCORES else judgements)
    pockets = {name: pocket_factor([(run_of[j.run].tree, j) for j in own]) for name, own in by_shelter.items()}
    return lambda one: pockets_scattered(other_days(scattered(one, dips)), pockets)


def _choose(scores: Mapping[str, float], usual: str, runs: int) -> str:
    """The tail under which left-out weighings are likeliest.

    The usual one unless another is clearly ahead.
    """
    best = max(scores, key=lambda tail: scores[tail])
    return best if usual not in scores or scores[best] - scores[usual] > max(CLEARLY / runs, CLEARLY_PER_RUN) else usual


def folds(runs: Sequence[Run]) -> list[list[int]]:
    """Indices to leave out together.

    Whole trees where there are several, else single runs; at most `MOST_FOLDS` folds.
    """
    trees = sorted({run.tree for run in runs})
    groups = [run.tree for run in runs] if len(trees) >= 3 else [run.id for run in runs]
    names = sorted(set(groups))
    count = min(MOST_FOLDS, len(names))
    return [[i for i, name in enumerate(groups) if names.index(name) % count == fold] for fold in range(count)]


def leave_out(
    runs: Sequence[Run], start: CoatModel, estimate: Estimate, truths: Sequence[tuple[float, float]]
) -> tuple[list[tuple[Judgement, CoatModel]], float]:
    """Forecast every run by a model fitted without it, and the mean log probability of the left-out weighings.

    A single run is forecast by the starting model.
    """
    found: dict[int, tuple[Judgement, CoatModel]] = {}
    scores: list[float] = []
    for out in folds(runs):
        kept = [i for i in range(len(runs)) if i not in out]
        model = replace(start, tail=estimate.tail)
        if kept:
            near = estimate if len(kept) >= RUNS_TO_CHOOSE_TAIL else None
            model = _fitted(start, [runs[i] for i in kept], estimate.tail, near)
        scores += [log_predictive([runs[i] for i in out], model, estimate.noise)] * len(out)
        for i in out:
            if np.isfinite(truths[i][1]):
                found[i] = judge(model, runs[i], *truths[i]), model
    return [found[i] for i in sorted(found)], float(np.mean(scores))


def _again(one: Judgement, model: CoatModel, runs: Sequence[Run]) -> Judgement:
    run = next(run for run in runs if run.id == one.run)
    return judge(model, run, one.left, one.true_h)


def reveal_later(
    runs: Sequence[Run], start: CoatModel, tail: str, truths: Sequence[tuple[float, float]]
) -> list[Judgement]:
    """Go through the record in time.

    Forecast the next runs from the earlier ones only, then reveal and learn.
    """
    stops = [n for n in (0, 1, 2, 4, 8, 16, 32) if n < len(runs)]
    found = []
    for at, until in zip(stops, [*stops[1:], len(runs)], strict=True):
        model = start if at == 0 else _fitted(start, runs[:at], tail)
        found += [judge(model, runs[i], *truths[i]) for i in range(at, until) if np.isfinite(truths[i][1])]
    return found


def _fitted(start: CoatModel, runs: Sequence[Run], tail: str, near: Estimate | None = None) -> CoatModel:
    rounds = 3 if near is None else 2
    return model_of(
        start, fit_type(runs, Prior.of(start, tail), tail, starts=STARTS[:1], near=near, rounds=rounds), runs
    )
