"""Films feed the surface, less of it as time goes on; behind them a dry front recedes.

The wet depth has one edge, which moves inwards as its water goes. Up to some distance liquid films reach from it to the
surface, so that a share of the surface evaporates as if wet (partial drying, as in beds and sands: Shokri and Or, Water
Resour. Res. 2011; Yiotis et al. 2012, from memory); the rest is vapour that diffuses through the dry depth. The front
comes to the end of the wet depth at a finite rate: the end is abrupt but for sorbed water, which follows the air by a
time constant. A dip wets the dry coats below to a depth of its own.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.accuracy.worlds import packing
from benchmarks.accuracy.worlds.face import Face
from benchmarks.accuracy.worlds.moist import Array
from benchmarks.accuracy.worlds.packing import Packing
from benchmarks.accuracy.worlds.protocol import Around


@dataclass(frozen=True)
class Coat:
    """water: kg/m2 that a dip brings; thickness: m; vapour: m2/s in the dry coat."""

    water: float
    thickness: float
    vapour: float


@dataclass(frozen=True)
class Receding:
    """A shop's material. films: m that liquid films reach; fades: power by which they do; soak: m that a dip wets
    below; sorbed: kg/m3, scale of the isotherm; follows: s, time constant of sorbed water."""

    coats: Mapping[str, Coat]
    films: float
    fades: float
    soak: float
    sorbed: float
    follows: float
    packing: Packing

    faces = ((1.0, 1.0),)

    def water(self, coat: str) -> float:
        """Slurry water that a dip brings, kg/m2."""
        return self.coats[coat].water

    def paced(self, factor: float) -> "Receding":
        """Water moves so many times as easily."""
        coats = {name: replace(c, vapour=factor * c.vapour) for name, c in self.coats.items()}
        return replace(self, coats=coats, follows=self.follows / factor, films=self.films * factor**0.5)

    def shells(self, build: Array, heat: Array) -> "FrontShells":
        """Bare zones, see `protocol.Body`."""
        return FrontShells(self, build, heat)

    def content(self, activity: Array | float) -> Array:
        """Sorbed water in rest with an activity, kg/m3."""
        return np.asarray(-self.sorbed * np.log1p(-np.clip(activity, 0.0, 0.98)))


class FrontShells:
    """All zones of all trees, stepped together, see `protocol.Shells`. Per zone: water before the front (`free` of
    `full`, in `depth`), sorbed water, all thickness, the vapour's diffusivity in the dry depth."""

    def __init__(self, body: Receding, build: Array, heat: Array) -> None:
        zones = len(heat)
        self.body, self.build, self.face = body, build, Face(heat)
        self.free, self.full, self.depth = np.zeros(zones), np.full(zones, 1e-9), np.full(zones, 1e-3)
        self.sorbed, self.thick, self.vapour = np.zeros(zones), np.zeros(zones), np.full(zones, 1e-6)
        self.rate, self.number = np.zeros(zones), np.zeros(zones)

    def clear(self, zones: Array) -> None:
        """Bare wax."""
        for state in (self.free, self.sorbed, self.thick, self.rate, self.number):
            state[zones] = 0.0
        self.full[zones], self.depth[zones] = 1e-9, 1e-3

    def load(self, zones: Array) -> Array:
        """Removable water, kg/m2."""
        return np.asarray(self.free[zones] + self.sorbed[zones] - self.body.content(0.5) * self.thick[zones])

    def weight(self, zones: Array) -> Array:
        """All water, kg/m2."""
        return np.asarray(self.free[zones] + self.sorbed[zones])

    def dip(self, zones: Array, coat: str, pickup: Array) -> None:
        """Put a coat on; water left below counts to the new wet depth, which reaches into the dry coats."""
        c = self.body.coats[coat]
        factor = pickup * self.build[zones]
        water, new = c.water * factor, c.thickness * factor
        held = self.body.content(0.9) * new  # of the dip's water, in the pores of the binder
        soaked = np.minimum(self.body.soak, self.thick[zones])
        total = new + soaked
        own = c.vapour / self.body.packing.harder(self.number[zones])
        self.vapour[zones] = total / (new / own + soaked / self.vapour[zones])
        self.number[zones] += 1.0
        self.free[zones] += water - held
        self.sorbed[zones] += held
        self.thick[zones] += new
        self.full[zones], self.depth[zones], self.rate[zones] = self.free[zones], total, 0.0

    def step(self, dt: float, around: Around) -> Array:
        """One step; the evaporation rate, kg/m2s."""
        front = self._front(0.5 * dt)
        fed = 1.0 / (1.0 + (front / self.body.films) ** self.body.fades)
        film = 1.0 / np.maximum(around.mass, 1e-9)
        passes = fed / film + (1.0 - fed) / (film + front / self.vapour)
        wet = np.ones(len(front))
        conductance, saturated = self.face.opened(dt, around, 1.0 / passes - film, wet)
        from_front = np.minimum(conductance * (saturated - around.vapour), self.free / dt)
        taken = self._sorbed_out(dt, around.vapour / saturated, front)
        self.rate = np.where(self.thick > 0.0, from_front, 0.0)
        self.free -= dt * self.rate
        self.sorbed -= dt * taken
        rate = self.rate + taken
        self.face.closed(dt, around, rate)
        return np.asarray(rate)

    def _front(self, ahead: float) -> Array:
        """Its distance from the surface, m, so many seconds from now at the rate of before."""
        left = np.clip((self.free - ahead * self.rate) / self.full, 0.0, 1.0)
        return np.asarray(self.depth * (1.0 - left))

    def _sorbed_out(self, dt: float, humidity: Array, front: Array) -> Array:
        """What the dry depth gives off to come to rest with the air, kg/m2s."""
        rest = self.body.content(humidity) * self.thick
        dry = np.where(self.free > 0.0, front / np.maximum(self.thick, front + 1e-9), 1.0)
        return np.asarray((self.sorbed - rest) * dry * -np.expm1(-dt / self.body.follows) / dt)


def draw(rng: np.random.Generator) -> Receding:
    """Another shop's material; its pace is set by the shop."""
    water, thickness = float(rng.uniform(0.16, 0.4)), float(rng.uniform(0.7e-3, 1.2e-3))
    primes = float(rng.uniform(0.2, 0.8))

    def like(share: float, thin: float, passes: float) -> Coat:
        own = float(np.exp(0.08 * rng.standard_normal()))
        return Coat(water * share * own, thickness * thin, 1.5e-6 * passes * float(np.exp(0.1 * rng.standard_normal())))

    return Receding(
        coats={
            "prime-first": like(1.15, 0.9, primes),
            "prime-fine": like(1.05, 0.9, 1.3 * primes),
            "backup": like(1.0, 1.0, 1.0),
            "seal": like(0.75, 0.65, 0.9),
        },
        films=float(np.exp(rng.uniform(np.log(0.1e-3), np.log(0.8e-3)))),
        fades=float(rng.uniform(1.0, 3.0)),
        soak=float(rng.uniform(0.0, 6e-3)),
        sorbed=float(rng.uniform(2.0, 5.0)),
        follows=float(rng.uniform(1200.0, 5000.0)),
        packing=packing.draw(rng),
    )
