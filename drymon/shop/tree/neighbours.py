"""A weighed tree also tells about the others: what it has learnt of the shared factors leans their ensembles the
same way.

Members are the same draws of a coat model's parameters for every dip. Where the weights of a weighed tree's members
have moved the mean of a shared dimension's normal score by b, the others' members get the weight exp(k b score): in a
normal world that moves their mean by k b and leaves their spread. Factors of the dip itself are another block of
scores and stay out.

That is for fitted models, whose spread is already this shop's. A starting model's is that of all shops, so a weighing
has to narrow it: how long a weighed coat takes counts for each coat of its kind in the room (`taught`).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from drymon.drying import possible
from drymon.drying.coat_model import PARAMETERS
from drymon.drying.draws import DIMENSIONS, EXTRA_DIMENSIONS
from drymon.drying.ensemble import ZONES, Array, CoatState
from drymon.shop.tree.state import TreeState
from drymon.shop.tree.taught import Taught, likelihood

PASSED_ON = 0.5
"""Share of what was learnt that is passed on (assumed): trees differ in their place in the air."""

SHARED = (*PARAMETERS, EXTRA_DIMENSIONS[0])
"""What trees of a rack have in common: the model's parameters and, where no air speed is measured, its place in the
assumed range.
"""

AIR = ("transfer", "airflow")
OF_THE_AIR = np.array([name in AIR for name in SHARED])
"""What belongs to the rack's air more than to the coat: passed on to other kinds of coat too."""


@dataclass(frozen=True, slots=True)
class Leans:
    """What weighed trees tell of the others.

    by_rack: by rack and coat ("" for every other coat), factors on the weights of fitted models' members, (members,).
    taught: by coat, what is told of starting models' members.
    """

    by_rack: Mapping[str, Mapping[str, Array]] = field(default_factory=dict)
    taught: Mapping[str, Sequence[Taught]] = field(default_factory=dict)


def leans(states: Iterable[TreeState]) -> Leans:
    """What these trees tell of each other."""
    there = list(states)
    return Leans(_by_rack(there), _taught(there))


def _taught(states: Sequence[TreeState]) -> dict[str, list[Taught]]:
    told: dict[str, list[Taught]] = {}
    for state in states:
        for one in state.said:
            told.setdefault(one.coat, []).append(one)
    return told


def _by_rack(states: Sequence[TreeState]) -> dict[str, dict[str, Array]]:
    moved: dict[str, dict[str, list[Array]]] = {}
    for state in states:
        shift = _shift(state)
        if shift is not None:
            by_coat = moved.setdefault(state.rack, {})
            by_coat.setdefault(state.dip.coat, []).append(shift)
            by_coat.setdefault("", []).append(shift * OF_THE_AIR)
    return {rack: {coat: _factors(found) for coat, found in coats.items()} for rack, coats in moved.items()}


def leaned(state: TreeState, told: Leans) -> TreeState:
    """The state with its ensemble leaning as weighed trees say; a tree whose own weight tells goes by that."""
    if state.water is None or state.model is None or state.weighings.tell:
        return state
    factors = _told_of(state, told) if state.model.is_starting_model else _on_rack(state, told)
    if factors is None:
        return state
    weights = state.water.weights * factors
    return state._replace(water=CoatState(state.water.left, state.water.dry_since, weights / weights.sum()))


def _on_rack(state: TreeState, told: Leans) -> Array | None:
    coats = told.by_rack.get(state.rack)
    return coats.get(state.dip.coat, coats[""]) if coats else None


def _told_of(state: TreeState, told: Leans) -> Array | None:
    """By weighings of this kind of coat on whatever tree: this one's own earlier coats, too."""
    return likelihood(told.taught.get(state.dip.coat, ()), ZONES[state.shelter][-1])


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
