"""From the room's air to the air at each zone: open faces, and pockets of three kinds.

- a factor on the transfer of the open face;
- a path of stagnant air before the surface: its resistance hardly knows of the fan;
- an air volume of its own that takes up what evaporates and trades with the room, more of it in wind.
"""

from collections.abc import Sequence

import numpy as np

from benchmarks.accuracy.worlds.moist import (
    CONDUCTIVITY,
    DIFFUSIVITY,
    HEAT_CAPACITY,
    MASS_PER_HEAT,
    Array,
    vapour_density,
)
from benchmarks.accuracy.worlds.protocol import Around, Reach


class Surroundings:
    """The air at all zones. transfer: (zones,) factor on the open face's; luck: (zones,) how much better than usual
    the air reaches into a sheltered zone; both without the reach's own factor."""

    def __init__(self, reaches: Sequence[Reach], transfer: Array, luck: Array) -> None:
        self.transfer = transfer
        self.turn = np.ones(len(transfer))  # how the zone hangs after its last dip
        self.radiation = np.array([reach.radiation for reach in reaches])
        self.path = np.array([reach.path_m for reach in reaches]) / luck
        self.exchange = np.array([reach.exchange for reach in reaches]) * luck
        self.still = np.array([reach.still for reach in reaches])
        self.volume = np.array([reach.volume_m for reach in reaches])
        self.stagnant = np.flatnonzero(self.path > 0.0)
        self.damp = np.flatnonzero(np.isfinite(self.exchange))
        self.vapour = np.full(len(transfer), np.nan)  # of the pockets' own air
        self._open = np.ones(len(self.damp))

    def around(self, dt: float, temperature: Array, humidity: Array, wind: Array, heat: Array) -> Around:
        """The air over a step. All (zones,): degC, 0 to 1, m/s, W/m2K of an open face in that wind."""
        convective = heat * self.transfer * self.turn
        mass, vapour = convective * MASS_PER_HEAT, humidity * vapour_density(temperature)
        if len(self.stagnant):
            z = self.stagnant
            convective[z] = 1.0 / (1.0 / convective[z] + self.path[z] / CONDUCTIVITY)
            mass[z] = 1.0 / (1.0 / mass[z] + self.path[z] / DIFFUSIVITY)
        if len(self.damp):
            z = self.damp
            traded = self.exchange[z] * (self.still[z] + wind[z])
            stored = self.volume[z] / dt
            before = np.where(np.isnan(self.vapour[z]), vapour[z], self.vapour[z])
            # Implicit in what this step adds to the pocket's air: that is a resistance more, to air as it would be.
            self._open = stored + traded
            vapour[z] = (stored * before + traded * vapour[z]) / self._open
            self.vapour[z] = vapour[z]
            convective[z] = 1.0 / (1.0 / convective[z] + 1.0 / (HEAT_CAPACITY * traded))
            mass[z] = 1.0 / (1.0 / mass[z] + 1.0 / self._open)
        return Around(temperature, vapour, convective, mass, self.radiation)

    def took(self, rate: Array) -> None:
        """What evaporated in the step just asked for, kg/m2s (zones,), goes into the pockets' own air."""
        self.vapour[self.damp] += rate[self.damp] / self._open
