"""A sensor's record by the minute: what of it is evidence, and what is doubted.

One `Track` per place, quantity and sensor. It keeps the mean of each minute's trusted readings, and judges each
reading as it comes: outside the limits, too fast (`drying.quantities.LIMITS`), or with digits that stay while the air
moves (`shop.digits`).
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from drymon.drying.quantities import LIMITS, Quantity
from drymon.shop.air.digits import Around, Digits
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.sensor_state import SensorState

Array = npt.NDArray[np.float64]

MINUTE_S = 60
KEPT_MIN = 31 * 24 * 60
"""Minutes of air kept in memory: as far back as a late reading may reach."""


def minute_of(moment: datetime) -> int:
    """Whole minutes since 1970, UTC."""
    return int(moment.timestamp() // MINUTE_S)


def minute_done(seconds: float) -> int:
    """The last minute that is over at a stream time [s since 1970]: at a whole minute the one that just ended."""
    return int((seconds - 1e-6) // MINUTE_S)


class MinuteSeries:
    """Values by the minute, NaN where there are none; grows at its end, forgets at its start."""

    def __init__(self) -> None:
        self.first = 0
        self.held: Array = np.full(0, np.nan)

    def _reserve(self, minute: int) -> int:
        if len(self.held) == 0:
            self.first = minute - 60
            self.held = np.full(1500, np.nan)
        if minute < self.first:
            ahead = min(self.first - minute + 1440, KEPT_MIN)
            self.held = np.concatenate([np.full(ahead, np.nan), self.held])
            self.first -= ahead
        index = minute - self.first
        if index >= len(self.held):
            grown = np.full(index + 1500, np.nan)
            kept = self.held[-KEPT_MIN:]
            start = len(self.held) - len(kept)
            grown[: len(kept)] = kept
            self.first += start
            index -= start
            self.held = grown[: index + 1500]
        return index

    def get(self, minute: int) -> float:
        """The minute's value, NaN where there is none."""
        index = minute - self.first
        return float(self.held[index]) if 0 <= index < len(self.held) else float("nan")

    def set(self, minute: int, value: float) -> None:
        """Put a minute's value; a minute older than the record is ignored."""
        index = self._reserve(minute)
        if index >= 0:
            self.held[index] = value

    def window(self, start: int, end: int) -> Array:
        """Values of the minutes start <= m < end, NaN where there are none, (end - start,)."""
        out = np.full(max(end - start, 0), np.nan)
        low, high = max(start, self.first), min(end, self.first + len(self.held))
        if high > low:
            out[low - start : high - start] = self.held[low - self.first : high - self.first]
        return out

    def forget(self, start: int, end: int) -> None:
        """Take the values of start <= m < end away."""
        low, high = max(start, self.first), min(end, self.first + len(self.held))
        if high > low:
            self.held[low - self.first : high - self.first] = np.nan

    def latest(self, minute: int, back: int) -> tuple[float, int]:
        """Newest value in (minute - back, minute] and its minute; NaN and -1 where there is none."""
        value = self.get(minute)
        if value == value:
            return value, minute
        window = self.window(minute - back + 1, minute + 1)
        known = np.flatnonzero(~np.isnan(window))
        if len(known) == 0:
            return float("nan"), -1
        return float(window[known[-1]]), minute - back + 1 + int(known[-1])


@dataclass(frozen=True, slots=True)
class Doubted:
    """A span of one sensor's readings, ends included, that are no evidence, and why (`code`); what has `drifted` still
    is, with what it lacks.
    """

    place: str
    quantity: Quantity
    sensor: str
    code: SensorState
    first: datetime
    last: datetime


class Taken(NamedTuple):
    """What a reading did: the first minute whose evidence changed, and which readings of its sensor it put in doubt."""

    changed: int
    doubted: Doubted | None = None


@dataclass(slots=True)
class Track:
    """One sensor's record. `state`: its last reading's; silence is told by whoever knows the time."""

    place: str
    quantity: Quantity
    sensor: str
    minutes: MinuteSeries = field(default_factory=MinuteSeries)
    last: Reading | None = None
    trusted: Reading | None = None
    state: SensorState = SensorState.OK
    _count: dict[int, int] = field(default_factory=dict)
    digits: Digits = field(init=False)

    def __post_init__(self) -> None:
        self.digits = Digits(self.quantity)

    def admit(self, reading: Reading, around: Callable[[], Around]) -> Taken:
        """Judge a reading and keep it.

        around: tells what else is heard in the room now; asked only while the digits stay.
        """
        minute = minute_of(reading.time)
        if reading.retained:
            if self.last is None:
                self.last, self.state = reading, SensorState.RETAINED
            return Taken(minute + 1)
        newest = self.last is None or self.last.retained or reading.time >= self.last.time
        doubt = self._doubt(reading)
        since = self.digits.follow(reading, around) if newest and not doubt else None
        stuck_from = None if since is None else minute_of(since)
        doubt = doubt or (SensorState.STUCK if self.digits.stuck_at(reading.time) else None)
        if newest:
            self.last = reading
            self.state = doubt or SensorState.OK
        if stuck_from is not None:
            self._forget(stuck_from, minute + 1)
        if doubt:
            return Taken(minute + 1 if stuck_from is None else stuck_from, self._doubted(reading, doubt))
        self._add(minute, reading.value)
        if newest:
            self.trusted = reading
        return Taken(minute)

    def _doubted(self, reading: Reading, code: SensorState) -> Doubted:
        """The reading; of stuck digits all that have been heard so far: one span, which grows while they stay."""
        first = self.digits.since if code is SensorState.STUCK else None
        return Doubted(self.place, self.quantity, self.sensor, code, first or reading.time, reading.time)

    def _doubt(self, reading: Reading) -> SensorState | None:
        limits = LIMITS[self.quantity]
        if not limits.low <= reading.value <= limits.high:
            return SensorState.OUT_OF_RANGE
        before = self.trusted
        if before is None or reading.time < before.time:
            return None
        minutes = max((reading.time - before.time).total_seconds() / MINUTE_S, 1.0)
        jumped = abs(reading.value - before.value) > limits.change_per_min * minutes
        return SensorState.LEAPS if jumped else None

    def _forget(self, start: int, end: int) -> None:
        self.minutes.forget(start, end)
        for minute in [minute for minute in self._count if start <= minute < end]:
            del self._count[minute]

    def _add(self, minute: int, value: float) -> None:
        count = self._count.get(minute, 0)
        mean = value if count == 0 else self.minutes.get(minute) + (value - self.minutes.get(minute)) / (count + 1)
        self.minutes.set(minute, mean)
        self._count[minute] = count + 1
        if len(self._count) > 240:
            for old in sorted(self._count)[:120]:
                del self._count[old]
