"""Hand-held thermometers (infrared, or with a probe) on a serial wire: a temperature when the button is pressed."""

from __future__ import annotations

from drymon_sensors.errors import ReadError
from drymon_sensors.quantities import TEMPERATURE_UNITS
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.lines import USUAL_WORDS, Said, Words, read_temperature
from drymon_sensors.sources.port import SerialLines, words_of
from drymon_sensors.tables import Table


class Thermometer:
    """A hand-held thermometer."""

    quantity = "surface"

    def __init__(self, wire: SerialLines, words: Words = USUAL_WORDS) -> None:
        self._wire, self._words = wire, words
        self.seen = ""

    @classmethod
    def from_table(cls, table: Table, quantity: str, machine: Machine) -> Thermometer:
        """By the keys of the port and of its words."""
        return cls(SerialLines.from_table(table, machine.clock), words_of(table, tuple(TEMPERATURE_UNITS)))

    def read(self) -> float:
        """Degrees Celsius: the newest since the last read."""
        said = self.spot()
        return said.value if said.unit == "Cel" else (said.value - 32.0) * 5.0 / 9.0

    def spot(self) -> Said:
        """The newest temperature since the last look, in the thermometer's own unit."""
        lines = self._wire.lines()
        if not lines:
            raise ReadError(f"{self._wire.path}: nothing has come since the last look")
        self.seen = lines[-1]
        try:
            return read_temperature(lines[-1], self._words)
        except ValueError as error:
            raise ReadError(f"{self._wire.path}: {error}") from None

    def where(self) -> str:
        """What is read."""
        return f"thermometer on {self._wire.path}"

    def close(self) -> None:
        """Let go of the port."""
        self._wire.close()
