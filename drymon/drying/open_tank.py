"""Water that goes off an open tank of slurry: vapour from a level, wet, stirred surface that is as warm as the slurry.

The surface's temperature is measured with the slurry, so no balance of heat is needed: vapour pressure at the surface
less that of the air, over the resistance of the air above it. That is natural convection above a level plate, driven by
the lightness of vapour and warmth together (Lloyd & Moran 1974, McAdams 1954), with the draught of a room along it.
Beside swimming pools without swimmers it tells about two thirds of what was measured on large, warm ones and as much as
a correlation of many (`tests/drying/test_open_tank.py`); the bounds span both. A slurry's water is taken as water.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from drymon.drying import air, nusselt, transport
from drymon.drying.air import KELVIN, STANDARD_PRESSURE_PA, VAPOUR_GAS_CONSTANT, Values
from drymon.drying.surface import GRAVITY, lewis_mass_transfer

DRAUGHTS: Final = (0.05, 0.1, 0.3)
"""Air speed over a tank away from fans, m/s: low, likely, high (assumed)."""
MODEL: Final = (0.8, 1.0, 1.7)
"""How far the correlations may be off: rims shelter; people walk by, a stirred surface is rough (assumed, and wide
enough for what was measured on pools)."""
DAY_S: Final = 86400.0


@dataclass(frozen=True, slots=True)
class Loss:
    """Litres of water a day, as far as they can be known."""

    low: float
    best: float
    high: float


def evaporation(
    surface_c: Values,
    area_m2: float,
    temperature_c: Values,
    humidity_pct: Values,
    speed_m_per_s: Values,
    pressure_pa: Values = STANDARD_PRESSURE_PA,
) -> Values:
    """Evaporation from a level square surface of this area, kg/(m2 s), broadcasting; 0 where the air would rather give
    water. Surface and air in degC, % RH, m/s and Pa; ranges as in `air` (``ValueError`` outside).
    """
    vapour = air.vapour_pressure(temperature_c, np.minimum(humidity_pct, 100.0))
    saturated = air.saturation_pressure(surface_c)
    film = 0.5 * (surface_c + temperature_c)
    far = air.density_from_vapour(temperature_c, vapour, pressure_pa)
    lighter = 1.0 - air.density_from_vapour(surface_c, saturated, pressure_pa) / far
    h = _convection(area_m2, film, lighter, speed_m_per_s, pressure_pa)
    density = transport.dry_density(film, pressure_pa)
    h_m = lewis_mass_transfer(h, density, transport.heat_capacity(), transport.lewis(film))
    rate: Values = np.maximum(h_m * (saturated - vapour) / (VAPOUR_GAS_CONSTANT * (film + KELVIN)), 0.0)
    return rate


def litres_a_day(
    surface_c: Values, area_m2: float, temperature_c: Values, humidity_pct: Values, pressure_pa: float
) -> Loss:
    """The loss in this air, the mean over its hours where it is a series; 1 kg of water is a litre."""
    low, best, high = (
        float(np.mean(evaporation(surface_c, area_m2, temperature_c, humidity_pct, speed, pressure_pa))) * factor
        for speed, factor in zip(DRAUGHTS, MODEL, strict=True)
    )
    return Loss(low * area_m2 * DAY_S, best * area_m2 * DAY_S, high * area_m2 * DAY_S)


def _convection(area_m2: float, film_c: Values, lighter: Values, speed: Values, pressure_pa: Values) -> Values:
    """Heat transfer coefficient above the surface, W/(m2 K). lighter: by what share the air at it is."""
    side = float(np.sqrt(area_m2))
    viscosity = transport.kinematic_viscosity(film_c, pressure_pa)
    pr, conductivity = transport.prandtl(film_c), transport.thermal_conductivity(film_c)
    depth = side / 4.0  # area over rim, the length of these correlations (Incropera 6th ed. eq. 9.29)
    rayleigh = GRAVITY * np.abs(lighter) * depth**3 / viscosity**2 * pr
    rising, lying = nusselt.level_plate_rising(rayleigh), nusselt.level_plate_lying(rayleigh)
    natural = np.where(np.asarray(lighter) > 0.0, rising.value, lying.value) * conductivity / depth
    forced = nusselt.plate_laminar(speed * side / viscosity, pr).value * conductivity / side
    h: Values = np.cbrt(natural**3 + forced**3)
    return h
