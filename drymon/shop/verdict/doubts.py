"""Doubts that weights raise: on the load cell, or on the coat's model."""

from collections.abc import Iterable, Iterator

from drymon.shop.facts.outcome import Doubt, DoubtKind
from drymon.shop.tree.state import TreeState
from drymon.shop.weight.weighings import FEWEST

FAR = 0.04
"""Mean rank by slowness of a weighed tree's members, from either end, beyond which its model is doubted: in a right
model one dip in 25.
"""

WATCHED = 3 * FEWEST


def doubts(states: Iterable[TreeState]) -> tuple[Doubt, ...]:
    """What is in doubt now, one for each cause."""
    found = {(doubt.kind, doubt.subject): doubt for state in states for doubt in _of(state)}
    return tuple(found[key] for key in sorted(found))


def _of(state: TreeState) -> Iterator[Doubt]:
    if state.complete or state.coats is None or state.water is None:
        return
    if state.model is not None and state.model.doubt:
        yield Doubt(DoubtKind.MODEL, state.dip.coat, f"Coat {state.dip.coat}: {state.model.doubt}.")
    if state.weighings.cell_disagrees and state.cell:
        text = f"The weight of {state.name} on {state.cell} does not go with any possible coat in this air."
        yield Doubt(DoubtKind.CELL, state.cell, text)
    elif _watched(state) and state.model is not None and not state.model.is_starting_model:
        rank = float(state.water.weights @ state.coats.slowness)
        if not FAR < rank < 1.0 - FAR:
            way = "faster" if rank <= FAR else "slower"
            text = f"{state.name} loses weight far {way} than the model of {state.dip.coat} expects of nearly all dips."
            yield Doubt(DoubtKind.MODEL, state.dip.coat, text)


def _watched(state: TreeState) -> bool:
    """One scale has seen enough of this coat to judge its model by."""
    return max(len(state.weighings.cell.times), len(state.weighings.bench.times)) >= WATCHED
