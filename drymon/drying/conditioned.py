"""What one measurement of a parameter says of a coat model: the exact update of a normal prior by a normal reading.

On the working scale a model is a multivariate normal. A reading y of parameter k with standard deviation s moves it by
the gain K = S[:, k] / (S[k, k] + s^2): m + K (y - m[k]), S - K S[k, :] (any textbook on linear estimation; the same as
the product of the two densities). Parameters that are correlated with k move along.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np
import numpy.typing as npt

from drymon.drying.coat_model import PARAMETERS, SHARES, CoatModel, Spread, from_working, to_working

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Evidence:
    """A parameter as it was measured.

    value: in the parameter's own unit, above 0 (a share: below 1, too).
    sd: standard deviation on the working scale, above 0.
    Raises ValueError outside these.
    """

    value: float
    sd: float

    def __post_init__(self) -> None:
        if not (0.0 < self.value < math.inf and 0.0 < self.sd < math.inf):
            raise ValueError(f"evidence: received {self.value:g} with sd {self.sd:g}; allowed are numbers above 0")


def conditioned(model: CoatModel, evidence: Mapping[str, Evidence]) -> CoatModel:
    """The model once these parameters were measured, by name in `PARAMETERS`; each measured apart from the others.

    Raises ValueError for a parameter that no model has, and for a share that is none.
    """
    for name, told in evidence.items():
        if name not in PARAMETERS or (name in SHARES and told.value >= 1.0):
            raise ValueError(f"evidence: received {name} {told.value:g}; allowed are {', '.join(PARAMETERS)}")
    return reduce(_once, evidence.items(), model)


def beside(model: CoatModel, name: str, factor: float, sd: float) -> CoatModel:
    """The model with a parameter told beside another thing than before: times `factor`, and with that thing's `sd`, on
    the log scale, in its own. What it was correlated with stays so, as far as the wider spread leaves it.
    """
    old, k = model.parameters[name], PARAMETERS.index(name)
    wider = math.hypot(old.sd, sd)
    parameters = {**model.parameters, name: Spread(old.centre * factor, wider)}
    if model.correlation is None:
        return replace(model, parameters=parameters)
    matrix = np.array(model.correlation)
    matrix[k, :] *= old.sd / wider
    matrix[:, k] *= old.sd / wider
    matrix[k, k] = 1.0
    return replace(model, parameters=parameters, correlation=tuple(map(tuple, matrix.tolist())))


def replaced(model: CoatModel, name: str, spread: Spread) -> CoatModel:
    """The model once a parameter's own spread is known from elsewhere, whatever it was: the others go on depending on
    it as they did (Jeffrey's rule of conditioning).
    """
    means, covariance = _moments(model)
    k = PARAMETERS.index(name)
    if covariance[k, k] == 0.0:
        return replace(model, parameters={**model.parameters, name: spread})
    gain = covariance[:, k] / covariance[k, k]
    after = covariance + np.outer(gain, gain) * (spread.sd**2 - covariance[k, k])
    return _made(model, means + gain * (to_working(name, spread.centre) - means[k]), after, gain)


def _once(model: CoatModel, item: tuple[str, Evidence]) -> CoatModel:
    name, told = item
    means, covariance = _moments(model)
    k = PARAMETERS.index(name)
    gain = covariance[:, k] / (covariance[k, k] + told.sd**2)
    means = means + gain * (to_working(name, told.value) - means[k])
    return _made(model, means, covariance - np.outer(gain, covariance[k]), gain)


def _moments(model: CoatModel) -> tuple[Array, Array]:
    """Means and covariance on the working scale."""
    sds = np.array([model.parameters[each].sd for each in PARAMETERS])
    means = np.array([to_working(each, model.parameters[each].centre) for each in PARAMETERS])
    matrix = np.eye(len(PARAMETERS)) if model.correlation is None else np.asarray(model.correlation)
    return means, matrix * np.outer(sds, sds)


def _made(model: CoatModel, means: Array, covariance: Array, gain: Array) -> CoatModel:
    """The model of these moments; `gain` is 0 for those that have not moved."""
    spreads = _spreads(model, means, np.sqrt(np.maximum(np.diagonal(covariance), 0.0)), gain)
    if model.correlation is None:  # nothing else moved, and nothing is correlated now
        return replace(model, parameters=spreads)
    return replace(model, parameters=spreads, correlation=_correlation(covariance))


def _spreads(model: CoatModel, means: Array, sds: Array, gain: Array) -> dict[str, Spread]:
    """The parameters that have moved anew, the others to the bit as they were."""
    return {
        each: Spread(from_working(each, float(mean)), float(sd)) if moved else model.parameters[each]
        for each, mean, sd, moved in zip(PARAMETERS, means, sds, gain != 0.0, strict=True)
    }


def _correlation(covariance: Array) -> tuple[tuple[float, ...], ...]:
    sds = np.sqrt(np.maximum(np.diagonal(covariance), 0.0))
    scale = np.where(sds > 0.0, sds, 1.0)
    matrix = 0.5 * (covariance + covariance.T) / np.outer(scale, scale)
    np.fill_diagonal(matrix, 1.0)
    return tuple(tuple(float(value) for value in row) for row in matrix)
