"""A weighed tree also tells about the others: what it has learnt of the shared factors leans their ensembles the
same way.

Members are the same draws of a coat model's parameters for every dip. Where the weights of a weighed tree's members
have moved the mean of a shared dimension's normal score by b, the others' members get the weight exp(k b score): in a
normal world that moves their mean by k b and leaves their spread. Factors of the dip itself are another block of
scores and stay out.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from drymon.drying import possible
from drymon.drying.coat_model import PARAMETERS
from drymon.drying.draws import DIMENSIONS, EXTRA_DIMENSIONS
from drymon.drying.ensemble import Array, CoatState
from drymon.shop.tree import TreeState

PASSED_ON = 0.5
"""Share of what was learnt that is passed on (assumed): trees differ in their place in the air."""

SHARED = (*PARAMETERS, EXTRA_DIMENSIONS[0])
"""What trees of a rack have in common: the model's parameters and, where no air speed is measured, its place in the
assumed range.
"""

AIR = ("transfer", "airflow")
"""What belongs to the rack's air more than to the coat: passed on to other kinds of coat too."""

Leans = Mapping[str, Mapping[str, Array]]


def leans(states: Iterable[TreeState]) -> Leans:
    """By rack and coat ("" for every other coat): factors on the weights of the other trees' members, (members,)."""
    moved: dict[str, dict[str, list[Array]]] = {}
    for state in states:
        shift = _shift(state)
        if shift is not None:
            by_coat = moved.setdefault(state.rack, {})
            by_coat.setdefault(state.dip.coat, []).append(shift)
            by_coat.setdefault("", []).append(shift * np.isin(SHARED, AIR))
    return {rack: {coat: _factors(found) for coat, found in coats.items()} for rack, coats in moved.items()}


def leaned(state: TreeState, by_rack: Leans) -> TreeState:
    """The state with its ensemble leaning as its weighed neighbours say; a tree whose own weight tells goes by that."""
    coats = by_rack.get(state.rack)
    if not coats or state.water is None or state.weighings.tell:
        return state
    weights = state.water.weights * coats.get(state.dip.coat, coats[""])
    return replace(state, water=CoatState(state.water.left, state.water.dry_since, weights / weights.sum()))


def _factors(shifts: Sequence[Array]) -> Array:
    """exp(k b score) of each member. shifts: how far each weighed tree has moved the mean scores, (shared,) each."""
    return np.asarray(np.exp(PASSED_ON * (_scores() @ np.mean(shifts, axis=0))))


def _shift(state: TreeState) -> Array | None:
    """How far a weighed tree's members have moved; only a fitted model's, as a starting model's curve may be of
    another shape, and only in air that was known: where a sensor had drifted they may have moved for the air's sake.
    """
    model, prior = state.model, state.weighings.prior
    if state.water is None or model is None or model.is_starting_model or prior is None or not state.weighings.tell:
        return None
    if state.drifted:
        return None
    return np.asarray((state.water.weights - prior) @ _scores())


def _scores() -> Array:
    return possible.normal_scores(DIMENSIONS)[:, : len(SHARED)]
