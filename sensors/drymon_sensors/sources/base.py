"""What a source is, and what it may need of the machine."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from drymon_sensors.clock import Clock, SystemClock
from drymon_sensors.errors import Heating
from drymon_sensors.sources.kernel import Kernel


class Source(Protocol):
    """Something that can be read.

    quantity: what it measures; its values are in that quantity's default unit.
    seen: what it read last, as it was written there, for a person who looks for a fault.
    """

    @property
    def quantity(self) -> str:
        """What it measures."""

    @property
    def seen(self) -> str:
        """What it read last."""

    def read(self) -> float:
        """One value, measured now. ReadError says why there is none; never an old value again."""

    def where(self) -> str:
        """What is read, in words."""

    def close(self) -> None:
        """Let go of what is held open."""


@dataclass
class Machine:
    """The machine that sources read. A test, or a trial, hands in its own parts."""

    kernel: Kernel = field(default_factory=Kernel)
    clock: Clock = field(default_factory=SystemClock)


class Heater:
    """Whether a chip's own heater spoils its readings: while it is on, and until it has cooled down."""

    def __init__(self, clock: Clock, rest_s: float) -> None:
        self._clock, self._rest_s = clock, rest_s
        self._hot_until = float("-inf")

    def check(self, on: bool) -> None:
        """Raises Heating where the reading would be of the heater."""
        now = self._clock.monotonic()
        if on:
            self._hot_until = now + self._rest_s
            raise Heating("the sensor's heater is on: readings are left out until it has cooled down")
        if now < self._hot_until:
            raise Heating(f"the sensor cools down after its heater: {self._hot_until - now:.0f} s to go")
