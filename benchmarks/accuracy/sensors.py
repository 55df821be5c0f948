"""What the room's sensors make of the truth: bias, noise, rounding, drop-outs, faults; and the scales."""

from dataclasses import dataclass, replace

import numpy as np

from benchmarks.accuracy.worlds.moist import Array

FAULTS = ("none", "dead", "stuck", "drift", "drift-one", "cell-drift", "cell-stuck")
"""`drift-one` befalls the first rack alone; the others every rack, or every cell."""


@dataclass(frozen=True)
class Sensor:
    """One sensor's own character; `gain` and `bias` stay with it for life."""

    bias: float
    gain: float
    noise: float
    digits: int

    def read(self, truth: Array, rng: np.random.Generator) -> Array:
        """Readings of `truth`, with this sensor's errors."""
        return np.asarray(
            np.round(truth * self.gain + self.bias + self.noise * rng.standard_normal(len(truth)), self.digits)
        )


def thermometer(rng: np.random.Generator) -> Sensor:
    """A cheap digital thermometer: bias sd 0.2 K, noise 0.05 K."""
    return Sensor(0.2 * rng.standard_normal(), 1.0, 0.05, 2)


def hygrometer(rng: np.random.Generator) -> Sensor:
    """A cheap capacitive hygrometer: bias sd 1.5 points, noise 0.2 points."""
    return Sensor(1.5 * rng.standard_normal(), 1.0, 0.2, 1)


def anemometer(rng: np.random.Generator) -> Sensor:
    """A hot-wire anemometer: gain error sd 7 %, noise 0.03 m/s."""
    return Sensor(0.0, float(np.exp(0.07 * rng.standard_normal())), 0.03, 2)


def with_fault(fault: str, quantity: str, values: Array, start: int, rng: np.random.Generator) -> Array:
    """The readings with a fault from minute `start` on; NaN where nothing is sent."""
    values = values.copy()
    after = np.arange(len(values)) - start
    if fault == "dead" and quantity == "humidity":
        values[(after >= 0) & (after < 600)] = np.nan
    if fault == "stuck" and quantity == "humidity":
        hit = (after >= 0) & (after < 900)
        values[hit] = values[start]
    if fault == "drift" and quantity == "humidity":  # towards dry: the dangerous side
        values = np.round(values - np.clip(after / 60.0 * 0.25, 0.0, 8.0), 1)
    values[rng.random(len(values)) < 0.005] = np.nan
    return values


@dataclass(frozen=True)
class LoadCell:
    """A hung load cell under way: what it adds to the true mass, kg. buffet: noise that the fans add."""

    noise: float = 0.0008
    drift_per_day: float = 0.006
    per_kelvin: float = 0.0006
    fan_pull: float = 0.002
    creep: float = 0.001
    freezes: bool = False
    buffet: float = 0.0

    def with_fault(self, fault: str) -> "LoadCell":
        """This cell, if that has befallen it."""
        drift = 10.0 * self.drift_per_day if fault == "cell-drift" else self.drift_per_day
        return replace(self, drift_per_day=drift, freezes=fault == "cell-stuck")

    def read(self, mass: Array, temperature: Array, fan_on: Array, dips: list[int], rng: np.random.Generator) -> Array:
        """Readings each minute, kg, with creep after every hanging, random drift, temperature effect, fan
        pull and knocks."""
        n = len(mass)
        drift = np.cumsum(rng.standard_normal(n)) * self.drift_per_day / np.sqrt(1440.0)
        reading = mass + drift + self.per_kelvin * (temperature - 21.0) + self.fan_pull * fan_on
        for dip in dips:
            since = np.arange(n - dip) / 30.0
            reading[dip:] += self.creep * (1.0 - np.exp(-since))
            hands = slice(max(dip - 2, 0), dip + 2)
            reading[hands] += rng.normal(0.0, 0.8, len(reading[hands]))
        knocked = rng.random(n) < 0.002
        reading[knocked] += rng.normal(0.0, 0.15, int(knocked.sum()))
        said = np.round(reading + (self.noise + self.buffet * fan_on) * rng.standard_normal(n), 4)
        for dip, next_dip in zip(dips, [*dips[1:], n], strict=True) if self.freezes else ():
            # The same digits from 20 min to 4 h after the dip on, for half a day or until hands are at it again.
            begin = dip + int(rng.uniform(20.0, 240.0))
            said[begin : min(begin + 720, next_dip - 2)] = said[min(begin, n - 1)]
        return np.asarray(said)
