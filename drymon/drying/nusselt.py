"""Correlations of heat transfer, side by side and named by author. Each result says whether it lies in its range.

``reynolds``, ``prandtl``, ``rayleigh`` (dimensionless) broadcast against each other. A value outside the published
range is still computed, never refused, but ``valid`` is False there and the caller must look. Room turbulence alone
moves true coefficients by tens of per cent against any of these: they set the trend, weighings set the level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drymon.drying.air import Values, plain

Marks = bool | np.bool_ | NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Correlated:
    """A correlation's result and whether it was used inside its published range (same shape)."""

    value: Values
    valid: Marks


def plate_laminar(reynolds: Values, prandtl: Values) -> Correlated:
    """Flat plate, laminar, mean Nusselt number: Pohlhausen (Incropera 6th ed. eq. 7.30).

    Re < 5e5, Pr > 0.6; Re on the plate's length.
    """
    value = 0.664 * np.sqrt(reynolds) * np.cbrt(prandtl)
    return Correlated(value, (reynolds > 0.0) & (reynolds < 5e5) & (prandtl > 0.6))


def plate_mixed(reynolds: Values, prandtl: Values) -> Correlated:
    """Flat plate, laminar then turbulent from Re 5e5 on, mean Nusselt number (Incropera 6th ed. eq. 7.38).

    5e5 < Re < 1e8, 0.6 < Pr < 60.
    """
    value = (0.037 * reynolds**0.8 - 871.0) * np.cbrt(prandtl)
    return Correlated(value, (reynolds >= 5e5) & (reynolds <= 1e8) & (prandtl > 0.6) & (prandtl < 60.0))


def cylinder_churchill_bernstein(reynolds: Values, prandtl: Values) -> Correlated:
    """Cylinder in cross-flow, mean Nusselt number: Churchill & Bernstein 1977, J. Heat Transfer 99:300 eq. 9.

    Re Pr > 0.2, Re on the diameter.
    """
    slow = 0.62 * plain(np.cbrt(prandtl)) / (1.0 + (0.4 / prandtl) ** (2.0 / 3.0)) ** 0.25
    value = 0.3 + slow * plain(np.sqrt(reynolds)) * (1.0 + (reynolds / 282_000.0) ** 0.625) ** 0.8
    return Correlated(value, reynolds * prandtl > 0.2)


# Zukauskas's steps: Re below, factor, exponent (Incropera 6th ed. table 7.4)
_ZUKAUSKAS = ((40.0, 0.75, 0.4), (1e3, 0.51, 0.5), (2e5, 0.26, 0.6), (1e6, 0.076, 0.7))


def cylinder_zukauskas(reynolds: Values, prandtl: Values) -> Correlated:
    """Cylinder in cross-flow, mean Nusselt number: Zukauskas 1972, fluid and surface equally warm.

    1 < Re < 1e6, 0.7 < Pr < 500; jumps by some per cent between its four Reynolds ranges.
    """
    step = np.minimum(np.searchsorted([row[0] for row in _ZUKAUSKAS], reynolds, side="right"), len(_ZUKAUSKAS) - 1)
    factor = np.array([row[1] for row in _ZUKAUSKAS])[step]
    exponent = np.array([row[2] for row in _ZUKAUSKAS])[step]
    value = factor * reynolds**exponent * prandtl ** np.where(np.asarray(prandtl) <= 10.0, 0.37, 0.36)
    return Correlated(value, (reynolds >= 1.0) & (reynolds <= 1e6) & (prandtl >= 0.7) & (prandtl <= 500.0))


def sphere_ranz_marshall(reynolds: Values, prandtl: Values) -> Correlated:
    """Sphere or drop, mean Nusselt number: Ranz & Marshall 1952. Measured on drops, 0 <= Re <= 200."""
    value = 2.0 + 0.6 * np.sqrt(reynolds) * np.cbrt(prandtl)
    return Correlated(value, (reynolds >= 0.0) & (reynolds <= 200.0))


def sphere_whitaker(reynolds: Values, prandtl: Values, viscosity_ratio: Values = 1.0) -> Correlated:
    """Sphere, mean Nusselt number: Whitaker 1972, AIChE J. 18:361. ``viscosity_ratio``: fluid over surface.

    3.5 < Re < 7.6e4, 0.71 < Pr < 380 (air's 0.70 is let in).
    """
    flow = 0.4 * np.sqrt(reynolds) + 0.06 * np.cbrt(reynolds) ** 2
    value = 2.0 + flow * prandtl**0.4 * viscosity_ratio**0.25
    return Correlated(value, (reynolds >= 3.5) & (reynolds <= 7.6e4) & (prandtl >= 0.70) & (prandtl <= 380.0))


def vertical_plate_churchill_chu(rayleigh: Values, prandtl: Values) -> Correlated:
    """Vertical plate in still air, mean Nusselt number: Churchill & Chu 1975, Int. J. Heat Mass Transfer 18:1323.

    0 <= Ra <= 1e12. Beside a wet surface take Ra from the density difference, vapour included.
    """
    shape = (1.0 + (0.492 / prandtl) ** (9.0 / 16.0)) ** (8.0 / 27.0)
    value = (0.825 + 0.387 * rayleigh ** (1.0 / 6.0) / shape) ** 2
    return Correlated(value, (rayleigh >= 0.0) & (rayleigh <= 1e12))


def level_plate_rising(rayleigh: Values) -> Correlated:
    """Level plate, warm or light air rising from it, mean Nusselt number: Lloyd & Moran 1974, McAdams 1954 (Incropera
    6th ed. eq. 9.30, 9.31). 1e4 <= Ra <= 1e11, Ra on area over rim.
    """
    value = np.where(np.asarray(rayleigh) < 1e7, 0.54 * rayleigh**0.25, 0.15 * np.cbrt(rayleigh))
    return Correlated(value, (rayleigh >= 1e4) & (rayleigh <= 1e11))


def level_plate_lying(rayleigh: Values) -> Correlated:
    """Level plate, cold or heavy air lying on it, mean Nusselt number: McAdams 1954 (Incropera 6th ed. eq. 9.32).

    1e5 <= Ra <= 1e10, Ra on area over rim.
    """
    return Correlated(0.27 * rayleigh**0.25, (rayleigh >= 1e5) & (rayleigh <= 1e10))


def combined(forced: Correlated, natural: Correlated) -> Correlated:
    """Forced and natural convection together, assisting: cubes add (Incropera 6th ed. eq. 9.64)."""
    value = plain(np.cbrt(forced.value**3 + natural.value**3))
    return Correlated(value, forced.valid & natural.valid)


def tray_parallel(mass_flux: Values) -> Correlated:
    """Heat transfer COEFFICIENT in W/(m2 K), hot air along a tray: Geankoplis 3rd ed. eq. 9.6-8.

    ``mass_flux`` of the air in kg/(m2 h), 2450 to 29300. Measured at 45 to 150 degC, 0.61 to 7.6 m/s.
    """
    return Correlated(0.0204 * mass_flux**0.8, (mass_flux >= 2450.0) & (mass_flux <= 29300.0))


def tray_impinging(mass_flux: Values) -> Correlated:
    """Heat transfer COEFFICIENT in W/(m2 K), air straight onto a tray: Geankoplis 3rd ed. eq. 9.6-9.

    ``mass_flux`` of the air in kg/(m2 h), 3900 to 19500. Measured at 0.9 to 4.6 m/s.
    """
    return Correlated(1.17 * mass_flux**0.37, (mass_flux >= 3900.0) & (mass_flux <= 19500.0))
