"""A source that needs no hardware: for trying out, for demonstrations, and for tests of what lies behind it."""

from __future__ import annotations

from math import pi, sin

from drymon_sensors.sources.base import Machine
from drymon_sensors.tables import Table

MEANS = {
    "temperature": (21.5, 1.5),
    "humidity": (52.0, 4.0),
    "airflow": (0.8, 0.2),
    "weight": (3.2, 0.0),
    "pressure": (101_325.0, 300.0),
    "surface": (19.0, 1.0),
    "co2": (600.0, 150.0),
}
"""A drying room's mean and swing."""

DAY_S = 86_400.0


class Fake:
    """A wave about a mean, the same at the same running time."""

    def __init__(self, machine: Machine, quantity: str, mean: float, swing: float, period_s: float = DAY_S) -> None:
        self.quantity, self.seen = quantity, ""
        self._clock, self._mean, self._swing, self._period_s = machine.clock, mean, swing, period_s

    @classmethod
    def from_table(cls, table: Table, quantity: str, machine: Machine) -> Fake:
        """By the keys mean, swing and period_s; all have a default."""
        mean, swing = MEANS[quantity]
        return cls(
            machine,
            quantity,
            table.number("mean", mean),
            table.number("swing", swing, 0.0),
            table.number("period_s", DAY_S, 1.0),
        )

    def read(self) -> float:
        """The wave now."""
        value = self._mean + self._swing * sin(2.0 * pi * self._clock.monotonic() / self._period_s)
        self.seen = "made up"
        return round(value, 3)

    def where(self) -> str:
        """What is read."""
        return "made up (kind fake)"

    def close(self) -> None:
        """Nothing is held open."""
