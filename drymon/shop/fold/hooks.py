"""Which tree a load cell's mass is told of: a cell carries one tree, who was hung on it last took the place of who was
there before. What cells say is kept for some days, as where trees have hung may be told late, or taken back.
"""

from collections import deque
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime

from drymon.shop.facts.events import CellMass
from drymon.shop.facts.reading import Reading
from drymon.shop.fold.tree_log import TreeLog
from drymon.shop.weight.cells import EVERY_S, Cells

KEPT = int(3 * 86400 / EVERY_S)
"""Masses of one cell: three days, within which a slip has long been found (assumed)."""

NOBODY = ""


class Hooks:
    """The room's cells and the logs of the trees that they carry."""

    def __init__(self, logs: Mapping[str, TreeLog]) -> None:
        self._logs = logs
        self._cells = Cells()
        self._weighed: dict[str, deque[CellMass]] = {}

    def note_mass(self, reading: Reading) -> None:
        """A cell's smoothed mass, now and then, is a fact about the tree that hangs on it."""
        found = self._cells.note_mass(reading)
        if found is None:
            return
        mass = found.about(self.carried(reading.sensor, reading.time), reading)
        self._weighed.setdefault(reading.sensor, deque(maxlen=KEPT)).append(mass)
        if mass.tree != NOBODY:
            self._logs[mass.tree].add(mass)

    def hang_anew(self, tree: str, since: datetime) -> set[str]:
        """It is told otherwise where the tree has hung since then: masses go to whoever hung there by what stands now.
        Returns the trees of which more or less is known by that.
        """
        gone: dict[str, list[CellMass]] = {}
        come: dict[str, list[CellMass]] = {}
        for cell in self._logs[tree].cells & self._weighed.keys():
            for place, mass in enumerate(self._weighed[cell]):
                if mass.time < since or (carried := self.carried(cell, mass.time)) == mass.tree:
                    continue
                self._weighed[cell][place] = anew = replace(mass, tree=carried)
                gone.setdefault(mass.tree, []).append(mass)
                come.setdefault(carried, []).append(anew)
        changed = {*gone, *come} & self._logs.keys()  # one that left long ago may be forgotten
        for name in changed:
            self._logs[name].exchange(gone.get(name, []), come.get(name, []))
        return changed

    def carried(self, cell: str, at: datetime | None = None) -> str:
        """Who hangs on the cell now, or hung there at that moment."""
        since = {name: log.on_cell_since(cell, at) for name, log in self._logs.items() if cell in log.cells}
        hanging = {name: at for name, at in since.items() if at is not None}
        return max(hanging, key=lambda each: hanging[each]) if hanging else NOBODY
