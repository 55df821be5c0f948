"""Kept shut until 1 December 2026: coats are set apart by coarse stucco, and the binder lets water go by its warmth."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg.lapack import dgtsv

from benchmarks.accuracy.worlds import packing
from benchmarks.accuracy.worlds.face import Face
from benchmarks.accuracy.worlds.moist import Array
from benchmarks.accuracy.worlds.packing import Packing
from benchmarks.accuracy.worlds.protocol import Around

MAX_COATS = 11


@dataclass(frozen=True)
class Coat:
    """water: kg/m2 that a dip brings; lets: 1/s at 22 degC."""

    water: float
    lets: float


@dataclass(frozen=True)
class Gelled:
    """A shop's material; what its numbers mean is said where they are used."""

    coats: Mapping[str, Coat]
    gel: float
    warmth: float
    gap: float
    soaks: float
    sorbed: float
    holds: float
    packing: Packing

    faces = ((1.0, 1.0),)

    def water(self, coat: str) -> float:
        """Slurry water that a dip brings, kg/m2."""
        return self.coats[coat].water

    def paced(self, factor: float) -> "Gelled":
        """Water moves so many times as easily."""
        coats = {name: replace(c, lets=factor * c.lets) for name, c in self.coats.items()}
        return replace(self, coats=coats, gap=self.gap / factor)

    def shells(self, build: Array, heat: Array) -> "GelledShells":
        """Bare zones, see `protocol.Body`."""
        return GelledShells(self, build, heat)


class GelledShells:
    """All zones of all trees, stepped together, see `protocol.Shells`. Coats from the pattern outwards, (zones, coats):
    water in pores and in the binder, kg/m2, the room for it, 1/s that the binder lets go."""

    def __init__(self, body: Gelled, build: Array, heat: Array) -> None:
        zones = len(heat)
        self.body, self.build, self.face = body, build, Face(heat)
        self.pores, self.gel = np.zeros((zones, MAX_COATS)), np.zeros((zones, MAX_COATS))
        self.room, self.lets = np.full((zones, MAX_COATS), 1e-3), np.zeros((zones, MAX_COATS))
        self.used = np.zeros(zones, dtype=np.int64)

    def clear(self, zones: Array) -> None:
        """Bare wax."""
        self.pores[zones], self.gel[zones], self.used[zones] = 0.0, 0.0, 0
        self.lets[zones], self.room[zones] = 0.0, 1e-3

    def load(self, zones: Array) -> Array:
        """Removable water, kg/m2."""
        there = np.arange(MAX_COATS) < self.used[zones, None]
        rest = (self.body.sorbed * float(np.log(2.0)) + 0.5 * self.body.holds) * self.room[zones]
        return np.asarray(((self.pores[zones] + self.gel[zones] - rest) * there).sum(axis=1))

    def weight(self, zones: Array) -> Array:
        """All water, kg/m2."""
        return np.asarray((self.pores[zones] + self.gel[zones]).sum(axis=1))

    def dip(self, zones: Array, coat: str, pickup: Array) -> None:
        """Put a coat on; some of its water goes through the stucco into the one below."""
        c, body = self.body.coats[coat], self.body
        for zone, factor in zip(zones, pickup * self.build[zones], strict=True):
            n = int(self.used[zone])
            if n == MAX_COATS:
                raise ValueError(f"a shell holds at most {MAX_COATS} coats")
            water = c.water * factor
            below = body.soaks * water if n else 0.0
            if n:
                self.pores[zone, n - 1] += below * (1.0 - body.gel)
                self.gel[zone, n - 1] += below * body.gel
            self.room[zone, n] = water
            self.pores[zone, n], self.gel[zone, n] = (water - below) * (1.0 - body.gel), (water - below) * body.gel
            self.lets[zone, n] = c.lets / float(body.packing.harder(n)) / factor
            self.used[zone] = n + 1

    def step(self, dt: float, around: Around) -> Array:
        """One implicit step; the evaporation rate, kg/m2s."""
        zones = len(self.used)
        rows, top = np.arange(zones), np.maximum(self.used - 1, 0)
        there = np.arange(MAX_COATS) < self.used[:, None]
        filling = np.maximum(self.pores, 0.0) / self.room
        dryness = np.exp(-filling / self.body.sorbed)
        activity, slope = (1.0 - dryness) * there, dryness / self.body.sorbed / self.room * there
        conductance, saturated = self.face.opened(dt, around, np.zeros(zones), activity[rows, top])
        conductance = np.where(self.used > 0, conductance, 0.0)
        rest = activity - slope * self.pores  # activity = rest + slope * what will be in the pores
        kelvin = self.face.temperature + 273.15
        lets = self.lets * there * np.exp(self.body.warmth * (1.0 / 295.15 - 1.0 / kelvin))[:, None]
        lets = lets / (1.0 + dt * lets)
        across = (there[:, 1:] * saturated[:, None]) / self.body.gap
        holds = self.body.holds * self.room

        diagonal = 1.0 + dt * lets * holds * slope
        right = self.pores + dt * lets * (self.gel - holds * rest)
        diagonal[:, :-1] += dt * across * slope[:, :-1]
        diagonal[:, 1:] += dt * across * slope[:, 1:]
        right[:, :-1] -= dt * across * (rest[:, :-1] - rest[:, 1:])
        right[:, 1:] += dt * across * (rest[:, :-1] - rest[:, 1:])
        diagonal[rows, top] += dt * conductance * saturated * slope[rows, top]
        right[rows, top] -= dt * conductance * (saturated * rest[rows, top] - around.vapour)
        below, above = np.zeros_like(diagonal), np.zeros_like(diagonal)
        above[:, :-1], below[:, :-1] = -dt * across * slope[:, 1:], -dt * across * slope[:, :-1]
        solved = dgtsv(below.ravel()[:-1], diagonal.ravel(), above.ravel()[:-1], right.ravel())[3]
        self.pores = solved.reshape(zones, MAX_COATS)
        reached = rest + slope * self.pores
        self.gel = self.gel - dt * lets * (self.gel - holds * reached)
        rate = conductance * (saturated * reached[rows, top] - around.vapour)
        self.face.closed(dt, around, rate)
        return np.asarray(rate)


def draw(rng: np.random.Generator) -> Gelled:
    """Another shop's material; its pace is set by the shop."""
    water, primes = float(rng.uniform(0.16, 0.4)), float(rng.uniform(0.25, 0.8))

    def like(share: float, lets: float) -> Coat:
        own = float(np.exp(0.08 * rng.standard_normal()))
        return Coat(water * share * own, 4e-4 * lets * float(np.exp(0.12 * rng.standard_normal())))

    return Gelled(
        coats={
            "prime-first": like(1.15, primes),
            "prime-fine": like(1.05, 1.2 * primes),
            "backup": like(1.0, 1.0),
            "seal": like(0.75, 1.0),
        },
        gel=float(rng.uniform(0.2, 0.6)),
        warmth=float(rng.uniform(3000.0, 6500.0)),
        gap=float(np.exp(rng.uniform(np.log(200.0), np.log(1500.0)))),
        soaks=float(rng.uniform(0.0, 0.3)),
        sorbed=float(rng.uniform(0.01, 0.03)),
        holds=float(rng.uniform(0.01, 0.04)),
        packing=packing.draw(rng),
    )
