"""What the members of an ensemble are: the same equally likely draws of a model's parameters for every dip."""

import math

import numpy as np
import numpy.typing as npt

from drymon.drying import possible
from drymon.drying.coat_model import DIP_PARAMETERS, PARAMETERS, SHARES, CoatModel

Array = npt.NDArray[np.float64]

EXTRA_DIMENSIONS = ("airflow", "below", "face")
"""Drawn besides the model's parameters: the place in an assumed range of air speeds, unknown water from below, and the
place of the thickest edge.
"""

DIMENSIONS = len(PARAMETERS) + len(EXTRA_DIMENSIONS) + len(DIP_PARAMETERS) + 1
"""Of the ensemble: the model's parameters, the extras, what scatters from dip to dip, the growth of the end; in this
order. What is added at the end leaves the others as they are.
"""


LEAST_SPEED = 0.01
"""m/s: no air in a room is stiller."""


def parameter_draws(model: CoatModel, members: int = possible.MEMBERS) -> dict[str, Array]:
    """The model's parameters for each member, natural units, (members,) by name: the same members for every dip."""
    scores = parameter_scores(members)
    if model.correlation is not None:
        scores = scores @ np.linalg.cholesky(np.asarray(model.correlation)).T
    draws = {}
    for index, name in enumerate(PARAMETERS):
        spread = model.parameters[name]
        shift = spread.sd * scores[:, index]
        if name in SHARES:
            draws[name] = 1.0 / (1.0 + (1.0 / spread.centre - 1.0) * np.exp(-shift))
        else:
            draws[name] = spread.centre * np.exp(shift)
    return draws


def parameter_scores(members: int = possible.MEMBERS) -> Array:
    """Independent standard normal scores (members, parameters) behind `parameter_draws`; read-only."""
    return possible.normal_scores(DIMENSIONS, members)[:, : len(PARAMETERS)]


def end_growth_draws(model: CoatModel, members: int = possible.MEMBERS) -> Array:
    """The model's `end_growth` for each member, (members,): 0 where nothing is known of it."""
    if model.end_growth is None:
        return np.zeros(members)
    scores = possible.normal_scores(DIMENSIONS, members)[:, -1]
    return np.asarray(model.end_growth.centre * np.exp(model.end_growth.sd * scores))


def dip_draws(model: CoatModel, members: int = possible.MEMBERS) -> dict[str, Array]:
    """What one dip adds to the model's scatter: factors (members,) by name in DIP_PARAMETERS, the same for every dip,
    so that no bound moves by the luck of a draw.

    A thick slurry brings more water and lengthens the way out of it alike (`thickness`): `inner` follows the water as
    far as the slurry makes both scatter, and has the rest of its own.
    """
    first = len(PARAMETERS) + len(EXTRA_DIMENSIONS)
    scores = possible.normal_scores(DIMENSIONS, members)[:, first:]
    logs = {name: model.dip_sd.get(name, 0.0) * scores[:, i] for i, name in enumerate(DIP_PARAMETERS)}
    if model.slurry_sd > 0.0:
        water, inner = (scores[:, DIP_PARAMETERS.index(name)] for name in ("water", "inner"))
        shared = model.slurry_sd**2 / model.water_sd
        alone = math.sqrt(model.dip_sd.get("inner", 0.0) ** 2 + model.slurry_sd**2 - shared**2)
        logs |= {"water": model.water_sd * water, "inner": shared * water + alone * inner}
    return {name: np.exp(log) for name, log in logs.items()}


def extra_draws(members: int = possible.MEMBERS) -> dict[str, Array]:
    """Quantiles (members,) of the extra dimensions by name."""
    block = possible.quantiles(DIMENSIONS, members)[:, len(PARAMETERS) :]
    return {name: block[:, i] for i, name in enumerate(EXTRA_DIMENSIONS)}


def assumed_speeds(low: float, high: float, members: int = possible.MEMBERS) -> Array:
    """Air speeds [m/s] (members,) where none is measured: each member's place in a range, on the log scale."""
    least, most = max(low, LEAST_SPEED), max(high, LEAST_SPEED)
    return np.asarray(least * (most / least) ** extra_draws(members)["airflow"])
