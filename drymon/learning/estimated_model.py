"""An estimate as a coat model: its numbers, the ranges that it speaks for, and what it says of itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from drymon.drying.coat_model import DIP_PARAMETERS, PARAMETERS, CoatModel, Spread, from_working
from drymon.learning.estimate import Estimate
from drymon.learning.forecast_scores import Judgement, reference_log_sd, summary
from drymon.learning.layout import SHARE_LOGIT_SD
from drymon.learning.run import Run
from drymon.learning.smooth import smooth

RUNS_FOR_OWN_INTERVAL = 9
"""n/(n + 1) must reach 0.9 before runs alone can promise a one-sided 90 % bound (split conformal,
Vovk et al. 2005).
"""

FEW_LOG_SD = 0.8
"""What a coat of which nothing was weighed may differ in its time from what the room's others say, on the log scale;
less by one over the runs, and one (assumed): few runs hang on one or two trees of one day.
"""

TAIL_SEEN_LEFT = 0.10
TAIL_LOG_SD, TAIL_PACE = 0.6, 0.45
"""The tail counts as learnt when a run was weighed down to so little left by its curve, when by its weighings alone it
lost so much more slowly in the last quarter of its clock than on the whole (an exponential to a tenth: 0.35; a curve
may think an end near that was not seen), and when the time to dry is known better than by a starting model (0.7): what
is not known of it is in the bounds, which runs left out have widened.
"""


def model_of(start: CoatModel, estimate: Estimate, runs: Sequence[Run]) -> CoatModel:
    """What an estimate says of one coat as a coat model. runs: the coat's own.

    The scatter between trees' slow zones joins the uncertainty of their speed and share.
    """
    own = estimate.coats[start.name]
    covariance = own.covariance.copy()
    everything = estimate.problem.fleet.runs
    sheltered = {run.shelter for run in everything} - {"open"}
    for name in ("pocketed", "deep"):
        if sheltered & {name, "deep"}:
            place, share = PARAMETERS.index(name), PARAMETERS.index(f"{name}_share")
            covariance[place, place] += estimate.zone_sd**2
            covariance[share, share] += SHARE_LOGIT_SD**2
    pace = PARAMETERS.index("pace")
    known = [run.id for run in everything if run.coat == start.name]
    covariance[pace, pace] += (FEW_LOG_SD / (1.0 + len(known))) ** 2
    sd = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(sd, sd)
    centres = [from_working(name, float(value)) for name, value in zip(PARAMETERS, own.mean, strict=True)]
    return replace(
        start,
        parameters={name: Spread(c, float(s)) for name, c, s in zip(PARAMETERS, centres, sd, strict=True)},
        correlation=tuple(tuple(float(v) for v in row) for row in correlation),
        dip_sd={
            name: _pooled(start.dip_sd[name], float(sd), len(runs))
            for name, sd in zip(DIP_PARAMETERS, own.dip_sd, strict=True)
        },
        tail=estimate.tail,
        slurry_power=own.slurry_power,
        slurry_sd=0.0,
        end_growth=own.end_growth,
        racks={**start.racks, **estimate.racks} if len(estimate.racks) > 1 else dict(start.racks),
        runs=len(runs),
        trade_hours=False,
        run_ids=tuple(known),
        seen=_seen(runs, start) if runs else start.seen,
    )


def _pooled(start: float, own: float, runs: int) -> float:
    """Scatter from dip to dip: the runs' own, with the start's counting for one run more, for few runs say little."""
    return float(np.sqrt((start**2 + runs * own**2) / (1 + runs)))


POCKET_SEEN_LEFT = 0.3
"""A shelter counts as learnt when a run of its kind was weighed until so little was left in its slow part."""

SEEN_MARGIN = {"temperature_c": (3.0, 1.0), "humidity_pct": (10.0, 1.0), "airflow_m_per_s": (0.1, 1.5)}
"""Margin about the weighed air in which the physics is trusted, by quantity: (amount, factor). Each limit moves
outward by both (assumed).
"""


def _seen(runs: Sequence[Run], start: CoatModel) -> dict[str, tuple[float, float]]:
    """Ranges that the model may speak for: the middle 96 % of the weighed air and a margin that physics bridges.

    Coat numbers: those of the start, whose priors cover what later coats add.
    """
    ranges = {name: start.seen[name] for name in ("number",) if name in start.seen}
    for name, column in (
        ("temperature_c", "temperature_c"),
        ("humidity_pct", "humidity_pct"),
        ("airflow_m_per_s", "speed"),
    ):
        values = np.concatenate([getattr(run.air, column) for run in runs if run.air is not None])
        more, times = SEEN_MARGIN[name]
        low, high = float(np.nanquantile(values, 0.02)), float(np.nanquantile(values, 0.98))
        ranges[name] = (round(max(low / times - more, 0.0), 2), round(high * times + more, 2))
    return ranges


def told(  # noqa: PLR0913, each statement in the file rests on another of them
    model: CoatModel,
    start: CoatModel,
    runs: Sequence[Run],
    ends: Sequence[float],
    judged: Sequence[Judgement],
    of_room: int,
    doubt: str,
) -> CoatModel:
    """The model with its statements: error, origin, tail and shelters learnt or not. What the start had learnt in
    another home stays learnt. ends: share left in the slowest part when each run was weighed last.
    """
    before = () if start.is_starting_model else start.shelters_learned
    slowed = [left for run, left in zip(runs, ends, strict=True) if smooth(run).late_pace <= TAIL_PACE]
    tail_learned = min(slowed, default=1.0) <= TAIL_SEEN_LEFT and tail_log_sd(model) <= TAIL_LOG_SD
    return replace(
        model,
        error=summary(judged),
        origin=_origin(len(runs), len(model.run_ids) - len(runs), of_room, start),
        doubt=doubt,
        tail_learned=tail_learned or (start.tail_learned and not (runs and start.is_starting_model)),
        shelters_learned=_shelters(before, runs, ends) if runs else before,
    )


def tail_log_sd(model: CoatModel) -> float:
    """Sd of the log of the time to dry for a typical dip.

    What the type's parameters leave open, tail included.
    """
    return reference_log_sd(model.without_luck())


def _shelters(before: Sequence[str], runs: Sequence[Run], ends: Sequence[float]) -> tuple[str, ...]:
    """Shelters whose slow zone was weighed far enough down to be told from the open faces, here or before."""
    learned = ["open"]
    for name in ("pocketed", "deep"):
        levels = [left for run, left in zip(runs, ends, strict=True) if run.shelter == name]
        if name in before or (levels and min(levels) < POCKET_SEEN_LEFT):
            learned.append(name)
    return tuple(learned)


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _origin(runs: int, felt: int, of_room: int, start: CoatModel) -> str:
    if not runs:
        return (
            f"fitted by drymon to what was felt of {_count(felt, 'coat')} of this room, nothing weighed; {start.origin}"
        )
    text = f"fitted by drymon to {_count(runs, 'weighed run')} of this room"
    if felt:
        text += f" and to what was felt of {_count(felt, 'coat')}"
    if not start.is_starting_model:
        text += f", beginning from a model of {_count(start.runs, 'run')} of another"
    if of_room > runs:
        text += f", together with {_count(of_room - runs, 'run')} of its other coats"
    if runs < RUNS_FOR_OWN_INTERVAL:
        text += f"; below {RUNS_FOR_OWN_INTERVAL} runs the interval rests on priors"
    return text
