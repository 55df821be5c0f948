"""A simulated shop: what stays the same between its fit room and its trial room, and its room.toml."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from benchmarks.accuracy.air import SEASON, RoomAir, room_air
from benchmarks.accuracy.foundry import TURBULENCE, Scatter, Tree
from benchmarks.accuracy.sensors import LoadCell, Sensor, anemometer, hygrometer, thermometer
from benchmarks.accuracy.worlds.by_name import edges
from benchmarks.accuracy.worlds.protocol import World

RECIPE = ("prime-first", "prime-fine", *["backup"] * 7, "seal")
FAMILY = {"prime-first": "prime", "prime-fine": "prime", "backup": "backup", "seal": "seal"}
DRY_AT = 0.95
MAKERS = {"temperature": thermometer, "humidity": hygrometer, "airflow": anemometer}


@dataclass(frozen=True)
class RackPlace:
    """A rack; how much cooler it stands than the first, K, and what share of the first one's wind it has."""

    name: str
    cooler: float = 0.0
    slower: float = 1.0


@dataclass(frozen=True)
class Weighing:
    """How the dips of the fit room are weighed: on a bench scale, or on load cells.

    cells: on each rack; 0: by hand. after: minutes after the dip, then every two hours; none: `times` weighings planned
    by the usual wait. error_g: sd of one; step_g: of the scale's digits; minutes: to which times are rounded; slips:
    share of the weighings that are written down wrong; before: weighed just before the dip, too.
    """

    cells: int = 0
    after: tuple[int, ...] = ()
    times: int = 7
    error_g: float = 0.3
    step_g: float = 0.5
    minutes: int = 1
    slips: float = 0.0
    before: bool = True


@dataclass(frozen=True)
class TreeHabit:
    """What this shop's trees are like: ranges of wetted area (m2), diameter (m), heat behind a surface (J/m2K), bare
    mass (kg); shelters in turn; how often the turn of the racks shifts by one."""

    area: tuple[float, float] = (0.2, 0.45)
    diameter: tuple[float, float] = (0.04, 0.055)
    heat: tuple[float, float] = (3500, 6500)
    bare: tuple[float, float] = (1.2, 3.5)
    shelters: tuple[str, ...] = (
        "open", "pocketed", "open", "open", "deep", "open", "pocketed", "open", "open", "pocketed",
    )  # fmt: skip
    shifts: bool = False


@dataclass(frozen=True)
class PartPlan:
    """How long a part of the record is and how many trees hang there. spread: days over which they begin."""

    days: int
    lead_days: int
    trees: int
    spread: float = 0.0


@dataclass(frozen=True)
class Shop:
    """One shop: its shells, fans, racks, sensors and habits. `sensors`: by rack and quantity; a rack may lack one.

    sweeping: an anemometer hears the fans come and go. usual_h: hours that an open tree takes, by coat.
    """

    world: World
    air: str
    seed: int
    weather: str
    speed: float
    duty: float
    places: tuple[RackPlace, ...]
    sensors: dict[tuple[str, str], Sensor]
    scatter: Scatter
    weighing: Weighing
    plans: Mapping[str, PartPlan]
    tree: TreeHabit = TreeHabit()
    turbulence: float = TURBULENCE
    sweeping: bool = False
    cell: LoadCell = field(default_factory=LoadCell)
    trial_cells: int = 2
    usual_h: Mapping[tuple[str, str], float] = field(default_factory=dict)

    @property
    def racks(self) -> tuple[str, ...]:
        """Their names."""
        return tuple(place.name for place in self.places)

    @property
    def room(self) -> str:
        """The room's name."""
        return self.air if self.world.name == "layers" else f"{self.world.name}-{self.air}"


def rack_air(shop: Shop, rng: np.random.Generator, minutes: int, first_day: int) -> dict[str, RoomAir]:
    """The true air at each rack: the others stand cooler, at the same absolute humidity, in slower air."""
    first = room_air(shop.air, rng, shop.weather, minutes, first_day, shop.speed, shop.duty)
    return {shop.racks[0]: first, **{place.name: _elsewhere(first, place) for place in shop.places[1:]}}


def _elsewhere(near: RoomAir, place: RackPlace) -> RoomAir:
    damper = np.exp(0.061 * place.cooler)  # saturation pressure per kelvin near room temperature
    return replace(
        near,
        temperature=near.temperature - place.cooler,
        humidity=np.minimum(near.humidity * damper, 0.98),
        fast=np.maximum(near.fast * place.slower, np.minimum(near.fast, 0.08)),
        slow=near.slow * place.slower,
    )


def make_trees(shop: Shop, rng: np.random.Generator, count: int, cells: int) -> list[Tree]:
    """Trees in turn on all racks and of all shelters. The first `cells` hang on scales."""
    habit, racks = shop.tree, shop.racks
    turn = len(habit.shelters)

    def luck(sd: float) -> float:
        return float(np.exp(sd * rng.standard_normal()))

    return [
        Tree(
            name=f"t-{i + 1}",
            rack=racks[(i + (i // turn if habit.shifts else 0)) % len(racks)],
            shelter=habit.shelters[i % turn],
            area=float(rng.uniform(*habit.area)),
            diameter=float(rng.uniform(*habit.diameter)),
            heat=float(rng.uniform(*habit.heat)),
            bare=float(rng.uniform(*habit.bare)),
            place=luck(shop.scatter.place),
            slow_zone=luck(shop.scatter.zone),
            cell=f"cell-{i + 1}" if i < cells else None,
        )
        for i in range(count)
    ]


def room_toml(shop: Shop, cells: Mapping[str, str]) -> str:
    """The shop's room.toml: no waits and bands, so that the verdict is the model's alone. cells: rack by name.

    Where edges are thick, as anybody sees, its people have said so.
    """
    look = 'edges = "thick"\n' if edges(shop.world.name) == "thick" else ""
    parts = [f'[room]\nname = "{shop.room}"\ntimezone = "UTC"\n{look}']
    parts += [f'[[rack]]\nname = "{rack}"\n' for rack in shop.racks]
    parts += [f'[[cell]]\nname = "{cell}"\nrack = "{rack}"\n' for cell, rack in cells.items()]
    for name, family in FAMILY.items():
        parts.append(f'[[coat]]\nname = "{name}"\nfamily = "{family}"\ndry_at = {DRY_AT}\n')
    coats = ", ".join(f'"{coat}"' for coat in RECIPE)
    parts.append(f'[[recipe]]\nname = "standard"\ncoats = [{coats}]\n')
    return "\n".join(parts)


def weather_of(air: str, seed: int) -> str:
    """The place whose weather a seed has: they go round."""
    if air not in SEASON:
        raise ValueError(f"air {air!r}: allowed are {', '.join(SEASON)}")
    return SEASON[air][seed % len(SEASON[air])]
