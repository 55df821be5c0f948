"""A simulated shop: what stays the same between its fit room and its trial room, and the room.toml that
describes it."""

from dataclasses import dataclass, replace

import numpy as np

from benchmarks.accuracy.air import SEASON, RoomAir, room_air
from benchmarks.accuracy.foundry import Scatter, Tree
from benchmarks.accuracy.physics import NOMINAL, Material
from benchmarks.accuracy.sensors import Sensor, anemometer, hygrometer, thermometer

RACKS = ("rack-a", "rack-b")
RECIPE = ("prime-first", "prime-fine", *["backup"] * 7, "seal")
FAMILY = {"prime-first": "prime", "prime-fine": "prime", "backup": "backup", "seal": "seal"}
DRY_AT = 0.95


@dataclass(frozen=True)
class Shop:
    """One shop: its slurries, fans, racks and sensors. `place`: how rack B differs: K, factor on speed."""

    kind: str
    seed: int
    weather: str
    material: Material
    speed: float
    duty: float
    cooler: float
    slower: float
    sensors: dict[tuple[str, str], Sensor]
    scatter: Scatter


def make_shop(kind: str, seed: int, weather: str | None = None, scatter: Scatter | None = None) -> Shop:
    """The shop of a kind and seed; the weather follows from the seed where none is given."""
    if kind not in SEASON:
        raise ValueError(f"kind {kind!r}: allowed are {', '.join(SEASON)}")
    rng = np.random.default_rng([20310303, list(SEASON).index(kind), seed])
    places = SEASON[kind]
    makers = {"temperature": thermometer, "humidity": hygrometer, "airflow": anemometer}
    return Shop(
        kind=kind,
        seed=seed,
        weather=weather or places[seed % len(places)],
        material=NOMINAL.varied(rng),
        speed=float(rng.uniform(0.8, 2.2)),
        duty=float(rng.uniform(0.3, 1.0)),
        cooler=float(rng.uniform(0.1, 0.7)),
        slower=float(rng.uniform(0.6, 1.0)),
        sensors={(rack, name): make(rng) for rack in RACKS for name, make in makers.items()},
        scatter=scatter or Scatter(),
    )


def rack_air(shop: Shop, rng: np.random.Generator, minutes: int, first_day: int) -> dict[str, RoomAir]:
    """The true air at each rack: rack B stands cooler, at the same absolute humidity, in slower air."""
    near = room_air(shop.kind, rng, shop.weather, minutes, first_day, shop.speed, shop.duty)
    damper = np.exp(0.061 * shop.cooler)  # saturation pressure per kelvin near room temperature
    far = replace(
        near,
        temperature=near.temperature - shop.cooler,
        humidity=np.minimum(near.humidity * damper, 0.98),
        fast=np.maximum(near.fast * shop.slower, np.minimum(near.fast, 0.08)),
        slow=near.slow * shop.slower,
    )
    return dict(zip(RACKS, (near, far), strict=True))


def make_trees(shop: Shop, rng: np.random.Generator, count: int, cells: int) -> list[Tree]:
    """Trees in turn on both racks; of every ten six are open, three pocketed, one deep. The first `cells`
    hang on scales."""
    pattern = ("open", "pocketed", "open", "open", "deep", "open", "pocketed", "open", "open", "pocketed")

    def luck(sd: float) -> float:
        return float(np.exp(sd * rng.standard_normal()))

    return [
        Tree(
            name=f"t-{i + 1}",
            rack=RACKS[i % 2],
            shelter=pattern[i % 10],
            area=float(rng.uniform(0.2, 0.45)),
            diameter=float(rng.uniform(0.04, 0.055)),
            heat=float(rng.uniform(3500, 6500)),
            bare=float(rng.uniform(1.2, 3.5)),
            place=luck(shop.scatter.place),
            slow_zone=luck(shop.scatter.zone),
            cell=f"cell-{i + 1}" if i < cells else None,
        )
        for i in range(count)
    ]


def room_toml(shop: Shop, trees: list[Tree]) -> str:
    """The shop's room.toml: no waits and bands, so that the verdict is the model's alone."""
    parts = [f'[room]\nname = "{shop.kind}"\ntimezone = "UTC"\n']
    parts += [f'[[rack]]\nname = "{rack}"\n' for rack in RACKS]
    parts += [f'[[cell]]\nname = "{t.cell}"\nrack = "{t.rack}"\n' for t in trees if t.cell]
    for name, family in FAMILY.items():
        parts.append(f'[[coat]]\nname = "{name}"\nfamily = "{family}"\ndry_at = {DRY_AT}\n')
    coats = ", ".join(f'"{coat}"' for coat in RECIPE)
    parts.append(f'[[recipe]]\nname = "standard"\ncoats = [{coats}]\n')
    return "\n".join(parts)
