"""Linux IIO: temperature, humidity, pressure and voltage of any chip with a driver.

The rules are those of the kernel's Documentation/ABI/testing/sysfs-bus-iio; tests/test_iio.py quotes them.
"""

from __future__ import annotations

import re

from drymon_sensors.errors import ReadError
from drymon_sensors.sources.base import Heater, Machine
from drymon_sensors.sources.kernel import IIO, Chip, Wanted
from drymon_sensors.tables import Table

TYPES = {
    "temperature": ("temp", 1e-3),
    "surface": ("temp", 1e-3),
    "humidity": ("humidityrelative", 1e-3),
    "pressure": ("pressure", 1e3),
    "co2": ("concentration_co2", 1e4),
    "voltage": ("voltage", 1e-3),
}
"""Channel type, and our unit in one of the kernel's: milli-degrees, milli-percent, kilopascal, percent, millivolt."""

HEATER = "out_current_heater_raw"
HEATER_REST_S = 120.0


class IioChannel:
    """One channel of one IIO device."""

    def __init__(self, machine: Machine, wanted: Wanted, kind: str, channel: str = "") -> None:
        self._chip, self._kind, self._channel = Chip(machine.kernel, IIO, wanted), kind, channel
        self.seen = ""

    @property
    def chip(self) -> Chip:
        """The device."""
        return self._chip

    def value(self) -> float:
        """In the kernel's unit: `_input` is scaled already, else (raw + offset) * scale."""
        channel = self.channel()
        if self._chip.has(f"in_{channel}_input"):
            value, text = self._chip.number(f"in_{channel}_input")
            self.seen = f"in_{channel}_input {text}"
            return value
        raw, scale = self.raw(), self.shared("scale")
        if scale is None:
            raise ReadError(f"in_{channel}_scale: missing, so the unit of in_{channel}_raw is unknown")
        return (raw + (self.shared("offset") or 0.0)) * scale

    def raw(self) -> float:
        """As the chip gives it."""
        value, text = self._chip.number(f"in_{self.channel()}_raw")
        self.seen = f"in_{self.channel()}_raw {text}"
        return value

    def shared(self, what: str) -> float | None:
        """The channel's own attribute, else the one that its kind, its direction or all channels share."""
        channel = self.channel()
        kind = "voltage-voltage" if re.match(r"voltage\d+-voltage\d+", channel) else self._kind
        return self._chip.optional(f"in_{channel}_{what}", f"in_{kind}_{what}", f"in_{what}", what)

    def channel(self) -> str:
        """The channel's name, found where none was given and only one can be meant."""
        if self._channel:
            return self._channel
        found = sorted(set(self._candidates()))
        if self._kind in found:
            return self._kind
        if len(found) == 1:
            return found[0]
        there = f"it has {', '.join(found)}: say which with channel" if found else "is it another chip?"
        raise ReadError(f"{self._chip.device()}: received no channel of {self._kind}; {there}")

    def _candidates(self) -> list[str]:
        pattern = re.compile(rf"in_({self._kind}(?:\d+|_(?:ambient|object))?(?:-{self._kind}\d+)?)_(?:input|raw)\Z")
        return [match[1] for match in map(pattern.match, self._chip.attributes()) if match]

    def __str__(self) -> str:
        return f"iio {self._chip.wanted}" + (f", {self._channel}" if self._channel else "")


class Iio:
    """A source on one channel."""

    def __init__(self, machine: Machine, channel: IioChannel, quantity: str, rest_s: float = HEATER_REST_S) -> None:
        self.quantity = quantity
        self._channel, self._heater = channel, Heater(machine.clock, rest_s)
        self._factor = TYPES[quantity][1]

    @classmethod
    def from_table(cls, table: Table, quantity: str, machine: Machine) -> Iio:
        """By the keys chip, label, at, channel and heater_rest_s."""
        return cls(machine, channel_of(table, machine, quantity), quantity, heater_rest(table))

    @property
    def seen(self) -> str:
        """What was read last."""
        return self._channel.seen

    def read(self) -> float:
        """One value in the quantity's unit."""
        self._heater.check(bool(self._channel.chip.optional(HEATER)))
        return self._channel.value() * self._factor

    def where(self) -> str:
        """What is read."""
        return str(self._channel)

    def close(self) -> None:
        """Nothing is held open."""


def channel_of(table: Table, machine: Machine, quantity: str) -> IioChannel:
    """By the keys chip, label, at and channel."""
    return IioChannel(machine, wanted_of(table), TYPES[quantity][0], table.text("channel", ""))


def heater_rest(table: Table) -> float:
    """How long after its heater was seen on a chip measures itself."""
    return table.number("heater_rest_s", HEATER_REST_S, 0.0, 3600.0)


def wanted_of(table: Table) -> Wanted:
    """By the keys chip, label and at; one of them must be there."""
    wanted = Wanted(table.text("chip", ""), table.text("label", ""), table.text("at", ""))
    if wanted == Wanted():
        raise table.wrong("chip", None, 'what `drymon-sensors find` shows: chip = "…", or label = "…", or at = "…"')
    return wanted
