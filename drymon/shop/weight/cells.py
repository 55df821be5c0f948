"""Load cells: each one's readings cleaned of knocks and steps, handed on as a mass every few minutes."""

import math
from dataclasses import dataclass, replace

import numpy as np

from drymon.drying import weight
from drymon.drying.weight import MassStep, WeightSignal
from drymon.shop.facts.events import CellMass
from drymon.shop.facts.reading import Reading

EVERY_S = 300.0
"""A tree's ensemble looks at its cell this often: quick enough to matter, seldom enough to be independent."""

LOOK_BACK_S = 600.0
"""A mass is the end of a straight line through the readings of so long."""

LEVELS_S = 7200.0
"""For so long it is remembered what a cell showed: what hung there before a dip."""


@dataclass(frozen=True, slots=True)
class Found:
    """A cell's mass now with its standard deviation, kg, what it shows and has shown, for how long its digits have not
    moved (s), the smallest step that they made, and the newest rise that looks like a dip and the newest sudden fall,
    None where there was none.
    """

    mass: float
    sd: float
    level: float
    levels: tuple[tuple[float, float], ...]
    still_s: float
    digit_kg: float
    rise: MassStep | None = None
    fall: MassStep | None = None

    def about(self, tree: str, reading: Reading) -> CellMass:
        """The same as a fact about a tree."""
        return CellMass(
            time=reading.time,
            arrived=reading.arrived,
            tree=tree,
            mass=self.mass,
            sd=max(self.sd, weight.SMALLEST_SD_KG),
            level=self.level,
            levels=self.levels,
            still_s=self.still_s,
            digit_kg=self.digit_kg,
            rose_at=self.rise.time_s if self.rise else -math.inf,
            rose_kg=self.rise.size_kg if self.rise else 0.0,
            fell_at=self.fall.time_s if self.fall else -math.inf,
            fell_kg=-self.fall.size_kg if self.fall else 0.0,
        )


@dataclass(frozen=True, slots=True)
class _Cell:
    """One cell so far: its signal, the newest accepted readings (s, kg), what it showed of late, since when its digits
    stand still (s), the block of time told last, the newest rise that looks like a dip, and the newest sudden fall.
    """

    signal: WeightSignal
    still_since: float
    kept: tuple[tuple[float, float], ...] = ()
    levels: tuple[tuple[float, float], ...] = ()
    told: float = -1.0
    rise: MassStep | None = None
    fall: MassStep | None = None


class Cells:
    """Every cell's signal. Readings that come out of order are left out, as the filter looks only ahead."""

    def __init__(self) -> None:
        self._cells: dict[str, _Cell] = {}

    def note_mass(self, reading: Reading) -> Found | None:
        """Fold a reading in; the mass where it is time to look at it, and the tree hangs."""
        at, before = reading.time.timestamp(), self._cells.get(reading.sensor)
        if before is not None and at <= before.signal.time_s:
            return None
        cell = _after(before, at, reading.value)
        block = at // EVERY_S
        due = cell.signal.hangs and not cell.signal.waiting and block != cell.told
        if not due:
            self._cells[reading.sensor] = cell
            return None
        found = _found(cell, at)
        levels = (*(row for row in cell.levels if row[0] > at - LEVELS_S), (at, found.level))
        self._cells[reading.sensor] = replace(cell, told=block, levels=levels)
        return found


def _after(cell: _Cell | None, at: float, value: float) -> _Cell:
    before = cell.signal if cell else None
    signal = weight.step(before, at, value)
    if cell is None or before is None:
        return _Cell(signal, at)
    kept = () if signal.step else tuple(row for row in cell.kept if row[0] > at - LOOK_BACK_S)
    if signal.taken > before.taken and not signal.step:
        kept = (*kept, (at, value - signal.shift))
    moved = signal.time_s > before.time_s and value != before.raw
    rise = signal.step if signal.step and signal.step.kind == "dip" else cell.rise
    fall = signal.step if signal.step and signal.step.kind == "fall" else cell.fall
    return _Cell(signal, at if moved else cell.still_since, kept, cell.levels, cell.told, rise, fall)


def _found(cell: _Cell, at: float) -> Found:
    """The end of the line through what was kept, the filter's word where nothing was."""
    mass, sd, rounding = cell.signal.mass, cell.signal.mass_sd, weight.rounding(cell.signal)
    if cell.kept:
        times, masses = np.array(cell.kept, dtype=np.float64).T
        mass, sd = weight.on_line(times, masses, cell.kept[-1][0], cell.signal.noise)
    still, sd = at - cell.still_since, math.hypot(sd, rounding)  # readings between two steps share their error
    return Found(mass, sd, mass + cell.signal.shift, cell.levels, still, cell.signal.digit, cell.rise, cell.fall)
