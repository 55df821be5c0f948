"""A wet cloth as an anemometer: the air speed at which a piece of `surface` would dry like it, told from its loss.

A plainly wet cloth loses water at the rate of a wet face, so that its loss, the air's temperature and humidity give
what the air takes per area, whatever moves the air. The balance is that of the coats (`surface.evaporation`), solved
for the speed by halving a bracket. What is known too little is drawn: equally likely members, as everywhere.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drymon.drying import nusselt, possible, surface, transport
from drymon.drying.air import KELVIN, STANDARD_PRESSURE_PA, VAPOUR_GAS_CONSTANT, Values, saturation_and_slope

Array = npt.NDArray[np.float64]

SPEEDS = (0.01, 20.0)
"""m/s, between which the speed is looked for; at the lower end the face's own buoyancy moves all the air there is."""

HALVINGS = 36

DRAWN = ("loss", "time", "temperature", "humidity", "size", "shape")
"""What is drawn, one dimension each."""

TEMPERATURE_SD_K, HUMIDITY_SD_PCT = 0.3, 2.0
"""Of a cheap sensor that hangs beside the cloth (common practice, no source)."""

SIZE_SD = 0.04
"""Of the area, on the log scale: wet cotton stretches, shrinks and curls (assumed)."""

MOVED = 1.1
"""By how much a cloth that moves in the draught may take more than a still piece does (assumed)."""

RENEWED_M = 0.15
"""Beyond this width the unsteady air of a room lets no thicker layer grow along a cloth (assumed)."""

LIKE_A_PIECE = 0.95
"""Even a narrow strip may take so much less than a piece, for it hangs along the air now and then (assumed)."""


@dataclass(frozen=True, slots=True)
class Cloth:
    """Wet cloth that hangs free. width_m, length_m: of one strip, its narrow side first; strips: how many alike."""

    width_m: float
    length_m: float
    strips: int = 1

    @property
    def area_m2(self) -> float:
        """Of both faces of all strips, m2."""
        return 2.0 * self.width_m * self.length_m * self.strips


@dataclass(frozen=True, slots=True)
class AirThere:
    """The air while the cloth hung, in steps of equal length: temperature (degC), humidity (% RH), pressure (Pa)."""

    temperature_c: Array
    humidity_pct: Array
    pressure_pa: Array

    @classmethod
    def steady(cls, temperature_c: float, humidity_pct: float, pressure_pa: float = STANDARD_PRESSURE_PA) -> "AirThere":
        """Air that did not change."""
        return cls(*(np.array([value]) for value in (temperature_c, humidity_pct, pressure_pa)))


@dataclass(frozen=True, slots=True)
class Drying:
    """What a cloth says of its place.

    low, best, high: m/s, 5, 50 and 95 % of the speed that a piece of `surface.PIECE_DIAMETER_M` would dry like it at.
    rate: what the cloth lost, kg/(m2 s).
    mass_transfer: of the cloth, m/s.
    parts: by name in `DRAWN`, standard deviation of the logarithm of the speed by each alone.
    """

    low: float
    best: float
    high: float
    rate: float
    mass_transfer: float
    parts: Mapping[str, float]


def rate_at(speed_m_per_s: Values, air: AirThere) -> Array:
    """What a wet piece loses in the mean over that air, kg/(m2 s), for each speed (m/s, 0 to 20)."""
    speeds = np.asarray(speed_m_per_s, dtype=np.float64)[..., None]
    wet = surface.evaporation(air.temperature_c, air.humidity_pct, speeds, air.pressure_pa)
    return np.asarray(np.mean(wet.rate, axis=-1))


def speed_of(rate: Values, air: AirThere) -> Array:
    """The air speed (m/s) at which a wet piece loses `rate` (kg/(m2 s)), the ends of `SPEEDS` beyond them.

    Arrays of rates against air of one, or of (rates, steps).
    """
    wanted = np.asarray(rate, dtype=np.float64)
    low, high = (np.full(wanted.shape, math.log(end)) for end in SPEEDS)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        slower = rate_at(np.exp(middle), air) < wanted
        low, high = np.where(slower, middle, low), np.where(slower, high, middle)
    return np.asarray(np.exp(0.5 * (low + high)))


def shape_range(width_m: float) -> tuple[float, float]:
    """Transfer of a cloth so wide over that of a piece in the same air: from that of a still plate along which the air
    goes (Pohlhausen; Incropera 6th ed. eq. 7.30) to that of one which it meets and moves.
    """
    width, viscosity = min(width_m, RENEWED_M), float(transport.kinematic_viscosity(22.0))
    reynolds, prandtl = width / viscosity, float(transport.prandtl(22.0))  # at 1 m/s: the ratio hardly depends on it
    along = nusselt.plate_laminar(reynolds, prandtl).value * float(transport.thermal_conductivity(22.0)) / width
    ratio = float(along / surface.transfer_coefficients(1.0)[0])
    return min(ratio, LIKE_A_PIECE), max(ratio, MOVED)


def drying(cloth: Cloth, loss_kg: float, loss_sd_kg: float, seconds: float, seconds_sd: float, air: AirThere) -> Drying:
    """What a cloth that lost so much (kg, with its error) within so long (s, with its error) says of its place."""
    rate = loss_kg / (cloth.area_m2 * seconds)
    errors = _Errors(loss_sd_kg / loss_kg, seconds_sd / seconds, shape_range(cloth.width_m))
    middle, *moved = np.log(_speeds(rate, air, errors, _one_by_one()))
    speeds = np.sort(_speeds(rate, air, errors, _all_at_once()))
    low, best, high = (float(speeds[int(share * len(speeds))]) for share in (0.05, 0.5, 0.95))
    parts = {name: abs(float(there - middle)) for name, there in zip(DRAWN, moved, strict=True)}
    return Drying(low, best, high, rate, _mass_transfer(rate, float(np.exp(middle)), air), parts)


def _all_at_once() -> dict[str, Array]:
    """Scores (members,) by name in `DRAWN`: normal, but the shape's, a triangle between -1 and 1."""
    normal, shape = possible.normal_scores(len(DRAWN)), possible.quantiles(len(DRAWN))[:, DRAWN.index("shape")]
    triangle = np.where(shape < 0.5, np.sqrt(2.0 * shape) - 1.0, 1.0 - np.sqrt(2.0 * (1.0 - shape)))
    return {name: normal[:, i] for i, name in enumerate(DRAWN)} | {"shape": triangle}


def _one_by_one() -> dict[str, Array]:
    """Scores (1 + drawn,) by name: none, then each alone by its standard deviation."""
    alone = np.vstack([np.zeros(len(DRAWN)), np.eye(len(DRAWN))])
    alone[:, DRAWN.index("shape")] /= math.sqrt(6.0)
    return {name: alone[:, i] for i, name in enumerate(DRAWN)}


@dataclass(frozen=True, slots=True)
class _Errors:
    """Of the loss and of the time, shares of them; shape: (least, most) transfer over a piece's."""

    loss: float
    time: float
    shape: tuple[float, float]


def _speeds(rate: float, air: AirThere, errors: _Errors, drawn: Mapping[str, Array]) -> Array:
    """The speed of each member. drawn: scores (members,) by name in `DRAWN`; the shape's lies between -1 and 1."""
    least, most = (math.log(end) for end in errors.shape)
    shape = 0.5 * (least + most) + 0.5 * (most - least) * drawn["shape"]
    lost = np.maximum(1.0 + errors.loss * drawn["loss"], 0.01)
    took = np.maximum(1.0 + errors.time * drawn["time"], 0.01)
    of_piece = rate * lost / took * np.exp(SIZE_SD * drawn["size"] - shape)
    humidity = air.humidity_pct + HUMIDITY_SD_PCT * drawn["humidity"][:, None]
    member_air = AirThere(
        air.temperature_c + TEMPERATURE_SD_K * drawn["temperature"][:, None],
        np.clip(humidity, 0.0, 99.0),
        air.pressure_pa + 0.0 * humidity,
    )
    return speed_of(of_piece, member_air)


def _mass_transfer(rate: float, speed: float, air: AirThere) -> float:
    """Of the vapour's difference between the cloth's face, as warm as a piece's in that air, and the air, m/s."""
    wet = surface.evaporation(air.temperature_c, air.humidity_pct, speed, air.pressure_pa)
    face = np.asarray(wet.surface_temperature_c)
    film = 0.5 * (face + air.temperature_c) + KELVIN
    beyond = saturation_and_slope(face)[0] - air.humidity_pct / 100.0 * saturation_and_slope(air.temperature_c)[0]
    return float(rate / np.mean(beyond / (VAPOUR_GAS_CONSTANT * film)))
