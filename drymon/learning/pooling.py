"""What coat types have in common in one room: the room's own shift, learnt where there are runs, lent where there are
few.

On the log of dose (time x wet rate of the textbook face / water) effects of room, type, shelter, coat number and rack
add up. A Bayesian ridge regression (MacKay 1992; scikit-learn's BayesianRidge) shrinks them as far as the runs are
few; the run is the sample.
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
    """One run in the pool: log of its dose over that which its starting model expected, and what it may depend on."""

    coat: str
    shelter: str
    rack: str
    number: int
    log_ratio: float


@dataclass(frozen=True, slots=True)
class Pool:
    """Effects on the log of dose: of the room over the mean of its coat types (with its sd), of each shelter and rack,
    and per log of the coat number.
    """

    room: float
    room_sd: float
    effects: Mapping[str, float]
    number_slope: float
    runs: int

    def expected(self, place: DoseSample) -> float:
        """The log ratio that a run of a coat type not in the pool is to be expected to show; its own is not read."""
        named = sum(self.effects.get(name, 0.0) for name in _labels(place))
        return self.room + named + self.number_slope * float(np.log(place.number))


def pool(samples: Sequence[DoseSample]) -> Pool:
    """Effects from all runs; nothing known (0, wide) without any."""
    if not samples:
        return Pool(0.0, float("inf"), {}, 0.0, 0)
    target = np.array([sample.log_ratio for sample in samples])
    types = sorted({sample.coat for sample in samples})
    names = sorted({name for sample in samples for name in _labels(sample)})
    of_type = [[float(sample.coat == name) for name in types] for sample in samples]
    of_place = [[*(float(name in _labels(s)) for name in names), np.log(s.number)] for s in samples]
    columns = np.hstack([of_type, of_place])
    slopes = np.zeros(columns.shape[1])
    if len(samples) > 2:
        slopes = BayesianRidge().fit(columns - columns.mean(axis=0), target - target.mean()).coef_
    by_place = slopes[len(types) :]
    rest = target - np.asarray(of_place) @ by_place  # the room's and the type's own
    means = [float(rest[[sample.coat == name for sample in samples]].mean()) for name in types]
    spread = float(np.std(means, ddof=1)) if len(types) > 2 else TYPE_LOG_SD
    sd = float(np.hypot(max(spread, 0.05) / np.sqrt(len(types)), TYPE_LOG_SD))
    effects = dict(zip(names, map(float, by_place[:-1]), strict=True))
    return Pool(float(np.mean(means)), sd, effects, float(by_place[-1]), len(samples))


def _labels(sample: DoseSample) -> tuple[str, str]:
    return f"shelter {sample.shelter}", f"rack {sample.rack}"


def lent(prior: CoatModel, others: Pool, places: Sequence[DoseSample]) -> CoatModel:
    """The prior of a type with few runs, its transfer moved by what the room's other types have shown where and how
    its own runs hung (`places`).

    A larger dose than expected means a smaller transfer. Normal prior x normal evidence on the log scale.
    """
    if not others.runs or not places:
        return prior
    own = prior.parameters["transfer"]
    precision = 1.0 / own.sd**2 + 1.0 / others.room_sd**2
    room = float(np.mean([others.expected(place) for place in places]))
    shift = -room / others.room_sd**2 / precision
    moved = Spread(from_working("transfer", to_working("transfer", own.centre) + shift), float(precision**-0.5))
    return replace(prior, parameters={**prior.parameters, "transfer": moved})
