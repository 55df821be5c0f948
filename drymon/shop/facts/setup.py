"""How a room is set up: racks, cells, coats, recipes, as plain frozen data (room.toml is read at the door)."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from functools import cached_property
from math import ceil
from typing import Literal

from drymon.drying.edges import USUAL_EDGES

Family = Literal["prime", "backup", "seal"]


@dataclass(frozen=True, slots=True)
class Band:
    """Optional bands for a coat's room: (low, high) each, swing in K over one coat. None: not checked."""

    temperature_c: tuple[float, float] | None = None
    humidity_pct: tuple[float, float] | None = None
    airflow_m_per_s: tuple[float, float] | None = None
    co2_ppm: tuple[float, float] | None = None
    swing_c: float | None = None


@dataclass(frozen=True, slots=True)
class CoatType:
    """A kind of coat. `stucco_mesh`: ASTM E11 numbers; () is slurry only; None is not checked. `usual_wait_h`: how
    long the shop has been waiting after it, with shells that came out sound.
    """

    name: str
    family: Family
    label: str = ""
    stucco_mesh: tuple[int, ...] | None = None
    dry_at: float = 0.95
    shortest_wait_h: float | None = None
    longest_wait_h: float | None = None
    usual_wait_h: float | None = None
    fastest_loss_pct_per_h: float | None = None
    room: Band = field(default_factory=Band)


STILL_AIR = (0.05, 0.2)
"""m/s, range assumed where the fans are known to be off and nothing measures (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Rack:
    """A rack. `air`: whose readings count, first choice first. `airflow_assumed`: m/s, (low, high)."""

    name: str
    label: str = ""
    air: tuple[str, ...] = ()
    airflow_assumed: tuple[float, float] = (0.3, 2.0)

    @property
    def places(self) -> tuple[str, ...]:
        """Whose readings count, first choice first: its own and the room's where `air` names none."""
        return self.air or (self.name, "room")

    def speeds_assumed(self, fans_off: bool) -> tuple[float, float]:
        """The air speeds to reckon with where nothing measures [m/s], (low, high)."""
        return STILL_AIR if fans_off else self.airflow_assumed


@dataclass(frozen=True, slots=True)
class Cell:
    """A load cell that carries one tree (or a witness piece) on a rack."""

    name: str
    rack: str
    label: str = ""


@dataclass(frozen=True, slots=True)
class Recipe:
    """An order of coats, by coat name."""

    name: str
    coats: tuple[str, ...]
    label: str = ""


@dataclass(frozen=True, slots=True)
class Tank:
    """A tank of slurry. cup: a name in `cups.CUPS`. seconds (out of the cup), temperature (degC), density (kg/L) and
    ph: the bands that it is kept within, (low, high); None: not checked. surface_m2: open to the air.
    """

    name: str
    coats: tuple[str, ...]
    label: str = ""
    cup: str | None = None
    seconds: tuple[float, float] | None = None
    temperature: tuple[float, float] | None = None
    density: tuple[float, float] | None = None
    ph: tuple[float, float] | None = None
    surface_m2: float | None = None
    volume_l: float | None = None


@dataclass(frozen=True, slots=True)
class Hours:
    """When people are there, for the plan. days: 0 is Monday. begin_min, end_min: minutes after midnight on the room's
    clock; an end at or before the beginning is on the next day. dip_min: minutes of work for one dip. hands: how many
    dips can be done at a time.
    """

    days: tuple[int, ...] = (0, 1, 2, 3, 4, 5, 6)
    begin_min: int = 0
    end_min: int = 24 * 60
    dip_min: float = 10.0
    hands: int = 1


@dataclass(frozen=True)
class RoomSetup:
    """All that the shop floor of drymon must know of a room; names are unique and cross-references hold (checked at
    the door). edges: how thick the trees' edges are, a name in `drying.edges.EDGES`.
    """

    name: str
    label: str = ""
    timezone: str = "UTC"
    altitude_m: float = 0.0
    stale_after_min: float = 10.0
    edges: str = USUAL_EDGES
    racks: tuple[Rack, ...] = ()
    cells: tuple[Cell, ...] = ()
    coats: tuple[CoatType, ...] = ()
    recipes: tuple[Recipe, ...] = ()
    tanks: tuple[Tank, ...] = ()
    hours: Hours = field(default_factory=Hours)

    @property
    def stale_after(self) -> timedelta:
        """How long an air reading is fresh: whole minutes, as live air goes by the minute."""
        return timedelta(minutes=max(1, ceil(self.stale_after_min)))

    @cached_property
    def rack_by_name(self) -> Mapping[str, Rack]:
        """Racks by name."""
        return {rack.name: rack for rack in self.racks}

    @cached_property
    def coat_by_name(self) -> Mapping[str, CoatType]:
        """Coat types by name."""
        return {coat.name: coat for coat in self.coats}

    @cached_property
    def tank_by_name(self) -> Mapping[str, Tank]:
        """Tanks of slurry by name."""
        return {tank.name: tank for tank in self.tanks}

    @cached_property
    def recipe_by_name(self) -> Mapping[str, Recipe]:
        """Recipes by name."""
        return {recipe.name: recipe for recipe in self.recipes}
