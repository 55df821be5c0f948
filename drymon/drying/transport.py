"""Transport properties of air and water near room conditions, SI, vectorised over numpy arrays and plain numbers.

Temperatures -40 to 90 degC, pressures 30 to 120 kPa (``ValueError`` outside). Dry-air values; the moisture of a room
changes viscosity and conductivity by less than 0.5 %.
"""

from __future__ import annotations

import numpy as np

from drymon.drying.air import (
    DRY_AIR_GAS_CONSTANT,
    DRY_AIR_HEAT,
    KELVIN,
    PRESSURE_RANGE_PA,
    STANDARD_PRESSURE_PA,
    TEMPERATURE_RANGE_C,
    VAPOUR_HEAT,
    Values,
    plain,
    require_range,
)


def _kelvin(temperature_c: Values) -> Values:
    require_range("temperature", temperature_c, TEMPERATURE_RANGE_C, "degC")
    return temperature_c + KELVIN


def dynamic_viscosity(temperature_c: Values) -> Values:
    """Dynamic viscosity of air, Pa s (Sutherland's law, US Standard Atmosphere 1976 eq. 51)."""
    kelvin = _kelvin(temperature_c)
    return 1.458e-6 * kelvin * plain(np.sqrt(kelvin)) / (kelvin + 110.4)


def thermal_conductivity(temperature_c: Values) -> Values:
    """Thermal conductivity of air, W/(m K) (US Standard Atmosphere 1976 eq. 53)."""
    kelvin = _kelvin(temperature_c)
    return 2.64638e-3 * kelvin * plain(np.sqrt(kelvin)) / (kelvin + 245.4 * 10.0 ** (-12.0 / kelvin))


def heat_capacity(humidity_ratio: Values = 0.0) -> Values:
    """Heat capacity of moist air at constant pressure, J/(kg K) of it (from ASHRAE 2017 ch. 1 eq. 30)."""
    return (DRY_AIR_HEAT + VAPOUR_HEAT * humidity_ratio) / (1.0 + humidity_ratio)


def dry_density(temperature_c: Values, pressure_pa: Values = STANDARD_PRESSURE_PA) -> Values:
    """Density of dry air, kg/m3 (ideal gas)."""
    require_range("pressure", pressure_pa, PRESSURE_RANGE_PA, "Pa")
    return pressure_pa / (DRY_AIR_GAS_CONSTANT * _kelvin(temperature_c))


def kinematic_viscosity(temperature_c: Values, pressure_pa: Values = STANDARD_PRESSURE_PA) -> Values:
    """Kinematic viscosity of air, m2/s."""
    return dynamic_viscosity(temperature_c) / dry_density(temperature_c, pressure_pa)


def thermal_diffusivity(temperature_c: Values, pressure_pa: Values = STANDARD_PRESSURE_PA) -> Values:
    """Thermal diffusivity of air, m2/s."""
    return thermal_conductivity(temperature_c) / (dry_density(temperature_c, pressure_pa) * DRY_AIR_HEAT)


def vapour_diffusivity(temperature_c: Values, pressure_pa: Values = STANDARD_PRESSURE_PA) -> Values:
    """Diffusivity of water vapour in air, m2/s (Massman 1998, Atmos. Environ. 32:1111)."""
    require_range("pressure", pressure_pa, PRESSURE_RANGE_PA, "Pa")
    return 0.2178e-4 * (_kelvin(temperature_c) / KELVIN) ** 1.81 * (STANDARD_PRESSURE_PA / pressure_pa)


def prandtl(temperature_c: Values) -> Values:
    """Prandtl number of air: momentum over heat."""
    return dynamic_viscosity(temperature_c) * DRY_AIR_HEAT / thermal_conductivity(temperature_c)


def schmidt(temperature_c: Values) -> Values:
    """Schmidt number of water vapour in air: momentum over vapour. The same at every pressure."""
    return kinematic_viscosity(temperature_c) / vapour_diffusivity(temperature_c)


def lewis(temperature_c: Values) -> Values:
    """Lewis number of water vapour in air: heat over vapour, about 0.86. The same at every pressure."""
    return thermal_diffusivity(temperature_c) / vapour_diffusivity(temperature_c)


def water_density(temperature_c: Values) -> Values:
    """Density of liquid water at one atmosphere, kg/m3, 0 to 40 degC (Tanaka 2001, Metrologia 38:301)."""
    require_range("water temperature", temperature_c, (0.0, 40.0), "degC")
    shifted = temperature_c - 3.983035
    loss = shifted * shifted * (temperature_c + 301.797) / (522528.9 * (temperature_c + 69.34881))
    return 999.974950 * (1.0 - loss)
