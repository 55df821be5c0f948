"""The units that a shop's sensors speak, and the way from each to the default unit of its quantity.

Unit names are those of the SenML registry (RFC 8428 section 12.1, RFC 8798 section 3) with the usual shop
spellings beside them. Factors: pound, ounce, foot and mile are exact by the international agreement of 1959;
the inch and the millimetre of mercury are the conventional ones (NIST SP 811, appendix B.8).
"""

from dataclasses import dataclass
from math import isfinite

from drymon.drying.quantities import LIMITS, Quantity


@dataclass(frozen=True, slots=True)
class Unit:
    """value in the default unit = factor * (value + offset)."""

    factor: float
    offset: float = 0.0


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

UNITS: dict[Quantity, dict[str, Unit]] = {
    Quantity.TEMPERATURE: _TEMPERATURE,
    Quantity.HUMIDITY: _HUMIDITY,
    Quantity.AIRFLOW: _AIRFLOW,
    Quantity.WEIGHT: _WEIGHT,
    Quantity.PRESSURE: _PRESSURE,
    Quantity.SURFACE: _TEMPERATURE,
}

IMPOSSIBLE: dict[Quantity, tuple[float, float]] = {
    Quantity.TEMPERATURE: (-60.0, 150.0),
    Quantity.HUMIDITY: (0.0, 110.0),
    Quantity.AIRFLOW: (0.0, 60.0),
    Quantity.WEIGHT: (-2000.0, 2000.0),
    Quantity.PRESSURE: (30_000.0, 120_000.0),
    Quantity.SURFACE: (-60.0, 150.0),
}
"""Beyond these no shop's sensor can mean what it says (common practice, no source): refused at the door.

Between the narrower limits of `drymon.drying.quantities.LIMITS` and these, a reading is kept and flagged.
"""


def allowed_units(quantity: Quantity) -> str:
    """The units of a quantity, for a person."""
    return ", ".join(UNITS[quantity])


def unit_problem(quantity: Quantity, unit: str) -> str | None:
    """What is wrong with a unit for this quantity, or None."""
    if unit in UNITS[quantity]:
        return None
    owners = [other.value for other, units in UNITS.items() if unit in units]
    whose = f", a unit of {' and '.join(owners)}" if owners else ""
    return f"unit: received {unit[:40]!r}{whose}; allowed for {quantity} are {allowed_units(quantity)}"


def to_default(quantity: Quantity, value: float, unit: str | None = None) -> float:
    """A value in the quantity's default unit (given in `LIMITS`); `unit` None means that it already is.

    Raises ValueError, with what was received and what is allowed, for a unit that is unknown or of another
    quantity, for a value that is not finite, and for one beyond `IMPOSSIBLE`.
    """
    if unit is not None and (problem := unit_problem(quantity, unit)):
        raise ValueError(problem)
    rule = UNITS[quantity][unit] if unit is not None else Unit(1.0)
    converted = rule.factor * (value + rule.offset)
    low, high = IMPOSSIBLE[quantity]
    # A hair of tolerance: 0 %RH or still air must not be refused for the last digit of a conversion.
    if not isfinite(converted) or not low - 1e-9 <= converted <= high + 1e-9:
        default = LIMITS[quantity].unit
        raise ValueError(
            f"{quantity}: received {value:g} {unit or default}; possible are {low:g} to {high:g} {default}"
        )
    return min(max(converted, low), high)
