"""Liquid diffuses through the coat and the depth that its water has soaked.

Water moves by one diffusivity that rises steeply with the water content (exponential, as is usual for capillary flow
in building materials: Hall and Hoff, Water Transport in Brick, Stone and Concrete, 2002; from memory). A dip soaks into
the coats below, as far as later binder has not shut their pores, so that the way out grows with the coat number until
the soaked depth is all used. At low contents the diffusivity is constant: the end is Crank's exponential.
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

CELLS_PER_COAT = 4
MAX_COATS = 11
WET = 300.0  # kg water per m3 of coat with full pores (common practice, no source)


@dataclass(frozen=True)
class Coat:
    """water: kg/m2 that a dip brings; thickness: m; diffusivity: m2/s when nearly dry."""

    water: float
    thickness: float
    diffusivity: float


@dataclass(frozen=True)
class Soaked:
    """A shop's material. steep: log of wet over dry diffusivity; share: of a dip's water that soaks below at most;
    depth: m, how far; dense: coats in which water moves less than so many times as easily as in the new one keep
    it out; sorbed: kg/m3, scale of the isotherm."""

    coats: Mapping[str, Coat]
    steep: float
    share: float
    depth: float
    dense: float
    sorbed: float
    packing: Packing

    faces = ((1.0, 1.0),)

    def water(self, coat: str) -> float:
        """Slurry water that a dip brings, kg/m2."""
        return self.coats[coat].water

    def paced(self, factor: float) -> "Soaked":
        """Water moves so many times as easily."""
        coats = {name: replace(c, diffusivity=factor * c.diffusivity) for name, c in self.coats.items()}
        return replace(self, coats=coats)

    def shells(self, build: Array, heat: Array) -> "SoakedShells":
        """Bare zones, see `protocol.Body`."""
        return SoakedShells(self, build, heat)

    def content(self, activity: float) -> float:
        """Water content in rest with an activity, kg/m3."""
        return -self.sorbed * float(np.log1p(-activity))


class SoakedShells:
    """All zones of all trees, stepped together, see `protocol.Shells`. Cells from the pattern outwards."""

    def __init__(self, body: Soaked, build: Array, heat: Array) -> None:
        zones, cells = len(heat), MAX_COATS * CELLS_PER_COAT
        self.body, self.build, self.face = body, build, Face(heat)
        self.content = np.zeros((zones, cells))
        self.dx = np.full((zones, cells), 1e-3)
        self.dry = np.full((zones, cells), 1e-10)  # diffusivity of the nearly dry coat, m2/s
        self.used = np.zeros(zones, dtype=np.int64)
        self.bottom = np.zeros(zones, dtype=np.int64)  # cells below are shut for good: later binder fills their pores
        self.surface = np.zeros(zones)  # content at the surface

    def clear(self, zones: Array) -> None:
        """Bare wax."""
        self.used[zones], self.bottom[zones], self.content[zones] = 0, 0, 0.0

    def load(self, zones: Array) -> Array:
        """Removable water, kg/m2."""
        place = np.arange(self.content.shape[1])
        filled = (place < self.used[zones, None]) & (place >= self.bottom[zones, None])
        excess = (self.content[zones] - self.body.content(0.5)) * self.dx[zones]
        return np.asarray((excess * filled).sum(axis=1))

    def weight(self, zones: Array) -> Array:
        """All water, kg/m2."""
        return np.asarray((self.content[zones] * self.dx[zones]).sum(axis=1))

    def dip(self, zones: Array, coat: str, pickup: Array) -> None:
        """Put a coat on; a share of its water soaks into the coats below."""
        c = self.body.coats[coat]
        for zone, factor in zip(zones, pickup * self.build[zones], strict=True):
            n = int(self.used[zone])
            if n + CELLS_PER_COAT > self.content.shape[1]:
                raise ValueError(f"a shell holds at most {MAX_COATS} coats")
            moves = c.diffusivity / float(self.body.packing.harder(n / CELLS_PER_COAT))
            self._shut(zone, n, moves, c.thickness * factor)
            soaked = self._soak(zone, n, c.water * factor)
            new = slice(n, n + CELLS_PER_COAT)
            self.dx[zone, new] = c.thickness * factor / CELLS_PER_COAT
            self.content[zone, new] = (c.water * factor - soaked) / (c.thickness * factor)
            self.dry[zone, new] = moves
            self.used[zone] = n + CELLS_PER_COAT

    def _shut(self, zone: int, n: int, moves: float, thickness: float) -> None:
        """Shut what lies too deep for the water of a new coat, or is too dense for it."""
        deep = self._depth(zone, n) > self.body.depth
        dense = self.dry[zone, :n] < self.body.dense * moves
        kept_out = np.flatnonzero(deep | dense)
        self.bottom[zone] = max(self.bottom[zone], kept_out[-1] + 1 if len(kept_out) else 0)

    def _depth(self, zone: int, n: int) -> Array:
        """Of the cells' middles below the surface, m."""
        edges = np.cumsum(self.dx[zone, :n][::-1])[::-1]
        return np.asarray(edges - 0.5 * self.dx[zone, :n])

    def _soak(self, zone: int, n: int, water: float) -> float:
        """Wet the coats below by a dip that brings `water`; what they took, kg/m2."""
        if not n:
            return 0.0
        dx = self.dx[zone, :n]
        within = np.where(np.arange(n) >= self.bottom[zone], dx, 0.0)
        if not within.any():
            return 0.0
        offered = self.body.share * water * within / max(self.body.depth, float(within.sum()))
        taken = np.minimum(offered, 0.8 * np.maximum(WET - self.content[zone, :n], 0.0) * dx)
        self.content[zone, :n] += taken / dx
        return float(taken.sum())

    def step(self, dt: float, around: Around) -> Array:
        """One implicit step; the evaporation rate, kg/m2s."""
        zones, cells = self.content.shape
        rows, top = np.arange(zones), np.maximum(self.used - 1, 0)
        still, place = self.dry / self.dx, np.arange(cells - 1)
        inner = (place < (self.used - 1)[:, None]) & (place >= self.bottom[:, None])
        eased = self._eased(self.content[:, :-1], self.content[:, 1:])
        pass_on: Array = inner * eased * 2.0 / (1.0 / still[:, :-1] + 1.0 / still[:, 1:])
        capacity = self.dx / dt
        diagonal, right = capacity.copy(), capacity * self.content
        diagonal[:, :-1] += pass_on
        diagonal[:, 1:] += pass_on

        # The rate as a straight line of the outermost content: the surface's own is found, then linearised about.
        own = self.content[rows, top]
        activity, _ = self._sorbed(self.surface)
        conductance, saturated = self.face.opened(dt, around, np.zeros(zones), activity)
        wetted = np.where(self.used > 0, conductance, 0.0)
        half = 2.0 * still[rows, top] * self._eased(own, self.surface)
        self._find_surface(own, half, wetted, saturated, around.vapour)
        activity, slope = self._sorbed(self.surface)
        share = half / (half + wetted * saturated * slope)  # of a change of the middle that reaches the surface
        constant = share * wetted * (saturated * (activity - slope * self.surface) - around.vapour)
        linear = share * wetted * saturated * slope
        diagonal[rows, top] += linear
        right[rows, top] -= constant

        below, above = np.zeros((zones, cells)), np.zeros((zones, cells))
        above[:, :-1], below[:, :-1] = -pass_on, -pass_on
        solved = dgtsv(below.ravel()[:-1], diagonal.ravel(), above.ravel()[:-1], right.ravel())[3]
        self.content = solved.reshape(zones, cells)
        rate = constant + linear * self.content[rows, top]
        self.face.closed(dt, around, rate)
        return np.asarray(rate)

    def _eased(self, one: Array, other: Array) -> Array:
        """How much easier water moves than through the nearly dry coat, between two contents: the integral mean."""
        steep = self.body.steep / WET
        a, b = steep * np.minimum(one, WET), steep * np.minimum(other, WET)
        apart = np.where(np.abs(a - b) < 1e-6, 1e-6, a - b)
        return np.asarray(np.exp(b) * np.expm1(apart) / apart)

    def _sorbed(self, content: Array) -> tuple[Array, Array]:
        """Water activity and its slope (per kg/m3) at a content."""
        dryness = np.exp(-np.maximum(content, 0.0) / self.body.sorbed)
        return 1.0 - dryness, dryness / self.body.sorbed

    def _find_surface(self, own: Array, half: Array, wetted: Array, saturated: Array, vapour: Array) -> None:
        """Content at the surface where what the outermost half cell brings is what the air takes (Newton)."""
        for _ in range(5):
            activity, slope = self._sorbed(self.surface)
            missing = half * (own - self.surface) - wetted * (saturated * activity - vapour)
            self.surface = np.maximum(self.surface + missing / (half + wetted * saturated * slope), 0.0)


def draw(rng: np.random.Generator) -> Soaked:
    """Another shop's material; its pace is set by the shop."""
    water, thickness = float(rng.uniform(0.16, 0.4)), float(rng.uniform(0.7e-3, 1.2e-3))
    primes = float(rng.uniform(0.2, 0.6))

    def like(share: float, thin: float, slow: float) -> Coat:
        own = float(np.exp(0.08 * rng.standard_normal()))
        return Coat(water * share * own, thickness * thin, 4e-10 * slow * float(np.exp(0.15 * rng.standard_normal())))

    return Soaked(
        coats={
            "prime-first": like(1.1, 0.85, primes),
            "prime-fine": like(1.05, 0.9, 1.3 * primes),
            "backup": like(1.0, 1.0, 1.0),
            "seal": like(0.75, 0.65, 0.8),
        },
        steep=float(rng.uniform(1.0, 3.5)),
        share=float(rng.uniform(0.1, 0.6)),
        depth=float(rng.uniform(0.0, 4e-3)),
        dense=float(rng.uniform(0.2, 0.8)),
        sorbed=float(rng.uniform(1.2, 3.0)),
        packing=packing.draw(rng),
    )
