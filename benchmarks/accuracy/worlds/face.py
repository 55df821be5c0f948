"""The surface of a drying zone: its own cooling, solved together with its evaporation. Shared by the drawn worlds."""

import numpy as np

from benchmarks.accuracy.worlds.moist import LATENT, Array, vapour_density
from benchmarks.accuracy.worlds.protocol import Around


class Face:
    """Temperatures of all surfaces. heat: (zones,) J/m2K of the pattern behind a unit of surface."""

    def __init__(self, heat: Array) -> None:
        self.heat, self.temperature = heat, np.full(len(heat), np.nan)

    def opened(self, dt: float, around: Around, inside: Array, activity: Array) -> tuple[Array, Array]:
        """Conductance (m/s) and saturated vapour (kg/m3) with which a step's rate is conductance * (a * saturated -
        vapour outside), for an activity a near `activity`: the cooling by the rate itself is in them.

        inside: (zones,) s/m, the resistance between the evaporating water and the surface.
        """
        cold = np.isnan(self.temperature)
        self.temperature[cold] = around.temperature[cold]
        held = self.heat / dt
        warmth = around.heat + around.radiation
        rest = (held * self.temperature + warmth * around.temperature) / (held + warmth)  # were nothing to evaporate
        now = vapour_density(self.temperature)
        slope = now * (4098.0 / (self.temperature + 237.3) ** 2 - 1.0 / (self.temperature + 273.15))
        bare = 1.0 / (1.0 / np.maximum(around.mass, 1e-9) + inside)
        conductance = bare / (1.0 + bare * np.maximum(activity, 0.0) * slope * LATENT / (held + warmth))
        return conductance, now + slope * (rest - self.temperature)

    def closed(self, dt: float, around: Around, rate: Array) -> None:
        """Take the step at this rate, kg/m2s."""
        held, warmth = self.heat / dt, around.heat + around.radiation
        warm = held * self.temperature + warmth * around.temperature
        self.temperature = (warm - LATENT * rate) / (held + warmth)
