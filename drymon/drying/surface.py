"""Evaporation from a fully wet, open face: the exact energy balance, and the fast form run every minute.

Balance per area: heat in by convection and radiation = latent heat out with the vapour,

    h (Ta - Ts) + h_r (Ta - Ts) = L h_m (p_sat(Ts) - p_v) / (R_v T_film),    h_m = h / (rho cp Le^(2/3))

with the Lewis relation (Chilton & Colburn 1934; Incropera 6th ed. eq. 6.60). Partial pressures drive the vapour:
concentrations taken at two temperatures would add a drive that is not there. The face sees walls at the air's
temperature; heat from within the shell and the Stefan flow (under 2 % in a room) are left out.

Fast form: saturation is a straight line between the air's temperature and the surface's, so that resistances in series
(s/m) divide the vapour's deficit (kg/m3), Monteith 1965: rate = deficit / air_side_resistance(...).

The piece is a cylinder of 50 mm in cross-flow, the size of a branch of a tree; still air adds natural convection,
which a wet face drives with the density difference that cooling and vapour make together.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from drymon.drying import air, nusselt, transport
from drymon.drying.air import KELVIN, STANDARD_PRESSURE_PA, VAPOUR_GAS_CONSTANT, Values
from drymon.drying.nusselt import Correlated, Marks

PIECE_DIAMETER_M: Final = 0.05
SHELL_EMISSIVITY: Final = 0.9  # rough oxides and water; common practice, no source
SPEED_RANGE_M_PER_S: Final = (0.0, 20.0)
STEFAN_BOLTZMANN: Final = 5.670374e-8  # W/(m2 K4), CODATA 2018
GRAVITY: Final = 9.80665

STILL_BUOYANCY: Final = 0.003
"""Relative density difference that a wet face makes in still air of about 22 degC and 85 % RH.

In drier still air the true one is larger, so rates come out late, by 10 to 28 %; only near saturation early.
"""

MEAN_SLOPE_AT: Final = 0.45
"""Where between air (0) and wet bulb (1) the saturation curve has the mean slope of the exact balance.

The chord's slope lies at 0.5; radiation and still air keep the surface warmer than the wet bulb.
"""


@dataclass(frozen=True, slots=True)
class Evaporation:
    """What the exact balance says of a wet face; all fields have the broadcast shape of the inputs."""

    surface_temperature_c: Values
    rate: Values  # kg/(m2 s); 0 in saturated air
    h: Values  # heat transfer by convection, W/(m2 K)
    h_m: Values  # mass transfer, m/s
    valid: Marks  # correlations used inside their published range


@dataclass(frozen=True, slots=True)
class Drive:
    """What the air does to a wet face, whatever its speed; fields have the inputs' broadcast shape."""

    deficit: Values  # saturation minus vapour concentration at the air's temperature, kg/m3
    saturation: Values  # saturation concentration at the air's temperature, kg/m3
    humidity_pct: Values  # relative humidity, at most 100
    slope_heat: Values  # mean slope of the saturation concentration times latent heat, J/(m3 K)


def air_drive(temperature_c: Values, humidity_pct: Values, pressure_pa: Values = STANDARD_PRESSURE_PA) -> Drive:
    """The drying power of air of temperature (degC), humidity (% RH) and pressure (Pa), broadcasting.

    Temperature -40 to 90 degC, humidity from 0 %, pressure 30 to 120 kPa (``ValueError`` outside, NaN passes).
    Humidity above 100 % (fog, a forecast of cooling air) counts as saturated: no deficit.
    """
    air.require_range("temperature", temperature_c, air.TEMPERATURE_RANGE_C, "degC")
    air.require_range("relative humidity", humidity_pct, (0.0, 1000.0), "%")
    air.require_range("pressure", pressure_pa, air.PRESSURE_RANGE_PA, "Pa")
    humidity = air.plain(np.minimum(humidity_pct, 100.0))
    saturation = air.saturation_and_slope(temperature_c)
    bulb = air.solve_wet_bulb(temperature_c, humidity, pressure_pa, saturation)
    mean = temperature_c - MEAN_SLOPE_AT * (temperature_c - bulb)
    per_pascal = 1.0 / (VAPOUR_GAS_CONSTANT * (temperature_c + KELVIN))
    slope = air.saturation_and_slope(mean)[1] * per_pascal
    full = saturation[0] * per_pascal
    return Drive((1.0 - humidity / 100.0) * full, full, humidity, slope * air.latent_heat(mean))


def transfer_coefficients(
    speed_m_per_s: Values,
    temperature_c: Values = 22.0,
    pressure_pa: Values = STANDARD_PRESSURE_PA,
    *,
    diameter_m: float = PIECE_DIAMETER_M,
    buoyancy: Values = STILL_BUOYANCY,
) -> tuple[Values, Values]:
    """Heat transfer coefficient h, W/(m2 K), and mass transfer coefficient h_m, m/s, of the piece.

    Air speed 0 (natural convection only) to 20 m/s, broadcast with temperature (degC) and pressure (Pa).
    ``buoyancy`` is the relative density difference between the air and the air at the face.
    """
    h = convection(speed_m_per_s, temperature_c, pressure_pa, diameter_m=diameter_m, buoyancy=buoyancy).value
    return h, _mass_transfer(h, temperature_c, pressure_pa)


@lru_cache(maxsize=256)
def _change(half_kelvins: int, hectopascals: int) -> tuple[float, float]:
    here = transfer_coefficients(1.0, 0.5 * half_kelvins, 100.0 * hectopascals)
    usual = transfer_coefficients(1.0)
    return float(here[0] / usual[0]), float(here[1] / usual[1])


def transfer_change(temperature_c: float, pressure_pa: float) -> tuple[float, float]:
    """Factors on h and h_m of 22 degC and sea level for other air, at any speed: from 0.1 to 3 m/s and 5 to 40 degC
    within 1.5 % of the correlations up to 2000 m, 2.5 % up to 3000 m. Air to half a kelvin and a hectopascal.
    """
    return _change(round(2.0 * temperature_c), round(pressure_pa / 100.0))


def air_side_resistance(slope_heat: Values, h: Values, h_m: Values, h_r: Values = 0.0) -> Values:
    """Resistance of the air to a fully wet open face, s/m: the vapour's way out plus the heat's way in.

    ``slope_heat`` of a ``Drive`` (J/(m3 K)), h and h_m of ``transfer_coefficients``, h_r W/(m2 K) by radiation
    (``radiative_coefficient``, 0 where shelves shadow it). Evaporation in kg/(m2 s) = deficit / resistance.
    """
    return 1.0 / h_m + slope_heat / (h + h_r)


def radiative_coefficient(temperature_c: Values, emissivity: float = SHELL_EMISSIVITY) -> Values:
    """Heat transfer coefficient of radiation near ``temperature_c``, W/(m2 K); 5.2 at 22 degC."""
    return 4.0 * emissivity * STEFAN_BOLTZMANN * (temperature_c + KELVIN) ** 3


def lewis_mass_transfer(h: Values, density: Values, heat_capacity: Values, lewis: Values) -> Values:
    """Mass transfer coefficient, m/s, from heat's by the Lewis relation (Incropera 6th ed. eq. 6.60)."""
    return h / (density * heat_capacity * air.plain(np.cbrt(lewis)) ** 2)


def _mass_transfer(h: Values, film_c: Values, pressure_pa: Values) -> Values:
    density = transport.dry_density(film_c, pressure_pa)
    return lewis_mass_transfer(h, density, transport.heat_capacity(), transport.lewis(film_c))


def convection(
    speed_m_per_s: Values,
    film_c: Values,
    pressure_pa: Values = STANDARD_PRESSURE_PA,
    *,
    diameter_m: float = PIECE_DIAMETER_M,
    buoyancy: Values = STILL_BUOYANCY,
) -> Correlated:
    """Heat transfer coefficient of the piece, W/(m2 K), and whether its correlations hold.

    Churchill & Bernstein's cylinder combined with Churchill & Chu's plate of the same height; below Re Pr =
    0.2 (a tenth of a millimetre per second) the flow is left out.
    """
    air.require_range("air speed", speed_m_per_s, SPEED_RANGE_M_PER_S, "m/s")
    viscosity = transport.kinematic_viscosity(film_c, pressure_pa)
    pr = transport.prandtl(film_c)
    flow = nusselt.cylinder_churchill_bernstein(speed_m_per_s * diameter_m / viscosity, pr)
    moving = air.plain(flow.value * np.asarray(flow.valid, dtype=np.float64))
    forced = Correlated(moving, True)
    rayleigh = GRAVITY * np.abs(buoyancy) * diameter_m**3 / viscosity**2 * pr
    both = nusselt.combined(forced, nusselt.vertical_plate_churchill_chu(rayleigh, pr))
    h: Values = both.value * transport.thermal_conductivity(film_c) / diameter_m
    return Correlated(h, both.valid)


def evaporation(  # noqa: PLR0913, the air's four values, and by keyword the piece
    temperature_c: Values,
    humidity_pct: Values,
    speed_m_per_s: Values,
    pressure_pa: Values = STANDARD_PRESSURE_PA,
    *,
    emissivity: float = SHELL_EMISSIVITY,
    diameter_m: float = PIECE_DIAMETER_M,
    h: Correlated | None = None,
) -> Evaporation:
    """Solve the energy balance of a wet face exactly, by Newton steps on its temperature.

    Air in degC, % RH, m/s and Pa, broadcasting; ranges as in ``air`` and ``transfer_coefficients``. ``emissivity`` 0
    switches radiation off; ``h`` replaces the piece's convection by another correlation's coefficient. ``ValueError``
    when the balance does not settle.
    """
    vapour = air.vapour_pressure(temperature_c, humidity_pct)
    surface = air.wet_bulb(temperature_c, humidity_pct, pressure_pa)
    for _ in range(60):
        film = 0.5 * (temperature_c + surface)
        convective = h or convection(
            speed_m_per_s,
            film,
            pressure_pa,
            diameter_m=diameter_m,
            buoyancy=_buoyancy(temperature_c, vapour, surface, pressure_pa),
        )
        h_m = _mass_transfer(convective.value, film, pressure_pa)
        rate, step = _balance_step(temperature_c, vapour, surface, convective.value, h_m, emissivity)
        surface = surface + step
        if not np.any(np.abs(step) > 1e-7):
            h_all, h_m_all = convective.value + 0.0 * rate, h_m + 0.0 * rate
            return Evaporation(surface, rate, h_all, h_m_all, convective.valid)
    raise ValueError("the energy balance of the wet face does not settle; check the units of the air")


def _buoyancy(temperature_c: Values, vapour: Values, surface_c: Values, pressure_pa: Values) -> Values:
    """Relative density difference of the air at the face; cooling and vapour oppose each other."""
    far = air.density_from_vapour(temperature_c, vapour, pressure_pa)
    near = air.density_from_vapour(surface_c, air.saturation_and_slope(surface_c)[0], pressure_pa)
    return near / far - 1.0


def _balance_step(
    temperature_c: Values, vapour: Values, surface_c: Values, h: Values, h_m: Values, emissivity: float
) -> tuple[Values, Values]:
    """Evaporation rate at this surface temperature and the Newton step (K) that closes the balance."""
    saturated, slope = air.saturation_and_slope(surface_c)
    conductance = h_m / (VAPOUR_GAS_CONSTANT * (0.5 * (temperature_c + surface_c) + KELVIN))
    rate = conductance * (saturated - vapour)
    warm, cool = temperature_c + KELVIN, surface_c + KELVIN
    radiated = emissivity * STEFAN_BOLTZMANN * (warm**4 - cool**4)
    latent = air.latent_heat(surface_c)
    excess = h * (temperature_c - surface_c) + radiated - latent * rate
    return rate, excess / (h + 4.0 * emissivity * STEFAN_BOLTZMANN * cool**3 + latent * conductance * slope)
