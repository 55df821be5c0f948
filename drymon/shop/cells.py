"""Load cells: each one's readings folded into a smoothed mass, handed on every few minutes."""

from dataclasses import dataclass

from drymon.drying import weight
from drymon.drying.weight import WeightSignal
from drymon.shop.events import CellMass
from drymon.shop.reading import Reading

EVERY_S = 300.0
"""A tree's ensemble looks at its cell this often: quick enough to matter, seldom enough to be independent."""


@dataclass(frozen=True, slots=True)
class Found:
    """A cell's smoothed mass and rate with their spreads, kg and kg/s."""

    signal: WeightSignal

    def about(self, tree: str, reading: Reading) -> CellMass:
        """The same as a fact about a tree."""
        signal = self.signal
        return CellMass(
            time=reading.time,
            arrived=reading.arrived,
            tree=tree,
            mass=signal.mass,
            sd=max(signal.mass_sd, 1e-4),
            rate=signal.rate,
            rate_sd=signal.rate_sd,
        )


class Cells:
    """Every cell's signal. Readings that come out of order are left out, as the filter looks only ahead."""

    def __init__(self) -> None:
        self._signals: dict[str, WeightSignal] = {}
        self._told: dict[str, float] = {}

    def take(self, reading: Reading) -> Found | None:
        """Fold a reading in; the smoothed mass where it is time to look at it, and the tree hangs."""
        at = reading.time.timestamp()
        signal = self._signals[reading.sensor] = weight.step(self._signals.get(reading.sensor), at, reading.value)
        block = at // EVERY_S
        if not signal.hangs or signal.waiting or block == self._told.get(reading.sensor):
            return None
        self._told[reading.sensor] = block
        return Found(signal)
