"""Vane, cup and other pulse anemometers through the kernel's counter subsystem.

The rules are those of the kernel's Documentation/ABI/testing/sysfs-bus-counter; tests/test_counter.py quotes them.
"""

from __future__ import annotations

from collections.abc import Callable

from drymon_sensors.curve import Line, table_of
from drymon_sensors.errors import NotYet, ReadError
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.iio import wanted_of
from drymon_sensors.sources.kernel import COUNTER, Chip, Wanted
from drymon_sensors.tables import Table

REGISTER = 2**32
"""Where a counter without a ceiling begins anew: the interrupt counter keeps its count in 32 bits."""

SHORTEST_S = 0.05


class PulseCounter:
    """Air speed from the rate of pulses since the last read.

    curve: metres per second from pulses per second; no pulse is still air.
    """

    quantity = "airflow"

    def __init__(self, machine: Machine, wanted: Wanted, count: str, curve: Callable[[float], float]) -> None:
        self._chip, self._count, self._curve, self._clock = (
            Chip(machine.kernel, COUNTER, wanted),
            count,
            curve,
            machine.clock,
        )
        self._last: tuple[int, float] | None = None
        self.seen = ""

    @classmethod
    def from_table(cls, table: Table, quantity: str, machine: Machine) -> PulseCounter:
        """By the keys chip, label, at, count, and either slope and start, or points."""
        wanted, count = wanted_of(table), table.text("count", "count0")
        points = table.points("points")
        if points:
            return cls(machine, wanted, count, table_of(points, table, "points"))
        slope = table.number("slope", low=1e-6, high=1e3)
        return cls(machine, wanted, count, Line(slope, table.number("start", 0.0, 0.0, 10.0)))

    def read(self) -> float:
        """Metres per second, the mean since the last read. NotYet at the first."""
        rate = self._rate()
        return self._curve(rate) if rate > 0.0 else 0.0

    def _rate(self) -> float:
        """Pulses per second since the last read."""
        if self._chip.optional(f"{self._count}/enable") == 0.0:
            self._last = None
            raise ReadError(f"{self._count}/enable is 0: it does not count; write 1 to it (wiring/airflow.md)")
        count, now = self._counted(), self._clock.monotonic()
        before, self._last = self._last, (count, now)
        if before is None or now - before[1] < SHORTEST_S:
            raise NotYet("counting has just begun")
        return self._pulses(before[0], count) / (now - before[1])

    def _counted(self) -> int:
        """The count, to its last digit: it may have twenty, more than a float can tell."""
        _, text = self._chip.number(f"{self._count}/count")
        self.seen = f"{self._count}/count {text}"
        if not text.isdecimal():
            raise ReadError(f"{self._count}/count: received {text}; allowed is a whole number")
        return int(text)

    def _pulses(self, before: int, count: int) -> int:
        """How many came between two counts, over the end of the register too."""
        ceiling = self._chip.optional(f"{self._count}/ceiling")
        register = int(ceiling) + 1 if ceiling else REGISTER
        pulses = (count - before) % register
        if pulses > register // 2:  # it went back: the driver was loaded anew and counts from 0
            raise NotYet("the counter was set back")
        return pulses

    def where(self) -> str:
        """What is read."""
        return f"counter {self._chip.wanted}, {self._count}"

    def close(self) -> None:
        """Nothing is held open."""
