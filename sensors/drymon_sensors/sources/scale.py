"""Bench and kitchen scales on a serial wire: a mass, once it stands still."""

from __future__ import annotations

from drymon_sensors.errors import ReadError
from drymon_sensors.quantities import MASS_UNITS
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.lines import USUAL_WORDS, Said, Steady, Words, read_mass
from drymon_sensors.sources.port import SerialLines, words_of
from drymon_sensors.tables import Table


class Scale:
    """A scale.

    wire: its lines; words: what it says beside number and unit.
    equal: so many equal readings running are steady, where it does not say so itself.
    """

    quantity = "weight"

    def __init__(self, wire: SerialLines, words: Words = USUAL_WORDS, equal: int = 3) -> None:
        self._wire, self._words = wire, words
        self._steady = Steady(equal)
        self.seen = ""

    @classmethod
    def from_table(cls, table: Table, quantity: str, machine: Machine) -> Scale:
        """By the keys of the port, of its words, and equal."""
        wire = SerialLines.from_table(table, machine.clock)
        words = words_of(table, tuple(MASS_UNITS))
        return cls(wire, words, table.whole("equal", 3, 2, 100))

    def read(self) -> float:
        """Kilograms. ReadError where nothing steady has come since the last read."""
        said = self.steady_mass()
        return said.value * MASS_UNITS[said.unit]

    def steady_mass(self) -> Said:
        """The latest steady mass, in the scale's own unit and digits."""
        found: Said | None = None
        moving = False
        for line in self._wire.lines():
            self.seen = line
            try:
                said = read_mass(line, self._words)
            except ValueError as error:
                self._steady.forget()
                self._refused = str(error)
                continue
            self._refused = ""
            steady = self._steady.take(said)
            moving = steady is None
            found = steady or (None if moving else found)
        if found is None:
            raise ReadError(self._why_nothing(moving))
        return found

    _refused = ""

    def _why_nothing(self, moving: bool) -> str:
        if self._refused:
            return f"{self._wire.path}: {self._refused}"
        if moving:
            return f"{self._wire.path}: not steady yet: {self.seen}"
        return f"{self._wire.path}: nothing has come since the last look: is it on, and does it send by itself?"

    def where(self) -> str:
        """What is read."""
        return f"scale on {self._wire.path}"

    def close(self) -> None:
        """Let go of the port."""
        self._wire.close()
