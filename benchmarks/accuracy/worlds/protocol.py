"""What every world offers to the foundry: shells made of zones, and how the room's air reaches each zone.

A world is a module with `draw(rng) -> Body`: another shop's material each time. Everything else (trees, people, air,
sensors, marks) is shared.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from benchmarks.accuracy.worlds.moist import Array

RADIATION = 4.0  # W/m2K at the open face; neighbours and shelves shadow the rest of the black 5 W/m2K
SHELTERS = ("open", "pocketed", "deep")


@dataclass(frozen=True)
class Around:
    """The air at the zones' surfaces over one step, (zones,) each.

    temperature: degC; vapour: kg/m3 in that air; heat: W/m2K by convection; mass: m/s; radiation: W/m2K.
    """

    temperature: Array
    vapour: Array
    heat: Array
    mass: Array
    radiation: Array


class Shells(Protocol):
    """All zones of all trees under way, stepped together. `zones`: places in the arrays, any number of them."""

    def clear(self, zones: Array) -> None:
        """A new pattern hangs here: bare wax."""

    def load(self, zones: Array) -> Array:
        """What is removable, kg/m2: water that air at 50 %RH and room temperature would take in the end."""

    def weight(self, zones: Array) -> Array:
        """All water, kg/m2 (what a scale feels), up to a constant that only dips change."""

    def dip(self, zones: Array, coat: str, pickup: Array) -> None:
        """Put a coat on. pickup: (zones,) factor on water and thickness of this dip."""

    def step(self, dt: float, around: Around) -> Array:
        """One step of `dt` seconds; the evaporation rate, kg/m2s (zones,)."""


class Body(Protocol):
    """A shop's material: what its shells are made of."""

    @property
    def faces(self) -> tuple[tuple[float, float], ...]:
        """The parts of an open face: share of its area; thickness and water there against the usual."""

    def water(self, coat: str) -> float:
        """Slurry water that a dip brings, kg/m2."""

    def paced(self, factor: float) -> "Body":
        """The same material, but water moves `factor` times as easily in it."""

    def shells(self, build: Array, heat: Array) -> Shells:
        """Bare zones. build: (zones,) factor on thickness and water; heat: (zones,) J/m2K behind the surface."""


@dataclass(frozen=True)
class Reach:
    """How the room's air reaches a zone.

    factor: on heat and mass transfer of the open face. path_m: stagnant air before the surface, m. exchange: how much
    air the pocket's own volume trades with the room, m3/s per m2 of its surface at 1 m/s (infinite: it has none);
    still: the wind in m/s that the exchange of still air is worth; volume_m: the pocket's air, m3 per m2 of surface.
    """

    factor: float = 1.0
    path_m: float = 0.0
    exchange: float = np.inf
    still: float = 0.2
    volume_m: float = 0.015
    radiation: float = RADIATION

    @property
    def sheltered(self) -> bool:
        """It is no open face."""
        return self != Reach(radiation=self.radiation)


@dataclass(frozen=True)
class Part:
    """A zone of a tree: share of the wetted area, how the air reaches it, thickness and water against the usual."""

    share: float
    reach: Reach = Reach()
    build: float = 1.0


Parts = Mapping[str, tuple[Part, ...]]
"""The zones of a tree, by its shelter."""


@dataclass(frozen=True)
class World:
    """One shop's shells: its material and how its trees are made up."""

    name: str
    body: Body
    parts: Parts
