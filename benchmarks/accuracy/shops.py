"""Draws a shop: another one for each world, air and seed."""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from benchmarks.accuracy.air import SEASON
from benchmarks.accuracy.foundry import Scatter
from benchmarks.accuracy.shop import MAKERS, PartPlan, RackPlace, Shop, Weighing, weather_of
from benchmarks.accuracy.worlds import layers

OFTEN = (
    1, 6, 12, 20, 30, 40, 55, 70, 85, 105, 125, 150, 180, 210, 240, 280, 320, 360, 420, 480, 540, 600,
)  # fmt: skip


def make_shop(world: str, air: str, seed: int, weather: str | None = None, scatter: Scatter | None = None) -> Shop:
    """The shop of a world, air and seed; the weather follows from the seed where none is given."""
    shop = _drawn(world, air, seed)
    return replace(shop, weather=weather or shop.weather, scatter=scatter or shop.scatter)


@lru_cache(maxsize=64)
def _drawn(world: str, air: str, seed: int) -> Shop:
    return _well_kept(air, seed)


def _well_kept(air: str, seed: int) -> Shop:
    """Today's shop: two racks, a bench scale of half a gram used often, sensors everywhere."""
    weather = weather_of(air, seed)
    rng = np.random.default_rng([20310303, list(SEASON).index(air), seed])
    body = layers.draw(rng)
    speed, duty = float(rng.uniform(0.8, 2.2)), float(rng.uniform(0.3, 1.0))
    far = RackPlace("rack-b", float(rng.uniform(0.1, 0.7)), float(rng.uniform(0.6, 1.0)))
    return Shop(
        world=layers.world(body),
        air=air,
        seed=seed,
        weather=weather,
        speed=speed,
        duty=duty,
        places=(RackPlace("rack-a"), far),
        sensors={(rack, name): make(rng) for rack in ("rack-a", "rack-b") for name, make in MAKERS.items()},
        scatter=Scatter(),
        weighing=Weighing(after=OFTEN),
        plans={"fit": PartPlan(days=4, lead_days=1, trees=12), "trial": PartPlan(days=4, lead_days=3, trees=10)},
    )
