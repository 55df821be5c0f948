"""1-wire thermometers, for shells and wax: temperature with the checksum of the wire.

The rules are those of the kernel's Documentation/w1/slaves/w1_therm.rst; tests/test_onewire.py quotes them.
"""

from __future__ import annotations

import re

from drymon_sensors.errors import ReadError
from drymon_sensors.sources.base import Machine
from drymon_sensors.tables import Table, as_written

DEVICES = "bus/w1/devices"
ID = re.compile(r"(10|22|28|3b|42)-[0-9a-f]{12}\Z")
"""Family codes of thermometers, then the number that each one has of its own."""

NO_CONVERSION = {85_000: "its value from switching on: it has not measured", 127_937: "it has too little power"}
_LINES = re.compile(r"(?:[0-9a-f]{2} )+: crc=[0-9a-f]{2} (YES|NO)\n(?:[0-9a-f]{2} )+t=(-?\d+)\Z")


class OneWire:
    """One thermometer by its number."""

    def __init__(self, machine: Machine, number: str, quantity: str) -> None:
        self.quantity, self.seen = quantity, ""
        self._kernel, self._number = machine.kernel, number

    @classmethod
    def from_table(cls, table: Table, quantity: str, machine: Machine) -> OneWire:
        """By the key id."""
        number = table.text("id")
        if not ID.match(number):
            raise table.wrong("id", number, "a thermometer's number as `drymon-sensors find` shows it")
        return cls(machine, number, quantity)

    def read(self) -> float:
        """One temperature. The old one is shown by the driver where the checksum is wrong: that is refused."""
        text = self._kernel.text(self._kernel.below(DEVICES, self._number, "w1_slave"))
        lines = _LINES.match(text)
        if lines is None:
            raise ReadError(f"w1_slave: received {as_written(text)}; allowed are two lines that end in YES and t=…")
        self.seen = f"t={lines[2]}"
        if lines[1] != "YES":
            raise ReadError("w1_slave: the checksum is wrong: look at the wires; long ones need a stronger pull-up")
        if int(lines[2]) in NO_CONVERSION:
            raise ReadError(f"w1_slave: t={lines[2]}, {NO_CONVERSION[int(lines[2])]}: look at its power")
        return int(lines[2]) / 1000.0

    def where(self) -> str:
        """What is read."""
        return f"1-wire {self._number}"

    def close(self) -> None:
        """Nothing is held open."""
