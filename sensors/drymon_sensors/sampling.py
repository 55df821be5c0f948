"""From reads of a source to a reading: the median of some, within what is plausible, or why there is none."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field

from drymon_sensors.clock import NodeTime, Taken
from drymon_sensors.errors import Heating, NotYet, ReadError
from drymon_sensors.quantities import QUANTITIES
from drymon_sensors.sources.base import Source

log = logging.getLogger(__name__)

OK, HEATING, WAITING, FAULT = "ok", "heating", "waiting", "error"


@dataclass(frozen=True)
class Sensor:
    """One sensor of the configuration.

    place, quantity, name: of its topic; name "" where the place has one sensor of this quantity.
    every_s: seconds between readings; samples: reads in one; plausible: what lies beyond is a fault.
    """

    place: str
    quantity: str
    name: str
    source: Source
    every_s: float = 10.0
    samples: int = 3
    plausible: tuple[float, float] = (float("-inf"), float("inf"))

    @property
    def tail(self) -> str:
        """Its topic below the room."""
        return "/".join(filter(None, (self.place, self.quantity, self.name)))


@dataclass(frozen=True)
class Outcome:
    """What became of a reading.

    value: None where there is none, and `why` says why; taken: in the midst of its reads.
    """

    state: str
    value: float | None
    taken: Taken
    why: str = ""


@dataclass
class Sampler:
    """Reads one sensor, spread over its interval."""

    sensor: Sensor
    time: NodeTime
    due: float = float("-inf")
    _good: list[tuple[float, Taken]] = field(default_factory=list)
    _bad: list[ReadError] = field(default_factory=list)

    def take(self, now: float) -> Outcome | None:
        """Read once, as it is due at `now` (running seconds); the outcome with the last read of an interval."""
        step = self.sensor.every_s / self.sensor.samples
        self.due = self.due + step if self.due + step > now else now + step  # what was missed is not made up for
        try:
            self._good.append((self._read(), self.time.taken()))
        except ReadError as error:
            self._bad.append(error)
        except Exception as error:  # one source may not take the others down with it
            log.exception("%s: a fault in drymon-sensors itself; please report it", self.sensor.tail)
            self._bad.append(ReadError(f"a fault in drymon-sensors itself: {error!r}"))
        if len(self._good) + len(self._bad) < self.sensor.samples:
            return None
        outcome = self._outcome()
        self._good, self._bad = [], []
        return outcome

    def _read(self) -> float:
        value = self.sensor.source.read()
        low, high = self.sensor.plausible
        if not low <= value <= high:
            unit = QUANTITIES[self.sensor.quantity].unit
            raise ReadError(
                f"received {value:.6g} {unit}; plausible are {low:g} to {high:g} {unit}: look at the sensor"
            )
        return value

    def _outcome(self) -> Outcome:
        """More than half of the reads must have been good: a sensor that mostly fails is not well."""
        if 2 * len(self._good) > self.sensor.samples:
            stamps = [taken for _, taken in self._good]
            return Outcome(OK, round(median([value for value, _ in self._good]), 9), _midst(stamps))
        why = self._bad[-1]
        state = HEATING if isinstance(why, Heating) else WAITING if isinstance(why, NotYet) else FAULT
        return Outcome(state, None, self.time.taken(), str(why))


def median(values: Sequence[float]) -> float:
    """The middle one; of two, their mean. (`statistics` would cost two megabytes for it.)"""
    ordered, half = sorted(values), len(values) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2.0


def _midst(stamps: Sequence[Taken]) -> Taken:
    """The moment in the midst of the first and the last. Without a wall time unless both have one."""
    first, last = stamps[0], stamps[-1]
    walls = None if first.wall is None or last.wall is None else (first.wall + last.wall) / 2.0
    return Taken(walls, (first.running + last.running) / 2.0)
