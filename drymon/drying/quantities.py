"""What a sensor can measure, in which unit, and when its word is doubted: the one table of limits and windows.

The limits are common practice (no source) unless a row says otherwise; they sort out broken sensors, not bad weather.
"""

from dataclasses import dataclass
from enum import StrEnum


class Quantity(StrEnum):
    """The quantities of the topics; the value is the topic level."""

    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"
    AIRFLOW = "airflow"
    WEIGHT = "weight"
    PRESSURE = "pressure"
    SURFACE = "surface"


@dataclass(frozen=True, slots=True)
class Limits:
    """When a reading is evidence.

    unit: default unit (SenML registry, RFC 8428 section 12.1).
    low, high: outside is impossible for a drying room: stored, flagged `out-of-range`, no evidence.
    change_per_min: a faster change against the last trusted reading of the same sensor is flagged `too-fast`.
    stuck_after_min: identical digits for this long are flagged `stuck` from their first one on, if `partner` moved
    meanwhile (`shop.digits` has the rest of it).
    partner, partner_moves: the related quantity and by how much it must have moved; None: the sensor's own liveliness
        before (DIFFERENT_VALUES other values) is what makes sudden rest suspect.
    """

    unit: str
    low: float
    high: float
    change_per_min: float
    stuck_after_min: float | None = None
    partner: Quantity | None = None
    partner_moves: float = 0.0


DIFFERENT_VALUES = 6
"""What moves shows this many different values: one step in the air is no proof."""

LIMITS: dict[Quantity, Limits] = {
    Quantity.TEMPERATURE: Limits("Cel", -10.0, 50.0, 5.0, 60.0, Quantity.HUMIDITY, 5.0),
    # No drying room is near 5 %RH; a fraction sent as %RH (0.4 to 1.02) or a cable that broke is.
    Quantity.HUMIDITY: Limits("%RH", 5.0, 100.0, 25.0, 45.0, Quantity.TEMPERATURE, 1.0),
    # Still air is honest: a speed of zero may stay for days, so airflow is never stuck at zero.
    Quantity.AIRFLOW: Limits("m/s", 0.0, 20.0, 60.0, 45.0),
    Quantity.WEIGHT: Limits("kg", -5.0, 500.0, float("inf")),
    Quantity.PRESSURE: Limits("Pa", 50_000.0, 110_000.0, 2_000.0),
    Quantity.SURFACE: Limits("Cel", -10.0, 60.0, 20.0),
}
