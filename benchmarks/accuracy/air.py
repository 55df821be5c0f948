"""The air of the simulated drying room: hourly weather of real places, the building, its heating, doors and
fans.

Weather: the typical-year files that pvlib ships (NREL TMY3 Sand Point AK and Greensboro NC, TMY2 Miami FL).
The building is one well-mixed zone: heat by a time constant and a heater or cooler with limits, moisture by
air changes, people, wet floors, the drying shells (small) and a dehumidifier with a switching band. Values
are common practice, no source.
"""

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pvlib
from numpy.typing import NDArray

from benchmarks.accuracy.worlds.moist import Array, vapour_density

WEATHERS: dict[str, tuple[str, int]] = {  # place and first day of the year
    "sand-point-january": ("703165TY.csv", 8),
    "greensboro-april": ("723170TYA.CSV", 100),
    "greensboro-july": ("723170TYA.CSV", 190),
    "miami-may": ("12839.tm2", 130),
    "greensboro-january": ("723170TYA.CSV", 14),
    "sand-point-july": ("703165TY.csv", 196),
}
SEASON: dict[str, tuple[str, ...]] = {
    "steady": tuple(WEATHERS),
    "working-week": (
        "greensboro-april",
        "sand-point-july",
        "greensboro-july",
        "miami-may",
        "greensboro-january",
    ),
    "dry-winter": ("sand-point-january", "greensboro-january"),
    "night-off": ("greensboro-july", "greensboro-april", "sand-point-july", "miami-may"),
}
AIRS = tuple(SEASON)


@dataclass(frozen=True)
class RoomAir:
    """Minute by minute: temperature degC, relative humidity 0 to 1, fan speeds m/s (high, low) and the share
    of high."""

    temperature: Array
    humidity: Array
    fast: Array
    slow: Array
    duty: Array
    fan_on: NDArray[np.bool_]


@cache
def _year(name: str) -> tuple[Array, Array]:
    path = Path(pvlib.__file__).parent / "data" / name
    if name.endswith("tm2"):
        frame: Any = pvlib.iotools.read_tmy2(path)[0]
        celsius, percent = frame["DryBulb"].to_numpy() / 10.0, frame["RHum"].to_numpy()
    else:
        frame = pvlib.iotools.read_tmy3(path, map_variables=False)[0]
        celsius, percent = frame["Dry-bulb (C)"].to_numpy(), frame["RHum (%)"].to_numpy()
    return np.asarray(celsius, dtype=float), np.asarray(percent, dtype=float)


def outside(weather: str, minutes: int, first_day: int = 0) -> tuple[Array, Array]:
    """Temperature (degC) and humidity ratio (kg/kg) of the place, each minute, from local midnight of the
    first day."""
    name, day = WEATHERS[weather]
    celsius, percent = _year(name)
    hours = np.arange(len(celsius) * 2)
    at = (day + first_day) * 24 + np.arange(minutes) / 60.0
    t = np.interp(at, hours, np.tile(celsius, 2))
    rh = np.interp(at, hours, np.tile(percent, 2)) / 100.0
    return t, rh * vapour_density(t) / 1.2


def _clock(minutes: int) -> Array:
    return (np.arange(minutes) / 60.0) % 24.0


def _doors(rng: np.random.Generator, minutes: int, working: NDArray[np.bool_]) -> Array:
    """Air changes per hour: leaky building, and doors held open for a few minutes in working hours."""
    changes = np.full(minutes, 0.4)
    for start in np.flatnonzero(working & (rng.random(minutes) < 1.0 / 75.0)):
        changes[start : start + int(rng.integers(2, 15))] = 4.0
    return changes


def _indoor(kind: str, rng: np.random.Generator, weather: str, minutes: int, first_day: int) -> tuple[Array, Array]:
    t_out, w_out = outside(weather, minutes, first_day)
    hour = _clock(minutes)
    working = (hour >= 7.0) & (hour < 18.0)
    changes = _doors(rng, minutes, working)
    setpoint = np.where((hour >= 5.5) & (hour < 18.0), 21.5, {"dry-winter": 20.0}.get(kind, 17.5))
    target_rh = {"dry-winter": 1.0, "night-off": 0.58}.get(kind, 0.55)
    wet_floor = np.where((hour >= 17.0) & (hour < 19.5), 0.5, 0.0) if kind == "night-off" else np.zeros(minutes)
    source = (np.where(working, 0.12, 0.0) + 0.1 + wet_floor) / 360.0 / 60.0
    t, w, drying_out = 20.5, 0.008 if kind != "dry-winter" else 0.004, False
    temperature, humidity = np.empty(minutes), np.empty(minutes)
    for i in range(minutes):
        heat = np.clip(1.5 * (setpoint[i] - t), 0.0, 3.0) - np.clip(1.5 * (t - 24.5), 0.0, 2.5)
        t += ((t_out[i] - t) * (1.0 / 22.0 + 0.02 * changes[i]) + heat + 0.15 * working[i]) / 60.0
        full = float(vapour_density(t)) / 1.2
        allowed = working[i] or kind != "night-off"
        drying_out = allowed and (w / full > target_rh or (drying_out and w / full > target_rh - 0.06))
        w += (w_out[i] - w) * changes[i] / 60.0 + source[i] - (2.4 / 360.0 / 60.0 if drying_out else 0.0)
        w = min(max(w, 0.0005), 0.97 * full)
        temperature[i], humidity[i] = t, w / full
    return temperature, humidity


def _steady(rng: np.random.Generator, minutes: int) -> tuple[Array, Array]:
    slow = np.cumsum(rng.standard_normal((2, minutes)), axis=1)
    slow -= np.linspace(0, 1, minutes) * slow[:, -1:]
    slow /= np.abs(slow).max(axis=1, keepdims=True)
    return rng.uniform(20.5, 23.0) + 0.3 * slow[0], rng.uniform(0.42, 0.55) + 0.015 * slow[1]


def room_air(  # noqa: PLR0913, a room's air is told by that many things
    kind: str, rng: np.random.Generator, weather: str, minutes: int, first_day: int, speed: float, duty: float
) -> RoomAir:
    """The room's air for one recording. `speed`: the fans' speed at the shells, m/s; `duty`: share of time
    they face them."""
    if kind not in AIRS:
        raise ValueError(f"kind {kind!r}: allowed are {', '.join(AIRS)}")
    t, rh = _steady(rng, minutes) if kind == "steady" else _indoor(kind, rng, weather, minutes, first_day)
    hour = _clock(minutes)
    day = (hour >= 6.5) & (hour < 18.5)
    on = np.ones(minutes, dtype=bool)
    fast = np.full(minutes, speed)
    if kind == "working-week":
        fast = np.where(day, speed, 0.45 * speed)
    if kind == "night-off":
        on = day
        fast = np.where(day, speed, 0.08)
    slow = np.minimum(np.where(on, 0.25, 0.08), fast)
    return RoomAir(t, rh, fast, slow, np.full(minutes, duty), on)
