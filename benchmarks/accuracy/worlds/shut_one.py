"""Kept shut until 1 December 2026: a skin forms by what has evaporated, and how fast."""

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
    """water: kg/m2 that a dip brings; skin: s/m that the skin has when all of it has left at the usual rate."""

    water: float
    skin: float


@dataclass(frozen=True)
class Skinned:
    """A shop's material; what its numbers mean is said where they are used."""

    coats: Mapping[str, Coat]
    hastes: float
    bends: float
    soaks: float
    passes: float
    sorbed: float
    packing: Packing

    faces = ((1.0, 1.0),)

    def water(self, coat: str) -> float:
        """Slurry water that a dip brings, kg/m2."""
        return self.coats[coat].water

    def paced(self, factor: float) -> "Skinned":
        """Water moves so many times as easily."""
        coats = {name: replace(c, skin=c.skin / factor) for name, c in self.coats.items()}
        return replace(self, coats=coats, passes=self.passes * factor)

    def shells(self, build: Array, heat: Array) -> "SkinnedShells":
        """Bare zones, see `protocol.Body`."""
        return SkinnedShells(self, build, heat)


class SkinnedShells:
    """All zones of all trees, stepped together, see `protocol.Shells`. Water in the coat and below it, kg/m2, and the
    room for it; the skin's resistance, s/m."""

    def __init__(self, body: Skinned, build: Array, heat: Array) -> None:
        zones = len(heat)
        self.body, self.build, self.face = body, build, Face(heat)
        self.water, self.room = np.zeros((zones, 2)), np.full((zones, 2), 1e-9)
        self.skin, self.grows, self.kept = np.zeros(zones), np.zeros(zones), np.zeros(zones)
        self.number = np.zeros(zones)
        self.rest = body.sorbed * float(np.log(2.0))

    def clear(self, zones: Array) -> None:
        """Bare wax."""
        self.water[zones], self.room[zones] = 0.0, 1e-9
        for state in (self.skin, self.grows, self.kept, self.number):
            state[zones] = 0.0

    def load(self, zones: Array) -> Array:
        """Removable water, kg/m2."""
        return np.asarray((self.water[zones] - self.rest * self.room[zones]).sum(axis=1))

    def weight(self, zones: Array) -> Array:
        """All water, kg/m2."""
        return np.asarray(self.water[zones].sum(axis=1) + self.kept[zones])

    def dip(self, zones: Array, coat: str, pickup: Array) -> None:
        """Put a coat on; the skin of before dissolves, and what was left is below."""
        c, body = self.body.coats[coat], self.body
        water, harder = c.water * pickup * self.build[zones], body.packing.harder(self.number[zones])
        below = np.where(self.number[zones] > 0, body.soaks, 0.0)
        left = self.load(zones)
        self.kept[zones] += self.water[zones].sum(axis=1) - left
        self.room[zones] = np.maximum(np.stack([1.0 - below, below], axis=1) * water[:, None], 1e-9)
        self.water[zones] = self.room[zones]
        self.water[zones, 1] += np.where(below > 0.0, left, 0.0)
        self.water[zones, 0] += np.where(below > 0.0, 0.0, left)
        self.skin[zones] = 0.0
        self.grows[zones] = c.skin * harder * pickup * self.build[zones]
        self.number[zones] += 1.0

    def step(self, dt: float, around: Around) -> Array:
        """One implicit step; the evaporation rate, kg/m2s."""
        near = np.maximum(self.water[:, 0] / self.room[:, 0], 0.0)
        dryness = np.exp(-near / self.body.sorbed)
        activity, slope = 1.0 - dryness, dryness / self.body.sorbed / self.room[:, 0]
        conductance, saturated = self.face.opened(dt, around, self.skin, activity)
        conductance = np.where(self.number > 0, conductance, 0.0)
        linear = conductance * saturated * slope
        constant = conductance * (saturated * activity - around.vapour) - linear * self.water[:, 0]
        first, room = dt * self.body.passes * (self.number > 1), self.room
        inner = 1.0 + first / room[:, 1]
        outer = 1.0 + dt * linear + first / room[:, 0] - first / room[:, 1] * first / room[:, 0] / inner
        new = (self.water[:, 0] - dt * constant + first / room[:, 1] * self.water[:, 1] / inner) / outer
        self.water = np.stack([new, (self.water[:, 1] + first / room[:, 0] * new) / inner], axis=1)
        rate = constant + linear * new
        self._harden(dt, rate)
        self.face.closed(dt, around, rate)
        return np.asarray(rate)

    def _harden(self, dt: float, rate: Array) -> None:
        """What leaves brings binder along; what leaves fast packs it more."""
        leaves = np.maximum(rate, 0.0)
        haste = (leaves / 3e-5) ** self.body.hastes
        share = np.clip(1.0 - self.water[:, 0] / self.room[:, 0], 0.0, 1.0)
        late = (1.0 + self.body.bends) * share**self.body.bends
        self.skin += self.grows * haste * late * leaves * dt / self.room.sum(axis=1)


def draw(rng: np.random.Generator) -> Skinned:
    """Another shop's material; its pace is set by the shop."""
    water, primes = float(rng.uniform(0.16, 0.4)), float(rng.uniform(1.2, 4.0))

    def like(share: float, skin: float) -> Coat:
        own = float(np.exp(0.08 * rng.standard_normal()))
        return Coat(water * share * own, 600.0 * skin * float(np.exp(0.12 * rng.standard_normal())))

    return Skinned(
        coats={
            "prime-first": like(1.15, primes),
            "prime-fine": like(1.05, 0.8 * primes),
            "backup": like(1.0, 1.0),
            "seal": like(0.75, 0.9),
        },
        hastes=float(rng.uniform(0.0, 0.5)),
        bends=float(rng.uniform(0.0, 1.5)),
        soaks=float(rng.uniform(0.05, 0.35)),
        passes=float(np.exp(rng.uniform(np.log(8e-6), np.log(4e-5)))),
        sorbed=float(rng.uniform(0.015, 0.04)),
        packing=packing.draw(rng),
    )
