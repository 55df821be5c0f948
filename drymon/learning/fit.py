"""From weighed runs to coat models: fit all coats of a room at once, hold the curves against the weighings, say what
the runs cannot tell.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from drymon.drying.coat_model import TAILS, CoatModel
from drymon.errors import LearningError
from drymon.learning.estimate import Estimate, fit_room, settled
from drymon.learning.estimated_model import told
from drymon.learning.explained import contradicting, doubt_of, missed, two_groups
from drymon.learning.folds import Left, leave_out, models_of, parts_of
from drymon.learning.forecast_scores import (
    FEWEST_SCORES,
    Judgement,
    Truth,
    brought_forward,
    ended,
    judge,
    other_days,
    pocket_factor,
    pockets_scattered,
    scatter_factor,
    scattered,
    taken,
    usual_error,
)
from drymon.learning.forward import fleet_of
from drymon.learning.layout import Prior
from drymon.learning.run import Run, thinned

Array = npt.NDArray[np.float64]

CLEARLY, CLEARLY_PER_RUN = 3.0, 0.5
"""Log odds by which another tail must be ahead (Kass & Raftery 1995: strong evidence), in all and for each run: the
weighings of a run share their errors (assumed).
"""

REVEALED_AFTER = (0, 1, 2, 4, 8, 16, 32)
"""Runs of the room after which those that follow are forecast."""


@dataclass(frozen=True, slots=True)
class TypeFit:
    """All that was learnt of one coat type.

    model: to be written; start: the prior it began from; runs: those used (thinned); estimate: of the whole room;
    places: where the coat's runs stand in it; left_out: each run forecast without it; revealed: each forecast from
    earlier runs only; truths: by run (share left, hours); tails: log probability of all weighings by tail, per run;
    missed: runs that their own curve does not explain; groups: two coats under one name, in words, or "".
    """

    model: CoatModel
    start: CoatModel
    runs: tuple[Run, ...]
    estimate: Estimate
    places: tuple[int, ...]
    left_out: tuple[Judgement, ...]
    revealed: tuple[Judgement, ...]
    truths: tuple[Truth, ...]
    tails: Mapping[str, float] = field(default_factory=dict)
    doubted: tuple[Run, ...] = ()
    missed: tuple[Run, ...] = ()
    groups: str = ""


@dataclass(frozen=True, slots=True)
class Begun:
    """A fit whose curves stand and whose runs are still to be left out in turn.

    estimate: of the whole room; scores: log probability per run by tail; starts: by coat; doubted: runs that contradict
    their coat; wanted: coats to be told of; truths: by run (share left, hours).
    """

    estimate: Estimate
    scores: Mapping[str, float]
    starts: Mapping[str, CoatModel]
    doubted: tuple[Run, ...]
    wanted: tuple[str, ...]
    truths: tuple[Truth, ...]

    @property
    def parts(self) -> int:
        """How many parts there are to be left out in turn; 0 of a single run."""
        return len(parts_of(self.estimate.runs))


def fit_all(
    runs: Sequence[Run],
    starts: Mapping[str, CoatModel],
    coats: Sequence[str] | None = None,
    step: Callable[[str], None] = lambda _: None,
) -> list[TypeFit]:
    """Fit every coat type that has usable runs, all together.

    starts: the starting model of each coat name that may occur. coats: tell only of these (default all); the others'
    runs still teach what the room's coats have in common. Runs that plainly contradict the others of their coat are
    doubted, and the rest is fitted again. What was felt of trees teaches with the weighings, or where there are none.
    step: is told what is done next.
    """
    begun = begin(runs, starts, coats, step)
    if begun is None:
        return []
    step("each run left out in turn, and forecast without it")
    return finish(begun, revealed(begun), [without(begun, part) for part in range(begun.parts)])


def begin(
    runs: Sequence[Run],
    starts: Mapping[str, CoatModel],
    coats: Sequence[str] | None = None,
    step: Callable[[str], None] = lambda _: None,
) -> Begun | None:
    """The first stage of `fit_all`: its arguments; None where there is nothing to tell of."""
    in_time = sorted(runs, key=lambda run: run.start_s)
    usable = [thinned(run) for run in in_time if run.used]
    felt = [run for run in in_time if run.felt and not run.used and run.coat in starts]
    there = sorted({run.coat for run in (*usable, *felt)})
    missing = [name for name in there if name not in starts]
    if missing:
        raise LearningError(f"no starting model for coat {missing[0]!r}; give it a family in room.toml")
    wanted = [name for name in there if coats is None or name in coats]
    if not wanted:
        return None
    own = {name: starts[name] for name in there}
    with threadpool_limits(1):  # matrices this small only lose time to threads
        estimate, scores = _estimate([*usable, *felt], own, step)
        doubted = contradicting(estimate)
        kept = [run for i, run in enumerate(usable) if i not in doubted]
        if doubted:
            step(f"{len(doubted)} of {len(usable)} runs contradict their coat: once more without them")
            estimate, scores = _estimate([*kept, *felt], own, step)
        truths = taken(estimate)
    return Begun(estimate, scores, own, tuple(usable[i] for i in doubted), tuple(wanted), tuple(truths))


def without(begun: Begun, part: int) -> Left:
    """The second stage, for each part of 0 to `begun.parts` - 1 by itself: fit without its runs, and forecast them."""
    with threadpool_limits(1):
        return leave_out(begun.estimate.runs, begun.starts, begun.estimate, begun.truths, part)


def revealed(begun: Begun) -> dict[int, Judgement]:
    """Of the second stage too: each run forecast by what was learnt of earlier ones alone, by the run's index."""
    with threadpool_limits(1):
        return reveal_later(begun.estimate.runs, begun.starts, begun.estimate.tail, begun.truths)


def finish(begun: Begun, later: Mapping[int, Judgement], parts: Sequence[Left]) -> list[TypeFit]:
    """The last stage. later: of `revealed`; parts: of `without`, all of them in their order."""
    with threadpool_limits(1):
        return _told(begun, later, parts)


def _estimate(
    runs: Sequence[Run], starts: Mapping[str, CoatModel], step: Callable[[str], None]
) -> tuple[Estimate, dict[str, float]]:
    """The room's estimate under the tail that its weighings speak for, and the log probability per run by tail."""
    fleet = fleet_of(runs)
    tried = {}
    for number, tail in enumerate(TAILS, 1):
        step(f"{len(runs)} runs of {len(starts)} coats, form {number} of {len(TAILS)} of the drying curve")
        priors = {name: Prior.of(start, tail) for name, start in starts.items()}
        tried[tail] = fit_room(runs, priors, tail, fleet=fleet)
    scores = {tail: estimate.evidence / len(runs) for tail, estimate in tried.items()}
    chosen = tried[preferred(scores, next(iter(starts.values())).tail, len(runs))]
    if any(run.shelter != "open" for run in runs):
        step("how slow pockets are, at several speeds in turn")
    return settled(chosen), scores


def preferred(scores: Mapping[str, float], usual: str, runs: int) -> str:
    """The tail to go by: the usual one, where no other is clearly ahead of it. scores: log probability per run."""
    best = max(scores, key=lambda tail: scores[tail])
    return best if scores[best] - scores[usual] > max(CLEARLY / runs, CLEARLY_PER_RUN) else usual


def _told(begun: Begun, later: Mapping[int, Judgement], parts: Sequence[Left]) -> list[TypeFit]:
    estimate, starts, truths = begun.estimate, begun.starts, begun.truths
    runs, miss, ends = estimate.runs, missed(estimate), ended(estimate)
    models = models_of(starts, estimate, runs)
    raw = {i: one for part in parts for i, one in part.judged(runs, truths).items()}
    left_out = {i: one for part in parts for i, one in _honestly(part, runs, truths).items()}
    found = []
    for name in begun.wanted:
        places = [i for i, run in enumerate(runs) if run.coat == name]
        own, own_truths = [runs[i] for i in places], [truths[i] for i in places]
        model = honest(models[name], raw, runs)(models[name])
        model = brought_forward(model, usual_error(model, own, own_truths))
        judged = tuple(left_out[i] for i in places if i in left_out)
        model = told(model, starts[name], own, [ends[i] for i in places], judged, len(runs), doubt_of(name, runs, miss))
        found.append(
            TypeFit(
                model=model,
                start=starts[name],
                runs=tuple(own),
                estimate=estimate,
                places=tuple(places),
                left_out=judged,
                revealed=tuple(later[i] for i in places if i in later),
                truths=tuple(own_truths),
                tails=begun.scores,
                doubted=tuple(run for run in begun.doubted if run.coat == name),
                missed=tuple(runs[i] for i in places if miss[i]),
                groups=groups_of(own, own_truths),
            )
        )
    return found


def groups_of(runs: Sequence[Run], truths: Sequence[Truth]) -> str:
    """Of open trees weighed to the same share: others differ by their pockets and by where they stopped."""
    some = [
        t
        for run, (level, t, _) in zip(runs, truths, strict=True)
        if run.shelter == "open" and np.isfinite(t) and level < 0.1
    ]
    return two_groups(np.array(some))


def _honestly(part: Left, runs: Sequence[Run], truths: Sequence[Truth]) -> dict[int, Judgement]:
    """A fold's runs forecast with intervals that runs of the other folds have set: none of theirs has touched them."""
    found = {}
    for i in part.out:
        if np.isfinite(truths[i][1]):
            model = part.models[runs[i].coat]
            found[i] = judge(honest(model, part.inner, runs)(model), runs[i], *truths[i])
    return found


def honest(
    model: CoatModel, judgements: Mapping[int, Judgement], runs: Sequence[Run]
) -> Callable[[CoatModel], CoatModel]:
    """How to change a model's spread so that forecasts of left-out runs err as much as they say.

    Open trees of the coat tell of the scatter between dips (of all coats where these are few), sheltered ones of the
    room of their slow zones; what no run of these days can tell is added to both.
    """
    by_shelter: dict[str, list[int]] = {}
    for i in judgements:
        by_shelter.setdefault(runs[i].shelter, []).append(i)
    opened = by_shelter.pop("open", [])
    own = [i for i in opened if runs[i].coat == model.name]
    chosen = next((part for part in (own, opened) if len(part) >= FEWEST_SCORES), list(judgements))
    dips = scatter_factor(model, [judgements[i] for i in chosen])
    pockets = {
        name: pocket_factor([(runs[i].tree, judgements[i]) for i in places]) for name, places in by_shelter.items()
    }
    return lambda one: pockets_scattered(other_days(scattered(one, dips)), pockets)


def reveal_later(
    runs: Sequence[Run], starts: Mapping[str, CoatModel], tail: str, truths: Sequence[Truth]
) -> dict[int, Judgement]:
    """Go through the record in time: forecast the next runs from the earlier ones only, then reveal and learn.

    By the run's index.
    """
    stops = [n for n in REVEALED_AFTER if n < len(runs)]
    found: dict[int, Judgement] = {}
    for at, until in pairwise([*stops, len(runs)]):
        models = dict(starts)
        if at:
            here = {name: starts[name] for name in sorted({run.coat for run in runs[:at]})}
            priors = {name: Prior.of(start, tail) for name, start in here.items()}
            models |= models_of(here, fit_room(runs[:at], priors, tail, rounds=2), runs[:at])
        found |= {
            i: judge(models[runs[i].coat], runs[i], *truths[i]) for i in range(at, until) if np.isfinite(truths[i][1])
        }
    return found
