"""Moist air at a wet surface, shared by all worlds: saturated vapour, heat transfer of a cylinder, Lewis relation."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

LATENT = 2.46e6  # J/kg near 18 degC (ASHRAE Handbook Fundamentals 2017, chapter 1; from memory)
MASS_PER_HEAT = 1.0 / (1.2 * 1006.0 * 0.86 ** (2 / 3))  # Lewis relation: m/s of mass transfer per W/m2K
DIFFUSIVITY = 2.5e-5  # m2/s of water vapour in air near 20 degC
CONDUCTIVITY = 0.0258  # W/mK of air near 20 degC
HEAT_CAPACITY = 1.2 * 1006.0  # J/m3K of air


def vapour_density(temperature_c: Array | float) -> Array:
    """Density of saturated vapour, kg/m3 (Buck 1996 saturation pressure over water, ideal gas)."""
    t = np.asarray(temperature_c, dtype=float)
    pressure = 611.21 * np.exp((18.678 - t / 234.5) * t / (257.14 + t))
    return np.asarray(pressure / (461.5 * (t + 273.15)))


def convection(speed: Array | float, diameter_m: float | Array) -> Array:
    """Heat transfer coefficient in W/m2K of a cylinder in cross-flow (Churchill and Bernstein 1977), with a still-air
    floor of 3 W/m2K, cubic blend."""
    re = np.maximum(np.asarray(speed, dtype=float) * diameter_m / 1.53e-5, 1e-6)
    pr = 0.71
    forced = (
        0.3 + 0.62 * re**0.5 * pr ** (1 / 3) / (1 + (0.4 / pr) ** (2 / 3)) ** 0.25 * (1 + (re / 282000) ** 0.625) ** 0.8
    )
    return np.asarray((3.0**3 + (forced * 0.0258 / diameter_m) ** 3) ** (1 / 3))
