"""One measured value, as the rest of drymon sees it."""

from dataclasses import dataclass
from datetime import datetime

from drymon.drying.quantities import Quantity


@dataclass(frozen=True, slots=True)
class Reading:
    """A value in the quantity's default unit, at a place, at a time.

    time: when it was measured (aware, UTC); the arrival where the sensor has no clock.
    arrived: when drymon got it (aware, UTC). Never before `time` by more than the allowed clock error.
    place: a rack's name or "room".
    sensor: last level of the topic; "" where the topic names none. For weight the cell, for surface the probe.
    timed: the payload carried its own time (decides how repeats are told apart).
    device, boot, seq: the node's own numbering, where it has one.
    retained: the broker's last known value, handed over at subscription: never fresh evidence.
    """

    time: datetime
    arrived: datetime
    place: str
    quantity: Quantity
    value: float
    sensor: str = ""
    timed: bool = False
    device: str | None = None
    boot: str | None = None
    seq: int | None = None
    retained: bool = False
