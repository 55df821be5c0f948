"""The quantities that drymon understands: unit, and beyond which bounds a reading can only be a fault.

They are the service's own; sensors/tests/joined compares them.
"""

from __future__ import annotations

from typing import NamedTuple


class Quantity(NamedTuple):
    """unit: of its readings; low, high: beyond them no shop's sensor can mean what it says."""

    unit: str
    low: float
    high: float
    named: str = ""  # what the last level of the topic must name, where it must


QUANTITIES = {
    "temperature": Quantity("Cel", -60.0, 150.0),
    "humidity": Quantity("%RH", 0.0, 110.0),
    "airflow": Quantity("m/s", 0.0, 60.0),
    "weight": Quantity("kg", -2000.0, 2000.0, "cell"),
    "pressure": Quantity("Pa", 30_000.0, 120_000.0),
    "surface": Quantity("Cel", -60.0, 150.0, "probe"),
    "co2": Quantity("ppm", 0.0, 100_000.0),
}

MASS_UNITS = {"kg": 1.0, "g": 1e-3, "lb": 0.45359237, "oz": 0.45359237 / 16.0}
"""Kilograms in one; pound and ounce are exact by the international agreement of 1959."""

TEMPERATURE_UNITS = {"Cel": "Cel", "C": "Cel", "degC": "Cel", "°C": "Cel", "F": "degF", "degF": "degF", "°F": "degF"}
"""What scales and people write, and what the service calls it."""
