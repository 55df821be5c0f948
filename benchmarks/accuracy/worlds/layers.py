"""The shells of the simulated foundry: water moving through the depth of the coats, and leaving from a cooled
surface.

Independent of drymon's own drying model on purpose. Every zone of every tree is a stack of thin layers (1-D
finite volumes) from the pattern outwards; all stacks are stepped together, implicitly, as one tridiagonal
system.

- Inside: liquid flow whose diffusivity rises with a power of the saturation (Yasuda et al. 2025, arXiv
  2501.13361, find about the cube for granular beds) and vapour diffusion driven by the water activity.
- Activity against water content: GAB sorption on the binder silica (Anderson 1946 form) plus pore water after
  van Genuchten (1980), suction turned into activity by Kelvin's equation.
- At the surface: convection (Churchill and Bernstein 1977 for the cylinder in cross-flow, joined with a
  still-air floor), radiation, Lewis relation, and a pattern whose heat makes the temperature lag.
- A new dip wets the coats below, less with depth.

The material values are calibrated to the two published moistures of a small backup bar (36.5 % left after 60
min, 11.5 % after 120 min; Guerra and Dooley, INCAST June 2020, p. 24) at 21 degC, 50 %RH, 0.6 m/s; README.md
says how close they come.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg.lapack import dgtsv

from benchmarks.accuracy.worlds.moist import LATENT, Array, vapour_density
from benchmarks.accuracy.worlds.protocol import RADIATION, Around, Part, Reach, World

CELLS_PER_COAT = 3
MAX_COATS = 11
WET = 300.0  # kg water per m3 of coat with full pores: porosity about 0.3 (common practice, no source)


def _pocket(factor: float) -> Reach:
    return Reach(factor, radiation=RADIATION * min(1.0, 1.5 * factor))


PARTS = {
    "open": (Part(1.0),),
    "pocketed": (Part(0.75), Part(0.25, _pocket(0.25))),
    "deep": (Part(0.70), Part(0.22, _pocket(0.35)), Part(0.08, _pocket(0.06))),
}
"""Parallel zones of a tree: shares of the wetted area, transfer against the open face (common practice, no source)."""


class Isotherm:
    """Water activity against water content (kg/m3), tabulated once; `monolayer` in kg/m3."""

    def __init__(self, monolayer: float = 1.2, c: float = 20.0, k: float = 0.75) -> None:
        activity = 1.0 - np.geomspace(1.0, 1e-7, 6000)
        activity[0] = 0.0
        suction = -np.log(np.maximum(activity, 1e-9)) * 1000.0 * 8.314 * 294.0 / 0.018
        pores = (1.0 + (suction / 4.0e5) ** 2.2) ** -(1 - 1 / 2.2)
        film = monolayer * c * k * activity / ((1 - k * activity) * (1 - k * activity + c * k * activity))
        content = film + WET * pores
        content -= content[0]
        self.step = 0.05
        grid = np.arange(0.0, 900.0, self.step)
        self.table = np.minimum(np.interp(grid, content, activity, right=1.0), 1.0)
        self.slope = np.gradient(self.table, self.step)
        self.at_half = float(np.interp(0.5, activity, content))

    def look_up(self, content: Array) -> tuple[Array, Array]:
        """Activity and its slope (per kg/m3) at `content`."""
        place = np.clip(content / self.step, 0.0, len(self.table) - 1.001)
        index = place.astype(np.int64)
        share = place - index
        low = self.table[index]
        return low + share * (self.table[index + 1] - low), self.slope[index]


@dataclass(frozen=True)
class Coat:
    """A coat as the shell sees it. `water`: slurry water put on, kg/m2; `thickness`: m; `liquid`: m2/s at
    full pores; `vapour`: m2/s in dry pores."""

    water: float
    thickness: float
    liquid: float
    vapour: float


@dataclass(frozen=True)
class Material:
    """What a shop's slurries and stuccos make: coats by name, how liquid flow falls with saturation, how dips
    soak in, and the saturation below which the surface dries in patches (wet and dry spots side by side,
    after Schluender 1988)."""

    coats: dict[str, Coat]
    liquid_power: float = 4.8
    soak_share: float = 0.005
    soak_depth: float = 0.6e-3
    monolayer: float = 1.2
    patchy_below: float = 0.236

    faces = ((1.0, 1.0),)  # even all over; no annotation: not a field

    def water(self, coat: str) -> float:
        """Slurry water that a dip brings, kg/m2."""
        return self.coats[coat].water

    def paced(self, factor: float) -> "Material":
        """Water moves so many times as easily."""
        coats = {name: replace(c, liquid=factor * c.liquid, vapour=factor * c.vapour) for name, c in self.coats.items()}
        return replace(self, coats=coats)

    def shells(self, build: Array, heat: Array) -> "Stacks":
        """Bare zones, see `protocol.Body`."""
        return Stacks(self, build, heat)

    def varied(self, rng: np.random.Generator, spread: float = 1.0) -> "Material":
        """Another shop's material: every number moved by its own log-normal factor."""

        def factor(sd: float) -> float:
            return float(np.exp(spread * sd * rng.standard_normal()))

        shared_water, shared_liquid, shared_vapour = factor(0.12), factor(0.3), factor(0.2)
        coats = {
            name: Coat(
                water=c.water * shared_water * factor(0.06),
                thickness=c.thickness * factor(0.06),
                liquid=c.liquid * shared_liquid * factor(0.15),
                vapour=c.vapour * shared_vapour * factor(0.1),
            )
            for name, c in self.coats.items()
        }
        return replace(
            self,
            coats=coats,
            liquid_power=self.liquid_power * factor(0.1),
            soak_share=self.soak_share * factor(0.35),
            soak_depth=self.soak_depth * factor(0.2),
            monolayer=self.monolayer * factor(0.2),
        )


NOMINAL = Material(
    coats={
        "prime-first": Coat(0.27, 0.8e-3, 4.5e-11, 1.3e-6),
        "prime-fine": Coat(0.26, 0.85e-3, 5.0e-11, 1.4e-6),
        "slurry-only-first": Coat(0.17, 0.55e-3, 4.5e-11, 1.3e-6),
        "backup": Coat(0.23, 0.9e-3, 5.5e-11, 1.7e-6),
        "seal": Coat(0.17, 0.6e-3, 5.0e-11, 1.5e-6),
    }
)


def draw(rng: np.random.Generator) -> Material:
    """Another shop's material."""
    return NOMINAL.varied(rng)


def world(material: Material = NOMINAL) -> World:
    """The material with pockets that are a factor on the transfer."""
    return World("layers", material, PARTS)


class Stacks:
    """All zones of all trees, stepped together, see `protocol.Shells`."""

    def __init__(self, material: Material, build: Array, heat: Array) -> None:
        zones, cells = len(heat), MAX_COATS * CELLS_PER_COAT
        self.material, self.isotherm = material, Isotherm(material.monolayer)
        self.build, self.heat = build, heat
        self.water = np.zeros((zones, cells))
        self.dx = np.full((zones, cells), 1e-3)
        self.liquid = np.zeros((zones, cells))
        self.vapour = np.full((zones, cells), 1e-6)
        self.used = np.zeros(zones, dtype=np.int64)
        self.temperature = np.full(zones, np.nan)

    def clear(self, zones: Array) -> None:
        """A new pattern hangs here: bare wax."""
        self.used[zones] = 0
        self.water[zones] = 0.0

    def load(self, zones: Array) -> Array:
        """Water above the 50 %RH equilibrium, kg/m2: what is removable."""
        filled = np.arange(self.water.shape[1]) < self.used[zones, None]
        excess = (self.water[zones] - self.isotherm.at_half) * self.dx[zones]
        return np.asarray((excess * filled).sum(axis=1))

    def weight(self, zones: Array) -> Array:
        """All water, kg/m2 (what a scale feels)."""
        return np.asarray((self.water[zones] * self.dx[zones]).sum(axis=1))

    def dip(self, zones: Array, coat: str, pickup: Array) -> None:
        """Put a coat on; the slurry's water also soaks into the coats below. `pickup`: factors of this dip."""
        c = self.material.coats[coat]
        for zone, factor in zip(zones, pickup * self.build[zones], strict=True):
            n = int(self.used[zone])
            if n + CELLS_PER_COAT > self.water.shape[1]:
                raise ValueError(f"a shell holds at most {MAX_COATS} coats")
            edges = np.cumsum(self.dx[zone, :n][::-1])[::-1]
            depth = edges - 0.5 * self.dx[zone, :n]
            thirst = np.maximum(WET - self.water[zone, :n], 0.0)
            self.water[zone, :n] += (
                self.material.soak_share * factor * np.exp(-depth / self.material.soak_depth) * thirst
            )
            new = slice(n, n + CELLS_PER_COAT)
            thickness = c.thickness * factor
            self.dx[zone, new] = thickness / CELLS_PER_COAT
            self.water[zone, new] = c.water / c.thickness
            self.liquid[zone, new], self.vapour[zone, new] = c.liquid, c.vapour
            self.used[zone] = n + CELLS_PER_COAT

    def step(self, dt: float, around: Around) -> Array:
        """One implicit step of `dt` seconds. Returns the evaporation rate, kg/m2s."""
        air_c = around.temperature
        cold = np.isnan(self.temperature)
        self.temperature[cold] = air_c[cold]
        rate = self._move_water(dt, around.mass, around.vapour)
        warmth = around.heat + around.radiation
        self.temperature = (self.heat / dt * self.temperature + warmth * air_c - LATENT * rate) / (
            self.heat / dt + warmth
        )
        return rate

    def _move_water(self, dt: float, mass_transfer: Array, outside: Array) -> Array:
        zones, cells = self.water.shape
        activity, slope = self.isotherm.look_up(self.water)
        wetness = np.minimum(self.water / WET, 1.0)
        saturated = vapour_density(self.temperature)
        liquid = self.liquid * wetness**self.material.liquid_power
        vapour = self.vapour * (1.0 - 0.9 * wetness) * saturated[:, None]
        # Conductances between cell i and i + 1: liquid upstream-weighted by the mean, vapour in series.
        gap = 0.5 * (self.dx[:, :-1] + self.dx[:, 1:])
        g_liquid = 0.5 * (liquid[:, :-1] + liquid[:, 1:]) / gap
        g_vapour = 2.0 / (self.dx[:, :-1] / vapour[:, :-1] + self.dx[:, 1:] / vapour[:, 1:])
        inner = np.arange(cells - 1) < (self.used - 1)[:, None]
        g_liquid, g_vapour = g_liquid * inner, g_vapour * inner

        # Linearised: flux = gl (w_i - w_j) + gv (a_i - a_j), a ~ a0 + slope (w - w0).
        rest = activity - slope * self.water
        up = g_liquid + g_vapour * slope[:, :-1]
        down = g_liquid + g_vapour * slope[:, 1:]
        constant = g_vapour * (rest[:, :-1] - rest[:, 1:])
        capacity = self.dx / dt
        diagonal = capacity.copy()
        diagonal[:, :-1] += up
        diagonal[:, 1:] += down
        right = capacity * self.water
        right[:, :-1] -= constant
        right[:, 1:] += constant

        rows, top = np.arange(zones), np.maximum(self.used - 1, 0)
        # The surface is a patchwork of wet and dry spots; from the dry ones vapour comes through a skin.
        wet = np.minimum(wetness[rows, top] / self.material.patchy_below, 1.0)
        film = 1.0 / np.maximum(mass_transfer, 1e-9)
        skin = 0.5 * self.dx[rows, top] / self.vapour[rows, top]
        exchange = np.where(self.used > 0, wet / film + (1.0 - wet) / (film + skin), 0.0)
        diagonal[rows, top] += exchange * saturated * slope[rows, top]
        right[rows, top] -= exchange * (saturated * rest[rows, top] - outside)

        below, above = np.zeros((zones, cells)), np.zeros((zones, cells))
        above[:, :-1], below[:, :-1] = (
            -down,
            -up,
        )  # rows i: coefficient of i + 1; rows i + 1: coefficient of i
        solved = dgtsv(below.ravel()[:-1], diagonal.ravel(), above.ravel()[:-1], right.ravel())[3]
        new = solved.reshape(zones, cells)
        rate = exchange * (saturated * (rest[rows, top] + slope[rows, top] * new[rows, top]) - outside)
        self.water = np.maximum(new, 1e-3 * (np.arange(cells) < self.used[:, None]))
        return np.asarray(rate)
