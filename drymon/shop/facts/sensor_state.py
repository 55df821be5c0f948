"""What may be thought of a sensor's last word."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from enum import StrEnum


class SensorState(StrEnum):
    """The value is what topics, records and commands say.

    LEAPS: a value that moved faster than air does. A coat that loses its water too fast is told by the same word, but
    that is a reason (`ReasonCode`).
    """

    OK = "ok"
    SILENT = "silent"
    STUCK = "stuck"
    OUT_OF_RANGE = "out-of-range"
    LEAPS = "too-fast"
    DRIFTED = "drifted"
    DISAGREES = "disagrees"
    RETAINED = "retained"


AS_MEASURED: Mapping[str, str] = {
    SensorState.DRIFTED: "had drifted",
    SensorState.DISAGREES: "disagreed with the others",
}
"""States of a sensor whose readings stay in the record as they were measured, and what is said of it."""


def is_silent(last: datetime, now: datetime, stale_after: timedelta) -> bool:
    """Whether a sensor that was heard `last` has been silent for too long."""
    return now - last > stale_after
