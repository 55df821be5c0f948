"""Moist air: psychrometrics in SI units, vectorised over numpy arrays and plain numbers alike.

Equations and constants are those of ASHRAE Handbook Fundamentals (2017, SI), chapter 1, so that results agree with
other software built on it. Water vapour and dry air are ideal gases (no enhancement factor: humidity ratios come out
0.4-0.5 % below a real-gas mixture's). Saturation is always over LIQUID water, below 0 degC as well: a wet coat holds
supercooled water, not frost, and humidity sensors are calibrated over liquid.

Arguments broadcast against each other. NaN passes through. A value outside the range given at its name below
raises ``ValueError``.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Values = float | NDArray[np.float64]
"""One number (numpy's float64 is a float too) or an array of them."""

TEMPERATURE_RANGE_C: Final = (-40.0, 90.0)
HUMIDITY_RANGE_PCT: Final = (0.0, 100.0)
PRESSURE_RANGE_PA: Final = (30_000.0, 120_000.0)
ALTITUDE_RANGE_M: Final = (-500.0, 9_000.0)

STANDARD_PRESSURE_PA: Final = 101_325.0
KELVIN: Final = 273.15
VAPOUR_GAS_CONSTANT: Final = 461.526  # J/(kg K), 8.314472 / 18.015268e-3
DRY_AIR_GAS_CONSTANT: Final = 287.042  # J/(kg K), ASHRAE 2017 ch. 1 eq. 1
MASS_RATIO: Final = 0.621945  # molar mass of water over that of dry air, ASHRAE 2017 ch. 1 eq. 20

# Heat of dry air, vapour and water (J/(kg K)), vaporisation at 0 degC (J/kg): ASHRAE 2017 ch. 1 eq. 30, 33
DRY_AIR_HEAT: Final = 1006.0
VAPOUR_HEAT: Final = 1860.0
LIQUID_HEAT: Final = 4186.0
VAPORISATION_AT_0C: Final = 2.501e6


def plain(values: Values) -> Values:
    """The same; one number as a plain float: numpy's own reckons with the same digits, but takes a multiple of the
    time.
    """
    return float(values) if isinstance(values, float) else values


def require_range(name: str, values: Values, allowed: tuple[float, float], unit: str) -> None:
    """Raise ``ValueError`` naming the first value outside ``allowed`` (both ends included); NaN passes."""
    low, high = allowed
    if isinstance(values, (float, int)):
        if not (values < low or values > high):
            return
        received = float(values)
    else:
        outside = (values < low) | (values > high)
        if not outside.any():
            return
        received = float(np.asarray(values)[outside].flat[0])
    raise ValueError(
        f"{name}: received {received:g} {unit}, allowed is {low:g} to {high:g} {unit}; check the sensor and its unit"
    )


def _require_temperature(temperature_c: Values) -> None:
    require_range("temperature", temperature_c, TEMPERATURE_RANGE_C, "degC")


def _require_air(temperature_c: Values, humidity_pct: Values) -> None:
    _require_temperature(temperature_c)
    require_range("relative humidity", humidity_pct, HUMIDITY_RANGE_PCT, "%")


def _require_pressure(pressure_pa: Values) -> None:
    require_range("pressure", pressure_pa, PRESSURE_RANGE_PA, "Pa")


def _log_saturation(kelvin: Values) -> Values:
    """Logarithm of the saturation pressure in Pa: Hyland & Wexler 1983, as ASHRAE 2017 ch. 1 eq. 6."""
    polynomial = 1.3914993 + kelvin * (-4.8640239e-2 + kelvin * (4.1764768e-5 - 1.4452093e-8 * kelvin))
    logarithm: Values = polynomial - 5.8002206e3 / kelvin + 6.5459673 * plain(np.log(kelvin))
    return logarithm


def _log_slope(kelvin: Values) -> Values:
    """Derivative of ``_log_saturation`` by temperature, 1/K."""
    polynomial = -4.8640239e-2 + kelvin * (8.3529536e-5 - 4.3356279e-8 * kelvin)
    return polynomial + (6.5459673 + 5.8002206e3 / kelvin) / kelvin


def saturation_and_slope(temperature_c: Values) -> tuple[Values, Values]:
    """Saturation pressure (Pa) and its derivative (Pa/K), for inner loops: no range check."""
    kelvin = temperature_c + KELVIN
    pressure = plain(np.exp(_log_saturation(kelvin)))
    return pressure, pressure * _log_slope(kelvin)


def saturation_pressure(temperature_c: Values) -> Values:
    """Saturation vapour pressure over liquid water, Pa.

    Hyland & Wexler 1983 as ASHRAE 2017 ch. 1 eq. 6; within 0.03 % of IAPWS-95 from 1 to 60 degC, an extrapolation to
    supercooled water below 0 degC.
    """
    _require_temperature(temperature_c)
    return saturation_and_slope(temperature_c)[0]


def saturation_slope(temperature_c: Values) -> Values:
    """Derivative of the saturation vapour pressure by temperature, Pa/K (that equation differentiated)."""
    _require_temperature(temperature_c)
    return saturation_and_slope(temperature_c)[1]


def vapour_pressure(temperature_c: Values, humidity_pct: Values) -> Values:
    """Partial pressure of water vapour, Pa (ASHRAE 2017 ch. 1 eq. 22)."""
    _require_air(temperature_c, humidity_pct)
    return humidity_pct / 100.0 * saturation_and_slope(temperature_c)[0]


def vapour_pressure_deficit(temperature_c: Values, humidity_pct: Values) -> Values:
    """Saturation pressure at the air's own temperature minus the vapour's pressure, Pa."""
    _require_air(temperature_c, humidity_pct)
    return (1.0 - humidity_pct / 100.0) * saturation_and_slope(temperature_c)[0]


def vapour_concentration(temperature_c: Values, vapour_pressure_pa: Values) -> Values:
    """Mass of water vapour in a volume of air, kg/m3 (ideal gas)."""
    _require_temperature(temperature_c)
    return vapour_pressure_pa / (VAPOUR_GAS_CONSTANT * (temperature_c + KELVIN))


def _ratio(vapour_pressure_pa: Values, pressure_pa: Values) -> Values:
    return MASS_RATIO * vapour_pressure_pa / (pressure_pa - vapour_pressure_pa)


def humidity_ratio(temperature_c: Values, humidity_pct: Values, pressure_pa: Values = STANDARD_PRESSURE_PA) -> Values:
    """Water vapour in kg per kg of dry air (ASHRAE 2017 ch. 1 eq. 20)."""
    _require_pressure(pressure_pa)
    return _ratio(vapour_pressure(temperature_c, humidity_pct), pressure_pa)


def humidity_from_ratio(
    temperature_c: Values, humidity_ratio: Values, pressure_pa: Values = STANDARD_PRESSURE_PA
) -> Values:
    """Relative humidity in % of air that holds ``humidity_ratio`` kg of vapour per kg of dry air.

    The inverse of ``humidity_ratio``. Above 100 % means more than the air can hold: fog, or a forecast that needs
    care.
    """
    _require_pressure(pressure_pa)
    require_range("humidity ratio", humidity_ratio, (0.0, 1.0), "kg/kg")
    pressure = pressure_pa * humidity_ratio / (MASS_RATIO + humidity_ratio)
    return 100.0 * pressure / saturation_pressure(temperature_c)


def dew_point(temperature_c: Values, humidity_pct: Values) -> Values:
    """Temperature at which the vapour would saturate over liquid water, degC (never a frost point).

    Inverts the saturation equation by Newton steps on the logarithm of pressure, in 1/T nearly a straight line.
    Humidity 0.1 to 100 %: dry air has no dew point.
    """
    _require_temperature(temperature_c)
    require_range("relative humidity for a dew point", humidity_pct, (0.1, 100.0), "%")
    kelvin = temperature_c + KELVIN
    target = _log_saturation(kelvin) + np.log(humidity_pct / 100.0)
    for _ in range(4):
        error = _log_saturation(kelvin) - target
        kelvin = kelvin / (1.0 + error / (_log_slope(kelvin) * kelvin))
    return kelvin - KELVIN


def wet_bulb(temperature_c: Values, humidity_pct: Values, pressure_pa: Values = STANDARD_PRESSURE_PA) -> Values:
    """Thermodynamic wet-bulb temperature over liquid water, degC (ASHRAE 2017 ch. 1 eq. 33).

    Within 0.002 K of ASHRAE-based references above 0 degC. The wet bulb of evaporating liquid, also below 0 degC.
    """
    _require_air(temperature_c, humidity_pct)
    _require_pressure(pressure_pa)
    saturation = saturation_and_slope(temperature_c)
    if not np.ndim(saturation[0]) and not np.ndim(humidity_pct) and not np.ndim(pressure_pa):
        return solve_wet_bulb(temperature_c, humidity_pct, pressure_pa, saturation)
    return _blockwise_wet_bulb(*np.broadcast_arrays(temperature_c, humidity_pct, pressure_pa))


def _blockwise_wet_bulb(
    temperature: NDArray[np.float64], humidity: NDArray[np.float64], pressure: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Work in blocks that stay in the processor's cache: over twice as fast on a million values."""
    size = 8192
    columns = [np.ravel(column) for column in (temperature, humidity, pressure)]
    result = np.empty(temperature.size)
    for start in range(0, result.size, size):
        t, rh, p = (column[start : start + size] for column in columns)
        result[start : start + size] = solve_wet_bulb(t, rh, p, saturation_and_slope(t))
    return result.reshape(temperature.shape)


def solve_wet_bulb(
    temperature_c: Values, humidity_pct: Values, pressure_pa: Values, saturation: tuple[Values, Values]
) -> Values:
    """``wet_bulb`` for inner loops that hold ``saturation_and_slope(temperature_c)``: no range check."""
    ratio = _ratio(humidity_pct / 100.0 * saturation[0], pressure_pa)
    bulb = _wet_bulb_start(temperature_c, humidity_pct, pressure_pa, saturation)
    for _ in range(3):
        bulb = _wet_bulb_step(bulb, temperature_c, ratio, pressure_pa)
    return bulb


def _wet_bulb_start(
    temperature_c: Values, humidity_pct: Values, pressure_pa: Values, saturation: tuple[Values, Values]
) -> Values:
    """A first guess: saturation taken as a parabola, psychrometer coefficient 6.6e-4 /K."""
    pressure, slope = saturation
    deficit = (1.0 - humidity_pct / 100.0) * pressure
    linear = slope + 6.6e-4 * pressure_pa
    curvature = slope * slope / pressure
    root = np.sqrt(np.maximum(linear * linear - 2.0 * curvature * deficit, 0.0))
    return temperature_c - 2.0 * deficit / (linear + plain(root))


def _wet_bulb_step(bulb: Values, temperature_c: Values, ratio: Values, pressure_pa: Values) -> Values:
    """One Newton step on ASHRAE 2017 ch. 1 eq. 33, multiplied out so that it stays smooth and convex."""
    pressure, slope = saturation_and_slope(bulb)
    dry = pressure_pa - pressure
    saturated = MASS_RATIO * pressure / dry
    latent = VAPORISATION_AT_0C + (VAPOUR_HEAT - LIQUID_HEAT) * bulb
    carried = VAPORISATION_AT_0C + VAPOUR_HEAT * temperature_c - LIQUID_HEAT * bulb
    residual = latent * saturated - DRY_AIR_HEAT * (temperature_c - bulb) - ratio * carried
    steepness = (
        latent * MASS_RATIO * pressure_pa / (dry * dry) * slope
        + (VAPOUR_HEAT - LIQUID_HEAT) * saturated
        + DRY_AIR_HEAT
        + LIQUID_HEAT * ratio
    )
    return bulb - residual / steepness


def enthalpy(temperature_c: Values, humidity_ratio: Values) -> Values:
    """Enthalpy in J per kg of dry air, zero at 0 degC with liquid water (ASHRAE 2017 ch. 1 eq. 30)."""
    _require_temperature(temperature_c)
    return DRY_AIR_HEAT * temperature_c + humidity_ratio * (VAPORISATION_AT_0C + VAPOUR_HEAT * temperature_c)


def density(temperature_c: Values, humidity_pct: Values, pressure_pa: Values = STANDARD_PRESSURE_PA) -> Values:
    """Density of moist air, kg/m3 (ideal gases); 0.02-0.05 % below CIPM-2007."""
    _require_pressure(pressure_pa)
    return density_from_vapour(temperature_c, vapour_pressure(temperature_c, humidity_pct), pressure_pa)


def density_from_vapour(temperature_c: Values, vapour_pressure_pa: Values, pressure_pa: Values) -> Values:
    """``density`` where the vapour pressure is already known, kg/m3: no range check."""
    dry = pressure_pa - (1.0 - MASS_RATIO) * vapour_pressure_pa
    return dry / (DRY_AIR_GAS_CONSTANT * (temperature_c + KELVIN))


def latent_heat(temperature_c: Values) -> Values:
    """Latent heat of vaporisation of water, J/kg (FAO-56 eq. 3-1; within 0.1 % of IAPWS-95 up to 60 degC)."""
    _require_temperature(temperature_c)
    return 2.501e6 - 2361.0 * temperature_c


def standard_pressure(altitude_m: Values) -> Values:
    """Pressure of the standard atmosphere at ``altitude_m`` above the sea, Pa (ASHRAE 2017 ch. 1 eq. 3)."""
    require_range("altitude", altitude_m, ALTITUDE_RANGE_M, "m")
    return STANDARD_PRESSURE_PA * (1.0 - 2.25577e-5 * altitude_m) ** 5.2559


def psychrometric_constant(pressure_pa: Values = STANDARD_PRESSURE_PA) -> Values:
    """Psychrometric constant, Pa/K (FAO-56 eq. 8)."""
    _require_pressure(pressure_pa)
    return 0.665e-3 * pressure_pa


def psychrometer_vapour_pressure(
    dry_bulb_c: Values,
    wet_bulb_c: Values,
    pressure_pa: Values = STANDARD_PRESSURE_PA,
    coefficient: float = 0.000662,
) -> Values:
    """Vapour pressure from a wet- and dry-bulb thermometer, Pa (FAO-56 eq. 15-16).

    ``coefficient`` of the psychrometer, 1/K: 0.000662 ventilated at about 5 m/s, 0.000800 naturally ventilated at
    about 1 m/s, 0.001200 in still indoor air. Below zero means that the readings contradict each other.
    """
    _require_pressure(pressure_pa)
    return saturation_pressure(wet_bulb_c) - coefficient * pressure_pa * (dry_bulb_c - wet_bulb_c)
