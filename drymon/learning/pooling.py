"""What coat types have in common in one room: the room's own shift, learnt where there are runs, lent
where there are few.

On the log of dose (time x wet rate of the textbook face / water) effects of room, type, shelter, coat
number and rack add up. A Bayesian ridge regression (MacKay 1992; scikit-learn's BayesianRidge) shrinks
them as far as the runs are few; the run is the sample.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from sklearn.linear_model import BayesianRidge

from drymon.drying.coat_model import CoatModel, Spread, from_working, to_working

Array = npt.NDArray[np.float64]

FEW_RUNS = 6
TYPE_LOG_SD = 0.2
"""How far coat types of one room differ in their shift from the starting models (assumed)."""


@dataclass(frozen=True, slots=True)
class DoseSample:
    """One run in the pool: log of its dose over that which its starting model expected, and what it may
    depend on.
    """

    coat: str
    shelter: str
    rack: str
    number: int
    log_ratio: float


@dataclass(frozen=True, slots=True)
class Pool:
    """Effects on the log of dose.

    Of the room (mean, sd), and of each coat, shelter, rack by name, and per coat number.
    """

    room: float
    room_sd: float
    effects: Mapping[str, float]
    number_slope: float
    runs: int


def pool(samples: Sequence[DoseSample]) -> Pool:
    """Effects from all runs; nothing known (0, wide) without any."""
    if not samples:
        return Pool(0.0, float("inf"), {}, 0.0, 0)
    names = sorted({f"{kind} {value}" for s in samples for kind, value in _labels(s)})
    design = np.array([[float((kind, value) in _labels(s)) for kind, value in map(_split, names)] for s in samples])
    numbers = np.array([[np.log(s.number)] for s in samples])
    target = np.array([s.log_ratio for s in samples])
    types = sorted({s.coat for s in samples})
    means = [float(np.mean([s.log_ratio for s in samples if s.coat == name])) for name in types]
    room = float(np.mean(means))
    columns = np.hstack([design - design.mean(axis=0), numbers - numbers.mean()])
    slopes = (
        BayesianRidge().fit(columns, target - target.mean()).coef_ if len(samples) > 2 else np.zeros(columns.shape[1])
    )
    spread = float(np.std(means, ddof=1)) if len(types) > 2 else TYPE_LOG_SD
    sd = float(np.hypot(max(spread, 0.05) / np.sqrt(len(types)), TYPE_LOG_SD))
    return Pool(room, sd, dict(zip(names, map(float, slopes[:-1]), strict=True)), float(slopes[-1]), len(samples))


def _labels(sample: DoseSample) -> tuple[tuple[str, str], ...]:
    return ("coat", sample.coat), ("shelter", sample.shelter), ("rack", sample.rack)


def _split(name: str) -> tuple[str, str]:
    kind, _, value = name.partition(" ")
    return kind, value


def lent(prior: CoatModel, others: Pool) -> CoatModel:
    """The prior of a type with few runs, its transfer moved by what the room's other types have shown.

    A larger dose than expected means a smaller transfer. Normal prior x normal evidence on the log scale.
    """
    if not others.runs or not np.isfinite(others.room_sd):
        return prior
    own = prior.parameters["transfer"]
    precision = 1.0 / own.sd**2 + 1.0 / others.room_sd**2
    shift = -others.room / others.room_sd**2 / precision
    moved = Spread(from_working("transfer", to_working("transfer", own.centre) + shift), float(precision**-0.5))
    return replace(prior, parameters={**prior.parameters, "transfer": moved})
