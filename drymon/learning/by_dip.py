"""A piece weighed before and after a dip, judged: whether it tells a coat's water, and what is strange about it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drymon.drying import dips
from drymon.drying.coat_model import CoatModel
from drymon.drying.pickup import PickUp, WaterShare, pick_up
from drymon.errors import LearningError

FEWEST_STEPS = 10.0
"""Of the scale's digits that the piece must gain."""

POSSIBLE_KG_PER_M2 = (0.1, 5.0)
"""Slurry on an open face: outside no drained coat lies (common practice, no source)."""

FAR = 2.0
"""Standard deviations from the starting range beyond which a coat's water is asked about."""


@dataclass(frozen=True, slots=True)
class DipFound:
    """What the piece tells; strange: what is to be asked about before it is kept."""

    piece: PickUp
    gained_kg: float
    strange: tuple[str, ...]


def judge_dip(  # noqa: PLR0913, two weighings, the scale, the piece, its coat
    before_kg: float,
    after_kg: float,
    step_kg: float,
    area_m2: float,
    share: WaterShare,
    model: CoatModel,
    number: int,
    after_stucco: bool = False,
) -> DipFound:
    """What a piece says of its coat. model: the coat's starting model; number: of the coat on the piece, from 1.

    Raises LearningError where it tells nothing, with why and what to do.
    """
    if after_stucco:
        raise LearningError(
            "after: received a weighing with stucco; allowed is one with drained slurry alone: nobody knows how much "
            "of it is stucco. Weigh the next piece when it has drained, before the stucco"
        )
    gained = after_kg - before_kg
    if gained < FEWEST_STEPS * step_kg * (1.0 - 1e-9):
        raise LearningError(
            f"it gained {1000 * gained:.3g} g; at least {FEWEST_STEPS:g} steps of the scale's digits are needed, "
            f"{1000 * FEWEST_STEPS * step_kg:.3g} g: take a larger piece or a finer scale"
        )
    low, high = POSSIBLE_KG_PER_M2
    if not low <= gained / area_m2 <= high:
        raise LearningError(
            f"{1000 * gained:.3g} g on {1e4 * area_m2:.0f} cm2 are {gained / area_m2:.2g} kg/m2 of slurry; allowed is "
            f"{low:g} to {high:g}: look at the size, the units and the two weighings"
        )
    soaked = float(dips.soaking(model, np.array([model.parameters["soak"].centre]), number)[0])
    piece = pick_up(gained, step_kg, area_m2, share, model.water_sd, soaked)
    return DipFound(piece, gained, _strange(piece, model))


def _strange(piece: PickUp, model: CoatModel) -> tuple[str, ...]:
    prior = model.parameters["water"]
    away = math.log(piece.water / prior.centre) / math.hypot(prior.sd, piece.own_sd, piece.shared_sd)
    if abs(away) <= FAR:
        return ()
    low, high = (prior.centre * math.exp(sign * FAR * prior.sd) for sign in (-1, 1))
    return (
        f"{piece.water:.2g} kg/m2 of water is far from what is usual, {low:.2g} to {high:.2g}: look at the size, the "
        "units, the slurry's figures, and whether it had drained",
    )
