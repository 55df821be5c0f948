"""A shop's shells tried out before its rooms are simulated: how long do coats take in its usual air, and which pocket
takes how many times as long?"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.accuracy.shop import DRY_AT, RECIPE
from benchmarks.accuracy.surroundings import Surroundings
from benchmarks.accuracy.worlds.moist import MASS_PER_HEAT, Array, convection
from benchmarks.accuracy.worlds.protocol import Body, Reach, Shells

SECONDS = 120.0
LEFT_ALONE = 1.6  # drying times that a coat hangs before the next dip


@dataclass(frozen=True)
class Usual:
    """A shop's usual air, 22 degC and 50 %RH. fast, slow: m/s of its fans when they face a rack and when not; duty:
    share of the time that they do."""

    fast: float
    slow: float
    duty: float
    turbulence: float
    temperature: float = 22.0
    humidity: float = 0.5

    @property
    def wind(self) -> float:
        """Mean speed, m/s."""
        return self.duty * self.fast + (1.0 - self.duty) * self.slow

    @property
    def heat(self) -> float:
        """W/m2K at an open face, without the turbulence."""
        return float(self.duty * convection(self.fast, 0.05) + (1.0 - self.duty) * convection(self.slow, 0.05))

    @property
    def mass(self) -> float:
        """m/s at an open face."""
        return self.heat * self.turbulence * MASS_PER_HEAT


def thickest(body: Body) -> float:
    """How thick the thickest part of an open face is against the usual."""
    return max(build for _, build in body.faces)


class Rehearsal:
    """Zones of the thickest kind. They differ only in how the air reaches them, and only while `reaches` says so."""

    def __init__(self, body: Body, air: Usual, zones: int = 1) -> None:
        self.air, self.zones, self.one = air, np.arange(zones), np.ones(zones)
        self.shells: Shells = body.shells(thickest(body) * self.one, 5000.0 * self.one)

    def coat(self, name: str, longest_h: float, reaches: Sequence[Reach] | None = None) -> Array:
        """Hours that the next coat takes on each zone, NaN where more than `longest_h`; then it hangs for a while."""
        reaches = reaches or [Reach()] * len(self.zones)
        factor = np.array([reach.factor for reach in reaches])
        places, taken = Surroundings(reaches, factor * self.air.turbulence, self.one), np.full(len(self.zones), np.nan)
        self.shells.dip(self.zones, name, self.one)
        start, gone, now, until = self.shells.load(self.zones), np.zeros(len(self.zones)), 0.0, 3600.0 * longest_h
        while now < until:
            self._step(places)
            now += SECONDS
            before, gone = gone, 1.0 - self.shells.load(self.zones) / start
            just = (gone >= DRY_AT) & np.isnan(taken)
            taken[just] = now - SECONDS * ((gone - DRY_AT) / np.maximum(gone - before, 1e-12))[just]
            if just.any() and not np.isnan(taken).any():
                until = LEFT_ALONE * now
        return taken / 3600.0

    def _step(self, places: Surroundings) -> None:
        air, one = self.air, self.one
        around = places.around(SECONDS, air.temperature * one, air.humidity * one, air.wind * one, air.heat * one)
        places.took(self.shells.step(SECONDS, around))


def open_hours(body: Body, air: Usual, longest_h: float = 60.0) -> Array:
    """Hours of an open face along the recipe, NaN from the first coat on that takes longer than `longest_h`."""
    rehearsal, hours = Rehearsal(body, air), np.full(len(RECIPE), np.nan)
    for place, coat in enumerate(RECIPE):
        hours[place] = rehearsal.coat(coat, longest_h)[0]
        if np.isnan(hours[place]):
            break
    return hours


def pocket_ratios(body: Body, air: Usual, reaches: Sequence[Reach], most: float = 12.0) -> Array:
    """Times that pockets take over an open face, on the fifth coat; NaN beyond `most`. reaches: the first is open."""
    rehearsal = Rehearsal(body, air, len(reaches))
    for coat in RECIPE[:4]:
        usual = rehearsal.coat(coat, 60.0)[0]
    hours = rehearsal.coat(RECIPE[4], most * usual, reaches)
    return np.asarray(hours / hours[0])
