"""Step all trees of a room through the same minute in a few goes: the same numbers as one by one, at a fraction of the
time.
"""

from collections.abc import Iterable, Sequence

import numpy as np

from drymon.drying import coat, ensemble
from drymon.drying.ensemble import AirStep, PossibleCoats
from drymon.shop.air.sensors import MINUTE_S
from drymon.shop.fold.tree_log import TreeLog
from drymon.shop.tree import tree_air
from drymon.shop.tree.state import TreeState, World

TOGETHER = 8
"""Trees in one go: what is worked on at once stays in a small processor's cache."""

KEPT = 2
"""Joined ensembles kept for each go: a tree that has just been weighed is left out for a minute, then is back."""

_Steady = tuple[TreeLog, TreeState, PossibleCoats]


class Stepper:
    """Keeps the joined ensembles, as they change only with dips and moves."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._joined: dict[tuple[int, int], dict[tuple[int, ...], tuple[list[PossibleCoats], PossibleCoats]]] = {}

    def minute(self, logs: Iterable[TreeLog], end: float) -> int:
        """Bring those trees from `end` - 1 min to `end` to which nothing else happens in between; on how many racks."""
        by_zones: dict[int, list[_Steady]] = {}
        racks: set[tuple[str, bool]] = set()
        for log in logs:
            state = log.steady(end - MINUTE_S)
            if state is not None and state.coats is not None and state.rack in self.world.air:
                by_zones.setdefault(len(state.coats.zones), []).append((log, state, state.coats))
                racks.add((state.rack, state.by_cloth))
        for zones, steady in by_zones.items():
            for place in range(0, len(steady), TOGETHER):
                self._step((zones, place), steady[place : place + TOGETHER], end)
        return len(racks)

    def _step(self, go: tuple[int, int], steady: Sequence[_Steady], end: float) -> None:
        """Those of one go: trees with equally many zones, each in the air of its rack."""
        minute = int(end // MINUTE_S) - 1
        airs = [self.world.air[state.rack].minute(minute).step_of(state.by_cloth) for _, state, _ in steady]
        coats = self._coats(go, [coats for _, _, coats in steady])
        waters = np.stack([state.water.left for _, state, _ in steady if state.water is not None])
        left = coat.step(coats, waters, AirStep.of_each(airs), MINUTE_S)
        for (log, state, _), water in zip(steady, left, strict=True):
            own = water.copy()  # what is kept of one tree must not keep the others' with it
            log.stepped(tree_air.minute_on(self.world, state, end, own))

    def _coats(self, go: tuple[int, int], parts: list[PossibleCoats]) -> PossibleCoats:
        names = tuple(id(part) for part in parts)  # theirs for as long as the parts are kept beside what was joined
        kept = self._joined.setdefault(go, {})
        found = kept.pop(names, None) or (parts, ensemble.joined(parts))
        kept[names] = found
        if len(kept) > KEPT:
            del kept[next(iter(kept))]
        return found[1]
