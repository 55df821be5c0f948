"""Load cells: each one's readings cleaned of knocks and steps, handed on as a mass every few minutes."""

from dataclasses import dataclass

import numpy as np

from drymon.drying import weight
from drymon.drying.weight import WeightSignal
from drymon.shop.events import CellMass
from drymon.shop.reading import Reading

EVERY_S = 300.0
"""A tree's ensemble looks at its cell this often: quick enough to matter, seldom enough to be independent."""

LOOK_BACK_S = 600.0
"""A mass is the end of a straight line through the readings of so long."""


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
            sd=max(self.sd, weight.SMALLEST_SD_KG),
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
    """The end of the line through what was kept, the filter's word while that is too little."""
    times, masses = np.array(kept, dtype=np.float64).reshape(-1, 2).T
    end = weight.on_line(times, masses, kept[-1][0]) if kept else None
    return Found(*end) if end is not None else Found(signal.mass, signal.mass_sd)
