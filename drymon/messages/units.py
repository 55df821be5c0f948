"""The units that a shop's sensors speak, and the way from each to the default unit of its quantity.

Between the limits of `drymon.drying.quantities.LIMITS` and what is impossible, a reading is kept and flagged.
"""

from math import isfinite

from drymon.drying.quantities import LIMITS, Quantity, Unit

UNITS = {quantity: row.units for quantity, row in LIMITS.items()}
IMPOSSIBLE = {quantity: row.possible for quantity, row in LIMITS.items()}


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
