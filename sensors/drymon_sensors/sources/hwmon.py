"""Linux hwmon: temperature and humidity of chips whose drivers live there, and voltages of some converters.

The rules are those of the kernel's Documentation/hwmon/sysfs-interface.rst; tests/test_hwmon.py quotes them.
"""

from __future__ import annotations

from drymon_sensors.errors import ReadError
from drymon_sensors.sources.base import Heater, Machine
from drymon_sensors.sources.iio import heater_rest, wanted_of
from drymon_sensors.sources.kernel import HWMON, Chip, Wanted
from drymon_sensors.tables import Table

TYPES = {"temperature": "temp1", "surface": "temp1", "humidity": "humidity1", "voltage": "in0"}
"""The usual channel of a quantity. All values are in thousandths: of a degree, a percent, a volt."""

HEATER = "heater_enable"


class Hwmon:
    """A source on one input of one chip."""

    def __init__(
        self, machine: Machine, wanted: Wanted, quantity: str, channel: str = "", rest_s: float = 120.0
    ) -> None:
        self.quantity, self.seen = quantity, ""
        self._chip, self._channel = Chip(machine.kernel, HWMON, wanted), channel or TYPES[quantity]
        self._heater = Heater(machine.clock, rest_s)

    @classmethod
    def from_table(cls, table: Table, quantity: str, machine: Machine) -> Hwmon:
        """By the keys chip, label, at, channel and heater_rest_s."""
        return cls(machine, wanted_of(table), quantity, table.text("channel", ""), heater_rest(table))

    def read(self) -> float:
        """One value in the quantity's unit."""
        value, text = self._chip.number(f"{self._channel}_input")
        self.seen = f"{self._channel}_input {text}"
        if self._chip.optional(f"{self._channel}_fault"):
            raise ReadError(f"{self._channel}_fault is 1: the chip says that its own reading is not to be trusted")
        self._heater.check(bool(self._chip.optional(HEATER)))
        return value / 1000.0

    def where(self) -> str:
        """What is read."""
        return f"hwmon {self._chip.wanted}, {self._channel}"

    def close(self) -> None:
        """Nothing is held open."""
