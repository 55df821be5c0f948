"""Load cells: each one's readings cleaned of knocks and steps, handed on as a mass every few minutes."""

from dataclasses import dataclass

import numpy as np

from drymon.drying import weight
from drymon.drying.weight import WeightSignal
from drymon.shop.events import CellMass
from drymon.shop.reading import Reading

EVERY_S = 300.0
"""A tree's ensemble looks at its cell this often: quick enough to matter, seldom enough to be independent."""

LOOK_BACK_S, FEWEST = 600.0, 4
"""A mass is the end of a straight line through the readings of so long, at least so many: the filter that sorts out
knocks believes in slow changes, and would lag behind a tree in its first half hour.
"""

SMALLEST_SD_KG = 1e-4


@dataclass(frozen=True, slots=True)
class Found:
    """A cell's mass now with its standard deviation, kg."""

    mass: float
    sd: float

    def about(self, tree: str, reading: Reading) -> CellMass:
        """The same as a fact about a tree."""
        return CellMass(
            time=reading.time,
            arrived=reading.arrived,
            tree=tree,
            mass=self.mass,
            sd=max(self.sd, SMALLEST_SD_KG),
        )


class Cells:
    """Every cell's signal. Readings that come out of order are left out, as the filter looks only ahead."""

    def __init__(self) -> None:
        self._signals: dict[str, WeightSignal] = {}
        self._kept: dict[str, list[tuple[float, float]]] = {}
        self._told: dict[str, float] = {}

    def take(self, reading: Reading) -> Found | None:
        """Fold a reading in; the mass where it is time to look at it, and the tree hangs."""
        at = reading.time.timestamp()
        before = self._signals.get(reading.sensor)
        signal = self._signals[reading.sensor] = weight.step(before, at, reading.value)
        kept = [] if signal.step else [row for row in self._kept.get(reading.sensor, []) if row[0] > at - LOOK_BACK_S]
        if before is not None and signal.taken > before.taken and not signal.step:
            kept.append((at, reading.value - signal.shift))
        self._kept[reading.sensor] = kept
        block = at // EVERY_S
        if not signal.hangs or signal.waiting or block == self._told.get(reading.sensor):
            return None
        self._told[reading.sensor] = block
        return _found(signal, kept)


def _found(signal: WeightSignal, kept: list[tuple[float, float]]) -> Found:
    """The end of the line through what was kept (least squares), with the spread that its residuals give it."""
    if len(kept) < FEWEST:
        return Found(signal.mass, signal.mass_sd)
    times, masses = np.array(kept).T
    since = times - times[-1]
    design = np.column_stack([np.ones_like(since), since])
    inverse = np.linalg.inv(design.T @ design)
    line = inverse @ (design.T @ masses)
    scatter = 1.4826 * float(np.median(np.abs(masses - design @ line)))
    return Found(float(line[0]), max(scatter, SMALLEST_SD_KG) * float(np.sqrt(inverse[0, 0])))
