"""Kept shut: what is dissolved in the slurry's water gathers where the water leaves, and holds the last of it.

Capillarity takes the water that leaves from all of the wetted depth alike. Salts and short silicates of the binder come
along and cannot leave: they pile up beneath the surface and diffuse back, the slower the less water there is (advection
against diffusion in a drying porous medium: Huinink, Pel and Michels, Physics of Fluids 2002; an effective diffusivity
that falls with the saturation: Millington and Quirk 1961). Water in which they are strong has a lower activity (its
logarithm falls by the solute in a kilogram, an osmotic coefficient of one); what they hold at half humidity stays with
them. Through emptied pores vapour goes from weak to strong, and as much liquid back, which takes solute along. The
surface dries in patches as its pores empty (Schluender 1988). A dip dissolves again what has not set into the gel of
older coats. Sources from memory.
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

CELLS = 10
FINER = 0.72  # a cell's depth over that of the cell behind it: the finest are at the surface
TRIES = 3  # of a step's rate, after the first


@dataclass(frozen=True)
class Coat:
    """water: kg/m2 that a dip brings; thickness: m; spreads: m2/s of the solute where all pores are full; rim: s/m for
    vapour from a patch that has dried."""

    water: float
    thickness: float
    spreads: float
    rim: float


@dataclass(frozen=True)
class Briny:
    """A shop's material. holds: share of a dip's water that its solute holds at half humidity; narrows: power of the
    saturation by which the solute's diffusivity falls; vapour: m2/s in emptied pores; sets: share of older coats'
    solute that no dip dissolves; soak: m that a dip wets below."""

    coats: Mapping[str, Coat]
    holds: float
    narrows: float
    vapour: float
    sets: float
    soak: float
    packing: Packing

    faces = ((1.0, 1.0),)

    def water(self, coat: str) -> float:
        """Slurry water that a dip brings, kg/m2."""
        return self.coats[coat].water

    def paced(self, factor: float) -> "Briny":
        """Vapour leaves dried patches so many times as easily; below them all moves with the root of it."""
        more = factor**0.5
        coats = {name: replace(c, spreads=more * c.spreads, rim=c.rim / factor) for name, c in self.coats.items()}
        return replace(self, coats=coats, vapour=more * self.vapour)

    def shells(self, build: Array, heat: Array) -> "BrinyShells":
        """Bare zones, see `protocol.Body`."""
        return BrinyShells(self, build, heat)


class BrinyShells:
    """All zones of all trees, stepped together, see `protocol.Shells`. Of the depth that the last dip has wetted:
    `water`, kg/m2, and `solute` (zones, CELLS) from within outwards, as the water that it holds at half humidity."""

    def __init__(self, body: Briny, build: Array, heat: Array) -> None:
        zones = len(heat)
        self.body, self.build, self.face = body, build, Face(heat)
        cells = FINER ** np.arange(CELLS)
        self.cells = cells / cells.sum()  # shares of the depth
        self.inner = np.cumsum(self.cells)[:-1]  # what lies further in than each border
        self.water, self.solute = np.full(zones, 1e-9), np.full((zones, CELLS), 1e-12)
        self.depth, self.full = np.full(zones, 1e-3), np.ones(zones)  # m; kg/m3 after the dip
        self.thick, self.number, self.rate = np.zeros(zones), np.zeros(zones), np.zeros(zones)
        self.spreads, self.rim = np.full(zones, 1e-10), np.zeros(zones)  # m2/s, s/m
        self.below = np.zeros(zones)  # water that set solute holds at half humidity, kg/m2

    def clear(self, zones: Array) -> None:
        """Bare wax."""
        for state in (self.thick, self.number, self.rate, self.below):
            state[zones] = 0.0
        self.water[zones], self.solute[zones] = 1e-9, 1e-12

    def load(self, zones: Array) -> Array:
        """Removable water, kg/m2: at half humidity an effective solute holds its own amount."""
        return np.asarray(self.water[zones] - self.solute[zones].sum(axis=1))

    def weight(self, zones: Array) -> Array:
        """All water, kg/m2."""
        return np.asarray(self.water[zones] + self.below[zones])

    def dip(self, zones: Array, coat: str, pickup: Array) -> None:
        """Put a coat on; it wets older ones down to a depth and dissolves some of their solute."""
        c, body = self.body.coats[coat], self.body
        factor = pickup * self.build[zones]
        new, soaked = c.thickness * factor, np.minimum(body.soak, self.thick[zones])
        older = self.solute[zones].sum(axis=1)
        set_now = np.where(soaked > 0.0, body.sets, 1.0) * older
        self.below[zones] += set_now
        self.water[zones] += c.water * factor - set_now
        self.depth[zones] = new + soaked
        self.full[zones] = self.water[zones] / self.depth[zones]
        border = (soaked / self.depth[zones])[:, None]  # share of the depth that is older
        within = np.clip((border - np.cumsum(self.cells)) / self.cells + 1.0, 0.0, 1.0)  # of each cell
        dissolved = (older - set_now)[:, None] * within * self.cells / np.maximum(border, 1e-9)
        brought = body.holds * (c.water * factor)[:, None] * (1.0 - within) * self.cells / (1.0 - border)
        self.solute[zones] = dissolved + brought
        self.spreads[zones] = c.spreads
        self.rim[zones] = c.rim * body.packing.harder(self.number[zones]) * factor
        self.thick[zones] += new
        self.number[zones] += 1.0
        self.rate[zones] = 0.0

    def step(self, dt: float, around: Around) -> Array:
        """One implicit step; the evaporation rate, kg/m2s. The faster it is, the more solute is at the surface and the
        slower it would be: the rate lies between any guess and what that guess would allow."""
        activity = self._activity(self.water, self.solute)
        film, wet = 1.0 / np.maximum(around.mass, 1e-9), self._wet(0.5 * dt)
        inside = 1.0 / (wet / film + (1.0 - wet) / (film + self.rim)) - film
        conductance, saturated = self.face.opened(dt, around, inside, activity)
        conductance = np.where(self.number > 0, conductance, 0.0)

        ways = self._ways(saturated)

        def allowed(rate: Array) -> tuple[Array, Array]:
            solute = self._carried(dt, rate, *ways)
            there = self._activity(np.maximum(self.water - dt * rate, 1e-12), solute)
            return conductance * (saturated * there - around.vapour), solute

        # Regula falsi (Illinois), from the rate of before.
        one, solute = self.rate, self.solute
        rate, _ = allowed(one)
        of_one, of_rate = one - rate, rate - allowed(rate)[0]
        for _ in range(TRIES):
            apart = of_rate - of_one
            guess = np.where(apart == 0.0, rate, (one * of_rate - rate * of_one) / np.where(apart == 0.0, 1.0, apart))
            would, solute = allowed(guess)
            beyond = (guess - would) * of_rate < 0.0
            one, of_one = np.where(beyond, rate, one), np.where(beyond, of_rate, 0.5 * of_one)
            rate, of_rate = guess, guess - would
        self.rate, self.solute = rate, solute
        self.water = self.water - dt * rate
        self.face.closed(dt, around, rate)
        return np.asarray(rate)

    def _wet(self, ahead: float = 0.0) -> Array:
        """Share of the pores that is full, so many seconds from now at the rate of before."""
        return np.asarray(np.clip((self.water - ahead * self.rate) / (self.full * self.depth), 1e-6, 1.0))

    def _in_cells(self, water: Array, solute: Array) -> Array:
        """Water of each cell: what its solute holds, or the part of that which is left, and its share of the rest."""
        all_solute = solute.sum(axis=1)
        held, free = np.minimum(water / all_solute, 1.0), np.maximum(water - all_solute, 0.0)
        return np.asarray(held[:, None] * solute + free[:, None] * self.cells)

    def _activity(self, water: Array, solute: Array) -> Array:
        """Of the water at the surface."""
        own = np.maximum(self._in_cells(water, solute)[:, -1], 1e-12)
        return np.asarray(np.exp2(-solute[:, -1] / own))

    def _ways(self, saturated: Array) -> tuple[Array, Array]:
        """Water of each cell, kg/m2, and what the solute's diffusion is worth between neighbours, kg/m2s: its own, and
        that by liquid which goes back where vapour came from, for what is driven by small differences of activity."""
        own, dx = np.maximum(self._in_cells(self.water, self.solute), 1e-12), self.depth[:, None] * self.cells
        wet, apart = self._wet(), 0.5 * (dx[:, :-1] + dx[:, 1:])
        content = 0.5 * (own[:, :-1] + own[:, 1:]) / apart
        strong = (self.solute[:, :-1] + self.solute[:, 1:]) / (own[:, :-1] + own[:, 1:])
        back = (self.body.vapour * (1.0 - wet) * saturated)[:, None] * np.log(2.0) * strong * np.exp2(-strong)
        return own, ((self.spreads * wet**self.body.narrows)[:, None] * content + back) / apart

    def _carried(self, dt: float, rate: Array, own: Array, spreads: Array) -> Array:
        """Solute of the cells after a step at this rate: carried by the water that leaves, and diffusing (exponential
        scheme of Scharfetter and Gummel 1969, which keeps it positive)."""
        peclet = np.clip(rate[:, None] * self.inner / spreads, -100.0, 100.0)
        up = dt * spreads * _bernoulli(-peclet) / own[:, :-1]
        down = dt * spreads * _bernoulli(peclet) / own[:, 1:]
        diagonal, below, above = np.ones_like(own), np.zeros_like(own), np.zeros_like(own)
        diagonal[:, :-1] += up
        diagonal[:, 1:] += down
        above[:, :-1], below[:, :-1] = -down, -up
        solved = dgtsv(below.ravel()[:-1], diagonal.ravel(), above.ravel()[:-1], self.solute.ravel())[3]
        return np.asarray(solved.reshape(own.shape))


def _bernoulli(x: Array) -> Array:
    """x / (exp(x) - 1)."""
    x = np.where(np.abs(x) < 1e-6, 1e-6, x)
    return np.asarray(x / np.expm1(x))


def draw(rng: np.random.Generator) -> Briny:
    """Another shop's material; its pace is set by the shop."""
    water, thickness = float(rng.uniform(0.16, 0.4)), float(rng.uniform(0.7e-3, 1.2e-3))
    primes, rim = float(rng.uniform(0.2, 0.7)), float(np.exp(rng.uniform(np.log(100.0), np.log(500.0))))

    def like(share: float, thin: float, spreads: float) -> Coat:
        own = float(np.exp(0.08 * rng.standard_normal()))
        luck = float(np.exp(0.12 * rng.standard_normal()))
        return Coat(water * share * own, thickness * thin, 4e-10 * spreads * luck, rim / spreads / luck)

    return Briny(
        coats={
            "prime-first": like(1.15, 0.9, primes),
            "prime-fine": like(1.05, 0.9, 1.3 * primes),
            "backup": like(1.0, 1.0, 1.0),
            "seal": like(0.75, 0.65, 0.9),
        },
        holds=float(rng.uniform(0.008, 0.025)),
        narrows=float(rng.uniform(0.5, 1.5)),
        vapour=float(np.exp(rng.uniform(np.log(0.8e-6), np.log(2.5e-6)))),
        sets=float(rng.uniform(0.65, 0.95)),
        soak=float(rng.uniform(0.0, 3e-3)),
        packing=packing.draw(rng),
    )
