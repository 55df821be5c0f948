"""What a sensor can measure: units, limits, when its word is doubted, how it is told. The one table of quantities.

The limits are common practice (no source) unless a row says otherwise; they sort out broken sensors, not bad weather.
Unit names are those of the SenML registry (RFC 8428 section 12.1, RFC 8798 section 3) with the usual shop
spellings beside them. Factors: pound, ounce, foot and mile are exact by the international agreement of 1959;
the inch and the millimetre of mercury are the conventional ones (NIST SP 811, appendix B.8).
"""

from collections.abc import Mapping
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
    CO2 = "co2"


@dataclass(frozen=True, slots=True)
class Unit:
    """value in the default unit = factor * (value + offset)."""

    factor: float
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class Limits:
    """A quantity's units, and when a reading is evidence.

    unit: default unit.
    units: every unit that may arrive.
    possible: beyond these no shop's sensor can mean what it says: refused at the door.
    low, high: outside is impossible for a drying room: stored, flagged `out-of-range`, no evidence.
    change_per_min: a faster change against the last trusted reading of the same sensor is flagged `too-fast`.
    stuck_after_min: identical digits for this long are flagged `stuck` from their first one on, if `partner` moved
    meanwhile (`shop.digits` has the rest of it).
    partner, partner_moves: the related quantity and by how much it must have moved; None: the sensor's own liveliness
        before (DIFFERENT_VALUES other values) is what makes sudden rest suspect.
    """

    unit: str
    units: Mapping[str, Unit]
    possible: tuple[float, float]
    low: float
    high: float
    change_per_min: float
    stuck_after_min: float | None = None
    partner: Quantity | None = None
    partner_moves: float = 0.0


DIFFERENT_VALUES = 6
"""What moves shows this many different values: one step in the air is no proof."""

_TEMPERATURE = {
    "Cel": Unit(1.0),
    "degC": Unit(1.0),
    "°C": Unit(1.0),
    "C": Unit(1.0),
    "degF": Unit(5.0 / 9.0, -32.0),
    "°F": Unit(5.0 / 9.0, -32.0),
    "F": Unit(5.0 / 9.0, -32.0),
    "K": Unit(1.0, -273.15),
}
_HUMIDITY = {
    "%RH": Unit(1.0),
    "%": Unit(1.0),
    "1": Unit(100.0),
    "/": Unit(100.0),  # the registry's name for a ratio
}
_AIRFLOW = {
    "m/s": Unit(1.0),
    "ft/min": Unit(0.3048 / 60.0),
    "fpm": Unit(0.3048 / 60.0),
    "ft/s": Unit(0.3048),
    "km/h": Unit(1.0 / 3.6),
    "mph": Unit(1609.344 / 3600.0),
}
_WEIGHT = {
    "kg": Unit(1.0),
    "g": Unit(1e-3),
    "lb": Unit(0.45359237),
    "oz": Unit(0.45359237 / 16.0),
}
_PRESSURE = {
    "Pa": Unit(1.0),
    "hPa": Unit(100.0),
    "kPa": Unit(1000.0),
    "mbar": Unit(100.0),
    "bar": Unit(1e5),
    "inHg": Unit(3386.389),
    "mmHg": Unit(133.3224),
}
_CO2 = {
    "ppm": Unit(1.0),
    "%": Unit(1e4),
}

LIMITS: dict[Quantity, Limits] = {
    Quantity.TEMPERATURE: Limits("Cel", _TEMPERATURE, (-60.0, 150.0), -10.0, 50.0, 5.0, 60.0, Quantity.HUMIDITY, 5.0),
    # No drying room is near 5 %RH; a fraction sent as %RH (0.4 to 1.02) or a cable that broke is.
    Quantity.HUMIDITY: Limits("%RH", _HUMIDITY, (0.0, 110.0), 5.0, 100.0, 25.0, 45.0, Quantity.TEMPERATURE, 1.0),
    # Still air is honest: a speed of zero may stay for days, so airflow is never stuck at zero.
    Quantity.AIRFLOW: Limits("m/s", _AIRFLOW, (0.0, 60.0), 0.0, 20.0, 60.0, 45.0),
    Quantity.WEIGHT: Limits("kg", _WEIGHT, (-2000.0, 2000.0), -5.0, 500.0, float("inf")),
    Quantity.PRESSURE: Limits("Pa", _PRESSURE, (30_000.0, 120_000.0), 50_000.0, 110_000.0, 2_000.0),
    Quantity.SURFACE: Limits("Cel", _TEMPERATURE, (-60.0, 150.0), -10.0, 60.0, 20.0),
    # Air outdoors has 400 to 450 ppm; a sensor that says much less is out of adjustment. Breath on one leaps.
    Quantity.CO2: Limits("ppm", _CO2, (0.0, 100_000.0), 250.0, 10_000.0, 5_000.0),
}


@dataclass(frozen=True, slots=True)
class Recorded:
    """A quantity of a rack's air that is recorded, drawn and held against bands, and that no verdict rests on.

    key: in room.toml, in topics and in records.
    name, unit, digits: as people read it.
    settled: how far inside its band it must be to count as back.
    least: least height of its picture's axis.
    to_do: what a person does where it is out of its band.
    """

    key: str
    name: str
    unit: str
    digits: int
    settled: float
    least: float
    to_do: str


RECORDED: dict[Quantity, Recorded] = {
    # People work in the room: much CO2 says that too little fresh air comes in (common practice, no source).
    Quantity.CO2: Recorded("co2_ppm", "CO2", "ppm", 0, 50.0, 200.0, "Open up: people work here."),
}
"""Shown where a sensor tells it, or a coat asks for a band of it."""
