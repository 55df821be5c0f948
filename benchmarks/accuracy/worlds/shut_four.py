"""Kept shut: suction moves water between coats, and the stucco that drains first lies on them like gravel on soil.

A coat has two sizes of pores, the voids of its stucco and the slurry's own (two pore systems of one medium: Durner,
Water Resources Research 1994). The stucco's empty first. From then on the water below has to pass them as vapour: a dry
layer of one thickness, through which the rate is even while the slurry's pores still hold enough (coarse over fine:
Shokri, Lehmann and Or, Journal of Geophysical Research 2010; mulches in soil physics). Suction draws water from fuller
coats into emptier ones, new water into the old shell and back again, by a power of the filling (Brooks and Corey 1964),
slowly where stucco grains touch at few places. The last is sorbed as by Guggenheim, Anderson and de Boer. The next
slurry fills the voids of the stucco; a seal coat has none. Edges have more slurry than faces. Sources from memory.
"""

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
TURNS = 2  # of a step's balance, about what the one before found
VOIDS = 4.0  # how much more full voids draw than full pores of the slurry


@dataclass(frozen=True)
class Coat:
    """water: kg/m2 that a dip brings; voids: share of it in the stucco's voids; grains: m of a backup's stucco that
    hinders vapour as much as this coat's does; carries: kg/m2s from full pores of the slurry to empty ones of the next
    coat."""

    water: float
    voids: float
    grains: float
    carries: float


@dataclass(frozen=True)
class Layered:
    """A shop's material. faces: shares and thicknesses of face, edges, drips. power: of the filling by which water
    moves; vapour: m2/s in the stucco; gap: s/m for vapour from coat to coat; monolayer: filling of the slurry's pores
    that it is; strength, second: the isotherm's other two numbers (C and k)."""

    coats: Mapping[str, Coat]
    faces: tuple[tuple[float, float], ...]
    power: float
    vapour: float
    gap: float
    monolayer: float
    strength: float
    second: float
    packing: Packing

    def water(self, coat: str) -> float:
        """Slurry water that a dip brings to the mean of a tree's faces, kg/m2."""
        return self.coats[coat].water * sum(share * build for share, build in self.faces)

    def paced(self, factor: float) -> "Layered":
        """Water moves so many times as easily."""
        coats = {name: replace(c, carries=factor * c.carries) for name, c in self.coats.items()}
        return replace(self, coats=coats, vapour=factor * self.vapour, gap=self.gap / factor)

    def shells(self, build: Array, heat: Array) -> "LayeredShells":
        """Bare zones, see `protocol.Body`."""
        return LayeredShells(self, build, heat)

    def filling(self, activity: float) -> float:
        """Of the slurry's pores in rest with an activity."""
        x, c = self.second * activity, self.strength
        return self.monolayer * c * x / ((1.0 - x) * (1.0 - x + c * x))

    def activity(self, filling: Array) -> tuple[Array, Array]:
        """In rest with a filling, and its slope: the isotherm's quadratic equation solved."""
        c, f = self.strength, np.maximum(filling, 1e-9)
        a, b = (c - 1.0) * f, self.monolayer * c - (c - 2.0) * f
        root = np.sqrt(b * b + 4.0 * a * f)
        x = 2.0 * f / (b + root)
        slope = (1.0 + (c - 2.0) * x - (c - 1.0) * x * x) / root
        full = x >= self.second
        return np.where(full, 1.0, x / self.second), np.where(full, 0.0, slope / self.second)


class LayeredShells:
    """All zones of all trees, stepped together, see `protocol.Shells`. Coats from the pattern outwards (zones, coats):
    `water`, `pores` of the slurry, `voids` of the stucco in kg/m2, `carries` in kg/m2s; by zone the stucco's `grains`
    in m."""

    def __init__(self, body: Layered, build: Array, heat: Array) -> None:
        zones = len(heat)
        self.body, self.build, self.face = body, build, Face(heat)
        self.water, self.pores = np.zeros((zones, MAX_COATS)), np.full((zones, MAX_COATS), 1e-3)
        self.voids, self.carries = np.full((zones, MAX_COATS), 1e-3), np.full((zones, MAX_COATS), 1e-12)
        self.used, self.grains = np.zeros(zones, dtype=np.int64), np.zeros(zones)
        self.rest = body.filling(0.5)

    def clear(self, zones: Array) -> None:
        """Bare wax."""
        self.water[zones], self.used[zones] = 0.0, 0
        self.pores[zones], self.voids[zones], self.carries[zones] = 1e-3, 1e-3, 1e-12

    def load(self, zones: Array) -> Array:
        """Removable water, kg/m2."""
        there = np.arange(MAX_COATS) < self.used[zones, None]
        return np.asarray(((self.water[zones] - self.rest * self.pores[zones]) * there).sum(axis=1))

    def weight(self, zones: Array) -> Array:
        """All water, kg/m2."""
        return np.asarray(self.water[zones].sum(axis=1))

    def dip(self, zones: Array, coat: str, pickup: Array) -> None:
        """Put a coat on; its slurry fills the voids of the stucco below."""
        c, body = self.body.coats[coat], self.body
        for zone, factor in zip(zones, pickup * self.build[zones], strict=True):
            n = int(self.used[zone])
            if n == MAX_COATS:
                raise ValueError(f"a shell holds at most {MAX_COATS} coats")
            self.voids[zone, :n] = 0.02 * self.pores[zone, :n]
            self.water[zone, n] = c.water * factor
            self.pores[zone, n] = (1.0 - c.voids) * c.water * factor
            self.voids[zone, n] = max(c.voids, 0.02) * c.water * factor
            self.carries[zone, n] = c.carries / float(body.packing.harder(n)) / factor
            self.grains[zone] = c.grains
            self.used[zone] = n + 1

    def step(self, dt: float, around: Around) -> Array:
        """One implicit step; the evaporation rate, kg/m2s."""
        there, rows, top = np.arange(MAX_COATS) < self.used[:, None], np.arange(len(self.used)), self.used - 1
        near = self.water
        for _ in range(TURNS):
            activity, slope = self.body.activity(near / self.pores)
            activity, slope = activity * there, slope / self.pores * there
            inside = self._inside(0.5 * (self.water + near)[rows, top], around)
            conductance, saturated = self.face.opened(dt, around, inside, activity[rows, top])
            conductance = np.where(self.used > 0, conductance, 0.0)
            air = (conductance, saturated, around.vapour)
            before, near = near, self._balance(dt, near, self._draws(near), (activity, slope), air)
        self.water = near
        reached = activity[rows, top] + slope[rows, top] * (near - before)[rows, top]
        rate = conductance * (saturated * reached - around.vapour)
        self.face.closed(dt, around, rate)
        return np.asarray(rate)

    def _inside(self, water: Array, around: Around) -> Array:
        """Between the water and the surface, s/m: full voids give it off as if they were wet ground, empty ones let
        vapour through."""
        rows, top = np.arange(len(self.used)), self.used - 1
        film, grains = 1.0 / np.maximum(around.mass, 1e-9), self.grains / self.body.vapour
        filled = np.clip((water - self.pores[rows, top]) / self.voids[rows, top], 0.0, 1.0)
        return np.asarray(1.0 / (filled / film + (1.0 - filled) / (film + grains)) - film)

    def _draws(self, water: Array) -> tuple[Array, Array]:
        """What drives water to the next coat, 1 where the slurry's pores are just full, and its slope by the water."""
        power, filling = self.body.power, np.clip(water / self.pores, 0.0, 1.0)
        over = np.maximum(water - self.pores, 0.0) * VOIDS / self.voids
        slope = np.where(water > self.pores, VOIDS / self.voids, power * filling ** (power - 1.0) / self.pores)
        return filling**power + over, slope

    def _balance(
        self, dt: float, near: Array, draws: tuple[Array, Array], damp: tuple[Array, Array], air: tuple[Array, ...]
    ) -> Array:
        """Water of the coats at the end of the step; what drives it as straight lines about `near`. draws: suction,
        damp: activity, each with its slope; air: the surface's conductance, saturated vapour there, vapour outside."""
        (drawn, steep), (activity, slope), (conductance, saturated, outside) = draws, damp, air
        rows, top = np.arange(len(self.used)), self.used - 1
        joined = np.arange(MAX_COATS - 1) < (self.used - 1)[:, None]
        liquid = dt * joined * 2.0 / (1.0 / self.carries[:, :-1] + 1.0 / self.carries[:, 1:])
        vapour = dt * joined * (saturated / self.body.gap)[:, None]
        drawn, activity = drawn - steep * near, activity - slope * near  # where the lines begin
        up = liquid * steep[:, :-1] + vapour * slope[:, :-1]
        down = liquid * steep[:, 1:] + vapour * slope[:, 1:]
        constant = liquid * (drawn[:, :-1] - drawn[:, 1:]) + vapour * (activity[:, :-1] - activity[:, 1:])
        diagonal, right = np.ones_like(near), self.water.copy()
        diagonal[:, :-1] += up
        diagonal[:, 1:] += down
        right[:, :-1] -= constant
        right[:, 1:] += constant
        diagonal[rows, top] += dt * conductance * saturated * slope[rows, top]
        right[rows, top] -= dt * conductance * (saturated * activity[rows, top] - outside)
        below, above = np.zeros_like(near), np.zeros_like(near)
        above[:, :-1], below[:, :-1] = -down, -up
        solved = dgtsv(below.ravel()[:-1], diagonal.ravel(), above.ravel()[:-1], right.ravel())[3]
        return np.asarray(solved.reshape(near.shape))


def draw(rng: np.random.Generator) -> Layered:
    """Another shop's material; its pace is set by the shop."""
    water, voids = float(rng.uniform(0.16, 0.4)), float(rng.uniform(0.15, 0.4))
    primes, grains = float(rng.uniform(0.3, 0.8)), float(rng.uniform(0.4e-3, 0.8e-3))
    edges, drips, edge = float(rng.uniform(0.05, 0.12)), float(rng.uniform(0.005, 0.02)), float(rng.uniform(1.05, 1.15))
    carries = float(np.exp(rng.uniform(np.log(4e-6), np.log(4e-5))))

    def like(share: float, sand: tuple[float, float], moves: float) -> Coat:
        own = float(np.exp(0.08 * rng.standard_normal()))
        luck = float(np.exp(0.12 * rng.standard_normal()))
        return Coat(water * share * own, voids * sand[0], grains * sand[1], carries * moves * luck)

    return Layered(
        coats={
            "prime-first": like(1.15, (0.7, 0.6 / primes), primes),
            "prime-fine": like(1.05, (0.7, 0.6 / primes), 1.2 * primes),
            "backup": like(1.0, (1.0, 1.0), 1.0),
            "seal": like(0.75, (0.0, 0.3), 1.0),
        },
        faces=((1.0 - edges - drips, 1.0), (edges, edge), (drips, float(rng.uniform(edge, 1.2)))),
        power=float(rng.uniform(2.0, 4.0)),
        vapour=float(np.exp(rng.uniform(np.log(0.6e-6), np.log(1.5e-6)))),
        gap=float(np.exp(rng.uniform(np.log(300.0), np.log(1500.0)))),
        monolayer=float(rng.uniform(0.008, 0.02)),
        strength=float(rng.uniform(8.0, 30.0)),
        second=float(rng.uniform(0.75, 0.88)),
        packing=packing.draw(rng),
    )
