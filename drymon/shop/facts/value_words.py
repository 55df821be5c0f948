"""Measured values as people in the room read them."""

from drymon.drying.quantities import RECORDED

_AS_SAID = {
    "Cel": ("°C", 1.0, 1),
    "%RH": ("%RH", 1.0, 1),
    "m/s": ("m/s", 1.0, 2),
    "kg": ("kg", 1.0, 3),
    "Pa": ("hPa", 0.01, 0),
    **{row.unit: (row.unit, 1.0, row.digits) for row in RECORDED.values()},
}
"""By default unit: what people call theirs, how many of it one is, and the decimals that say something."""


def value_words(value: float, unit: str) -> str:
    """`21.7 °C`, `52 %RH`, `1.284 kg`, `991 hPa`: a reading in its default unit, without digits that no sensor has."""
    theirs, many, decimals = _AS_SAID.get(unit, (unit, 1.0, 2))
    digits = f"{value * many:.{decimals}f}"
    if "." in digits:
        digits = digits.rstrip("0").rstrip(".")
    return f"{'0' if digits == '-0' else digits} {theirs}"
