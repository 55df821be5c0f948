"""Edges and drips that are thicker than the faces: the slowest part of an open tree is one that a scale hardly sees.

Slurry gathers at edges (fibre slurry: 13 % thicker on flats, 40 % at edges; Yuan and Jones 2003, abstract) and hangs in
drips. In the coat two stores of water, near the surface and behind, and a third one in what the dip has soaked, pass
water on in proportion to how much fuller one is than the next (a linear driving force, as in chemical engineering's
lumped models). The surface store dries in patches. The end is exponential, and on the edges it comes later.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from benchmarks.accuracy.worlds.face import Face
from benchmarks.accuracy.worlds.moist import Array
from benchmarks.accuracy.worlds.protocol import Around


@dataclass(frozen=True)
class Coat:
    """water: kg/m2 that a dip brings; passes: kg/m2s from a full store behind to an empty one at the surface."""

    water: float
    passes: float


@dataclass(frozen=True)
class Edged:
    """A shop's material. faces: shares and thicknesses of face, edges, drips. near: share of a coat's water in the
    surface store; soaks: of a dip's water that soaks below at most; levels: coats until it does; slower: how much
    slower the soaked store passes water on; patchy: filling below which the surface dries in patches; skin: s/m
    before dry patches; sorbed: filling of the surface store, scale of the isotherm."""

    coats: Mapping[str, Coat]
    faces: tuple[tuple[float, float], ...]
    near: float
    soaks: float
    levels: float
    slower: float
    patchy: float
    skin: float
    sorbed: float

    def water(self, coat: str) -> float:
        """Slurry water that a dip brings to the mean of a tree's faces, kg/m2."""
        return self.coats[coat].water * sum(share * build for share, build in self.faces)

    def paced(self, factor: float) -> "Edged":
        """Water moves so many times as easily."""
        coats = {name: replace(c, passes=factor * c.passes) for name, c in self.coats.items()}
        return replace(self, coats=coats, skin=self.skin / factor)

    def shells(self, build: Array, heat: Array) -> "StoreShells":
        """Bare zones, see `protocol.Body`."""
        return StoreShells(self, build, heat)


class StoreShells:
    """All zones of all trees, stepped together, see `protocol.Shells`. Three stores a zone: near the surface, behind,
    soaked; `water` and `room` (zones, 3) in kg/m2, `passes` (zones, 2) between them in kg/m2s."""

    def __init__(self, body: Edged, build: Array, heat: Array) -> None:
        zones = len(heat)
        self.body, self.build, self.face = body, build, Face(heat)
        self.water, self.room = np.zeros((zones, 3)), np.full((zones, 3), 1e-9)
        self.passes, self.number = np.zeros((zones, 2)), np.zeros(zones)
        self.below = np.zeros(zones)  # what older coats hold in rest with half humidity, kg/m2
        self.rest = body.sorbed * float(np.log(2.0))  # the same as a filling

    def clear(self, zones: Array) -> None:
        """Bare wax."""
        self.water[zones], self.room[zones], self.passes[zones] = 0.0, 1e-9, 0.0
        self.number[zones], self.below[zones] = 0.0, 0.0

    def load(self, zones: Array) -> Array:
        """Removable water, kg/m2."""
        return np.asarray((self.water[zones] - self.rest * self.room[zones]).sum(axis=1))

    def weight(self, zones: Array) -> Array:
        """All water, kg/m2."""
        return np.asarray(self.water[zones].sum(axis=1) + self.below[zones])

    def dip(self, zones: Array, coat: str, pickup: Array) -> None:
        """Put a coat on; what was left in the old stores is buried in the soaked one."""
        c, body = self.body.coats[coat], self.body
        build = pickup * self.build[zones]
        soaked = body.soaks * -np.expm1(-self.number[zones] / body.levels)
        parts = np.stack([body.near * (1.0 - soaked), (1.0 - body.near) * (1.0 - soaked), soaked], axis=1)
        buried = self.load(zones)
        self.below[zones] += self.water[zones].sum(axis=1) - buried
        self.room[zones] = np.maximum(parts * (c.water * build)[:, None], 1e-9)
        self.water[zones] = self.room[zones]
        self.water[zones, 2] += buried
        self.passes[zones, 0] = c.passes / build
        self.passes[zones, 1] = c.passes / build / body.slower
        self.number[zones] += 1.0

    def step(self, dt: float, around: Around) -> Array:
        """One implicit step; the evaporation rate, kg/m2s."""
        filling = self.water / self.room
        near = np.maximum(filling[:, 0], 0.0)
        dryness = np.exp(-near / self.body.sorbed)
        activity, slope = 1.0 - dryness, dryness / self.body.sorbed / self.room[:, 0]
        film, wet = 1.0 / np.maximum(around.mass, 1e-9), np.minimum(near / self.body.patchy, 1.0)
        passes = wet / film + (1.0 - wet) / (film + self.body.skin * self.build)
        conductance, saturated = self.face.opened(dt, around, 1.0 / passes - film, activity)
        conductance = np.where(self.number > 0, conductance, 0.0)
        linear = conductance * saturated * slope
        constant = conductance * (saturated * activity - around.vapour) - linear * self.water[:, 0]
        self._exchange(dt, linear, constant)
        rate = constant + linear * self.water[:, 0]
        self.face.closed(dt, around, rate)
        return np.asarray(rate)

    def _exchange(self, dt: float, linear: Array, constant: Array) -> None:
        """Solve the three stores together, from the innermost outwards. The surface gives off a rate that is a straight
        line of its store's water."""
        first, second = dt * self.passes[:, 0], dt * self.passes[:, 1]
        near, behind, soaked = self.room.T
        # soaked' = (soaked + second / behind * behind') / (1 + second / soaked_room), and so on outwards.
        inner = 1.0 + second / soaked
        middle = 1.0 + (first + second) / behind - (second / soaked) * (second / behind) / inner
        carried = self.water[:, 1] + (second / soaked) * self.water[:, 2] / inner
        outer = 1.0 + dt * linear + first / near - (first / behind) * (first / near) / middle
        new = (self.water[:, 0] - dt * constant + (first / behind) * carried / middle) / outer
        then = (carried + first / near * new) / middle
        self.water = np.stack([new, then, (self.water[:, 2] + second / behind * then) / inner], axis=1)


def draw(rng: np.random.Generator) -> Edged:
    """Another shop's material; its pace is set by the shop."""
    water, edge = float(rng.uniform(0.16, 0.4)), float(rng.uniform(1.25, 1.38))
    primes = float(rng.uniform(0.15, 0.7))
    edges, drips = float(rng.uniform(0.06, 0.14)), float(rng.uniform(0.01, 0.03))

    def like(share: float, passes: float) -> Coat:
        own = float(np.exp(0.08 * rng.standard_normal()))
        return Coat(water * share * own, 5e-5 * passes * float(np.exp(0.12 * rng.standard_normal())))

    return Edged(
        coats={
            "prime-first": like(1.15, primes),
            "prime-fine": like(1.05, 1.3 * primes),
            "backup": like(1.0, 1.0),
            "seal": like(0.75, 1.0),
        },
        faces=((1.0 - edges - drips, 1.0), (edges, edge), (drips, float(rng.uniform(edge, 1.4)))),
        near=float(rng.uniform(0.3, 0.65)),
        soaks=float(rng.uniform(0.05, 0.7)),
        levels=float(np.exp(rng.uniform(np.log(0.7), np.log(8.0)))),
        slower=float(np.exp(rng.uniform(np.log(2.0), np.log(15.0)))),
        patchy=float(rng.uniform(0.15, 0.6)),
        skin=float(np.exp(rng.uniform(np.log(50.0), np.log(400.0)))),
        sorbed=float(rng.uniform(0.015, 0.04)),
    )
