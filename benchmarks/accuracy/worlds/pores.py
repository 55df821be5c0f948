"""Pores empty by their size: a bundle of capillaries.

Wide pores give their water to narrow ones, which carry it to the surface (the bundle of Krischer; Metzger and Tsotsas,
Drying Technology 2005, from memory): what is left always fills the narrowest. So the flow that the bundle can carry
falls as the square of the radii that are still full, and at the very end the water of the binder's finest pores has an
activity below one (Kelvin). Sizes are log-normal, between the grains and in the binder. A dip fills the coat's pores
and is shared with coats below down to a depth, so that in thick shells the same water sits in narrower pores.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.special import ndtr

from benchmarks.accuracy.worlds import packing
from benchmarks.accuracy.worlds.face import Face
from benchmarks.accuracy.worlds.moist import Array
from benchmarks.accuracy.worlds.packing import Packing
from benchmarks.accuracy.worlds.protocol import Around

KELVIN = 1.07e-9  # m: 2 * surface tension * molar volume / (R T) of water at 20 degC


@dataclass(frozen=True)
class Coat:
    """water: kg/m2 that fills its pores; thickness: m; carries: kg/m2s that the full bundle brings through it."""

    water: float
    thickness: float
    carries: float


@dataclass(frozen=True)
class Bundle:
    """A shop's material. wide, wide_spread: m, median radius between the grains, and its log sd; fine, fine_spread,
    fine_share: of the binder's pores; film: share of the pores that adsorbed water fills at half humidity; vapour: m2/s
    in empty pores; soak: kg/m2 of pores below that share a dip's water."""

    coats: Mapping[str, Coat]
    wide: float
    wide_spread: float
    fine: float
    fine_spread: float
    fine_share: float
    film: float
    vapour: float
    soak: float
    packing: Packing

    faces = ((1.0, 1.0),)

    def water(self, coat: str) -> float:
        """Slurry water that a dip brings, kg/m2."""
        return self.coats[coat].water

    def paced(self, factor: float) -> "Bundle":
        """Water moves so many times as easily."""
        coats = {name: replace(c, carries=factor * c.carries) for name, c in self.coats.items()}
        return replace(self, coats=coats, vapour=self.vapour * factor**0.5)

    def shells(self, build: Array, heat: Array) -> "BundleShells":
        """Bare zones, see `protocol.Body`."""
        return BundleShells(self, build, heat)

    def filled(self, activity: Array) -> Array:
        """Share of the pores that is full in rest with an activity."""
        radius = KELVIN / np.maximum(-np.log(np.clip(activity, 1e-9, 1.0 - 1e-12)), 1e-12)
        film = self.film * activity / (1.0 - 0.9 * activity) * 1.1
        return np.asarray(np.minimum(self._narrower(radius) + film, 1.0))

    def _narrower(self, radius: Array) -> Array:
        """Share of the pores narrower than a radius."""
        wide = ndtr(np.log(radius / self.wide) / self.wide_spread)
        fine = ndtr(np.log(radius / self.fine) / self.fine_spread)
        return np.asarray((1.0 - self.fine_share) * wide + self.fine_share * fine)

    @cached_property
    def table(self) -> tuple[Array, Array, Array]:
        """Of rising shares that are full: their activity, and the log of what the full pores carry (1: all full)."""
        radius = np.geomspace(2e-11, 60.0 * self.wide, 4000)
        activity = np.exp(-KELVIN / radius)
        full = self._narrower(radius) + self.film * activity / (1.0 - 0.9 * activity) * 1.1
        # Poiseuille: a pore carries as its radius squared; capillary pressure pulls as one over the widest full one.
        square = ndtr(np.log(radius / self.wide) / self.wide_spread - 2.0 * self.wide_spread)
        carries = np.log(np.maximum(square, 1e-30)) - np.log(radius / radius[-1])
        carries -= carries[np.argmax(full >= 1.0)]
        return full, activity, carries


class BundleShells:
    """All zones of all trees, stepped together, see `protocol.Shells`. Per zone: water and pores (kg/m2) that share
    it, the depth that they fill, what the full bundle carries."""

    def __init__(self, body: Bundle, build: Array, heat: Array) -> None:
        zones = len(heat)
        self.body, self.build, self.face = body, build, Face(heat)
        self.water, self.pores = np.zeros(zones), np.full(zones, 1e-9)
        self.all, self.thick = np.zeros(zones), np.zeros(zones)  # pores and thickness of all coats
        self.depth, self.carries = np.full(zones, 1e-3), np.zeros(zones)
        self.number = np.zeros(zones)
        self.shut = np.zeros(zones)  # water that coats below the shared depth keep, kg/m2
        self.half = float(body.filled(np.array([0.5]))[0])

    def clear(self, zones: Array) -> None:
        """Bare wax."""
        for state in (self.water, self.all, self.thick, self.carries, self.shut, self.number):
            state[zones] = 0.0
        self.pores[zones], self.depth[zones] = 1e-9, 1e-3

    def load(self, zones: Array) -> Array:
        """Removable water, kg/m2."""
        return np.asarray(self.water[zones] - self.half * self.pores[zones])

    def weight(self, zones: Array) -> Array:
        """All water, kg/m2."""
        return np.asarray(self.water[zones] + self.shut[zones])

    def dip(self, zones: Array, coat: str, pickup: Array) -> None:
        """Put a coat on; its pores are full, and coats below share its water."""
        c = self.body.coats[coat]
        factor = pickup * self.build[zones]
        new, below = c.water * factor, np.minimum(self.body.soak, self.all[zones])
        pores = new + below
        # Coats that the shared depth leaves behind keep what they hold in rest at half humidity.
        left = self.half * np.maximum(self.pores[zones] - below, 0.0)
        self.shut[zones] += np.minimum(left, self.water[zones])
        self.water[zones] += new - np.minimum(left, self.water[zones])
        mean = np.where(self.all[zones] > 0.0, self.thick[zones] / np.maximum(self.all[zones], 1e-9), 0.0)
        self.depth[zones] = c.thickness * factor + below * mean
        harder = self.body.packing.harder(self.number[zones])
        self.carries[zones] = c.carries / harder * c.thickness / self.depth[zones]
        self.number[zones] += 1.0
        self.pores[zones] = pores
        self.all[zones] += new
        self.thick[zones] += c.thickness * factor

    def step(self, dt: float, around: Around) -> Array:
        """One step, implicit in the activity; the evaporation rate, kg/m2s."""
        share = self.water / self.pores
        full, activities, logs = self.body.table
        activity = np.interp(share, full, activities)
        slope = (np.interp(share + 1e-4, full, activities) - np.interp(share - 1e-4, full, activities)) / 2e-4
        brings = self.carries * np.exp(np.interp(share, full, logs))
        _, saturated = self.face.opened(dt, around, np.zeros(len(share)), activity)
        deficit = np.maximum(activity * saturated - around.vapour, 1e-7)
        inside = 1.0 / (brings / deficit + self.body.vapour * np.maximum(1.0 - share, 0.02) / self.depth)
        conductance, saturated = self.face.opened(dt, around, inside, activity)
        stiff = 1.0 + conductance * saturated * slope * dt / self.pores
        rate = np.where(self.all > 0.0, conductance * (activity * saturated - around.vapour) / stiff, 0.0)
        self.water -= dt * rate
        self.face.closed(dt, around, rate)
        return np.asarray(rate)


def draw(rng: np.random.Generator) -> Bundle:
    """Another shop's material; its pace is set by the shop."""
    water, thickness = float(rng.uniform(0.16, 0.4)), float(rng.uniform(0.8e-3, 1.3e-3))
    primes = float(rng.uniform(0.05, 0.4))

    def like(share: float, thin: float, carries: float) -> Coat:
        own = float(np.exp(0.08 * rng.standard_normal()))
        return Coat(water * share * own, thickness * thin, 1e-3 * carries * float(np.exp(0.15 * rng.standard_normal())))

    return Bundle(
        coats={
            "prime-first": like(1.15, 0.9, primes),
            "prime-fine": like(1.05, 0.9, 1.4 * primes),
            "backup": like(1.0, 1.0, 1.0),
            "seal": like(0.75, 0.65, 0.9),
        },
        wide=float(np.exp(rng.uniform(np.log(0.2e-6), np.log(2e-6)))),
        wide_spread=float(rng.uniform(0.5, 1.0)),
        fine=float(rng.uniform(4e-9, 12e-9)),
        fine_spread=float(rng.uniform(0.3, 0.5)),
        fine_share=float(rng.uniform(0.01, 0.06)),
        film=float(rng.uniform(0.001, 0.004)),
        vapour=float(np.exp(rng.uniform(np.log(0.7e-6), np.log(3e-6)))),
        soak=water * float(rng.uniform(0.0, 5.0)),
        packing=packing.draw(rng),
    )
