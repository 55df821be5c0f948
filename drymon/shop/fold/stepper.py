"""Step all trees of a rack through the same minute in one go: the same numbers as one by one, at a fraction of the
time.
"""

from collections.abc import Iterable

import numpy as np

from drymon.drying import coat, ensemble
from drymon.drying.ensemble import PossibleCoats
from drymon.shop.air.sensors import MINUTE_S
from drymon.shop.fold.tree_log import TreeLog
from drymon.shop.tree import tree_air
from drymon.shop.tree.state import TreeState, World

KEPT = 4
"""Joined ensembles kept for each rack: a tree that has just been weighed is left out for a minute, then is back."""


class Stepper:
    """Keeps the joined ensembles of each rack, as they change only with dips and moves."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._joined: dict[tuple[str, bool], dict[tuple[int, ...], tuple[list[PossibleCoats], PossibleCoats]]] = {}

    def minute(self, logs: Iterable[TreeLog], end: float) -> int:
        """Bring those trees from `end` - 1 min to `end` to which nothing else happens in between; on how many racks."""
        by_air: dict[tuple[str, bool], list[tuple[TreeLog, TreeState]]] = {}
        for log in logs:
            state = log.steady(end - MINUTE_S)
            if state is not None:
                by_air.setdefault((state.rack, state.by_cloth), []).append((log, state))
        together = [air for air, pairs in by_air.items() if len(pairs) > 1 and air[0] in self.world.air]
        for air in together:
            self._rack(air, by_air[air], end)
        return len(together)

    def _rack(self, seen: tuple[str, bool], pairs: list[tuple[TreeLog, TreeState]], end: float) -> None:
        """Those of a rack that see its air alike: with its wet cloth, or without."""
        rack, by_cloth = seen
        parts = [state.coats for _, state in pairs if state.coats is not None]
        waters = [state.water.left for _, state in pairs if state.water is not None]
        air = self.world.air[rack].minute(int(end // MINUTE_S) - 1)
        coats = self._coats(seen, parts)
        left = coat.step(coats, np.concatenate(waters), air.step_of(by_cloth), MINUTE_S)
        first = 0
        for (log, state), water in zip(pairs, waters, strict=True):
            log.stepped(tree_air.minute_on(self.world, state, end, left[first : first + len(water)]))
            first += len(water)

    def _coats(self, seen: tuple[str, bool], parts: list[PossibleCoats]) -> PossibleCoats:
        names = tuple(id(part) for part in parts)  # theirs for as long as the parts are kept beside what was joined
        kept = self._joined.setdefault(seen, {})
        found = kept.pop(names, None) or (parts, ensemble.joined(parts))
        kept[names] = found
        if len(kept) > KEPT:
            del kept[next(iter(kept))]
        return found[1]
