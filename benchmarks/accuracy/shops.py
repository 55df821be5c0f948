"""Draws a shop: another one for each world, air and seed."""

import zlib
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from benchmarks.accuracy.air import SEASON
from benchmarks.accuracy.foundry import Scatter
from benchmarks.accuracy.rehearsal import Usual, open_hours, pocket_ratios, thickest
from benchmarks.accuracy.sensors import LoadCell, Sensor
from benchmarks.accuracy.shop import MAKERS, RECIPE, PartPlan, RackPlace, Shop, TreeHabit, Weighing, weather_of
from benchmarks.accuracy.worlds import by_name as worlds
from benchmarks.accuracy.worlds import layers
from benchmarks.accuracy.worlds.moist import DIFFUSIVITY, Array
from benchmarks.accuracy.worlds.protocol import RADIATION, Body, Part, Parts, Reach, World

OFTEN = (
    1, 6, 12, 20, 30, 40, 55, 70, 85, 105, 125, 150, 180, 210, 240, 280, 320, 360, 420, 480, 540, 600,
)  # fmt: skip
BACKUP_H, PRIME_H, GROWTH = (1.4, 9.0), (1.8, 20.0), (0.85, 2.6)
"""What an open face may take in the shop's usual air; the ninth coat's time over the third's."""
POCKETS = ("factor", "path", "air")
LONGEST_POCKET_H = 24.0


def make_shop(world: str, air: str, seed: int, weather: str | None = None, scatter: Scatter | None = None) -> Shop:
    """The shop of a world, air and seed; the weather follows from the seed where none is given."""
    shop = _made(world, air, seed)
    return replace(shop, weather=weather or shop.weather, scatter=scatter or shop.scatter)


@lru_cache(maxsize=64)
def _made(world: str, air: str, seed: int) -> Shop:
    weather = weather_of(air, seed)
    return _well_kept(air, seed, weather) if world == "layers" else _drawn(world, air, seed, weather)


def _well_kept(air: str, seed: int, weather: str) -> Shop:
    """Today's shop: two racks, a bench scale of half a gram used often, sensors everywhere."""
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
        plans={"fit": PartPlan(days=5, lead_days=1, trees=12), "trial": PartPlan(days=4, lead_days=3, trees=10)},
    )


def _drawn(world: str, air: str, seed: int, weather: str) -> Shop:
    """Any other shop: everything about it is drawn."""
    mark = zlib.crc32(world.encode())
    rng = np.random.default_rng([20310303, mark, list(SEASON).index(air), seed])
    usual = _fans(rng)
    body, hours = _material(world, usual, rng)
    pockets = _pockets(body, usual, POCKETS[(seed + mark) % 3], hours[4], rng)
    grams = _spread(rng, 18.0, 130.0)
    places = _racks(rng)
    weighing, cell = _scales(grams, len(places), rng)
    return Shop(
        world=World(world, body, pockets.parts),
        air=air,
        seed=seed,
        weather=weather,
        speed=usual.fast,
        duty=usual.duty,
        places=places,
        sensors=_sensors(places, rng),
        scatter=_scatter(rng),
        weighing=weighing,
        plans=_plans(float(hours[5])),
        tree=_trees(grams / 1000.0 / body.water("backup")),
        turbulence=usual.turbulence,
        sweeping=usual.duty < 1.0,
        cell=cell,
        trial_cells=2 if weighing.cells else 0,
        usual_h=_waits(hours, pockets),
    )


def _spread(rng: np.random.Generator, low: float, high: float) -> float:
    """Between `low` and `high`, evenly on the log scale."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _fans(rng: np.random.Generator) -> Usual:
    """Two shops of three have fans that swing."""
    swings = rng.random() < 2 / 3
    speed = _spread(rng, 0.8, 2.6) if swings else _spread(rng, 0.4, 1.6)
    return Usual(speed, min(0.25, speed), float(rng.uniform(0.2, 0.6)) if swings else 1.0, float(rng.uniform(1.1, 1.6)))


def _material(world: str, usual: Usual, rng: np.random.Generator) -> tuple[Body, Array]:
    """A material whose coats take the drawn time, and its open hours along the recipe."""
    for _ in range(100):
        body, target = worlds.draw(world, rng), _spread(rng, 1.8, 6.5)
        found = _at_pace(body, usual, target)
        if found is not None and _sensible(found[1]):
            return found
    raise RuntimeError(f"world {world!r}: no shop with sensible times in 100 draws")


def _at_pace(body: Body, usual: Usual, target: float) -> tuple[Body, Array] | None:
    """The material at a pace at which the sixth coat takes about `target` hours; None where no pace does."""
    pace, tried = 1.0, []
    for _ in range(5):
        made = body.paced(pace)
        hours = open_hours(made, usual)
        took = hours[5] if np.isfinite(hours[5]) else 60.0
        if abs(np.log(took / target)) < 0.1:
            return made, hours
        tried.append((np.log(pace), np.log(took)))
        slope = -1.0
        if len(tried) > 1 and abs(tried[-1][0] - tried[-2][0]) > 1e-6:
            slope = float(np.clip((tried[-1][1] - tried[-2][1]) / (tried[-1][0] - tried[-2][0]), -3.0, -0.3))
        pace = float(np.exp(np.clip(np.log(pace) + (np.log(target) - tried[-1][1]) / slope, -4.0, 4.0)))
    return None


def _sensible(hours: Array) -> bool:
    backups, primes = hours[2:9], hours[:2]
    return bool(
        np.isfinite(hours).all()
        and BACKUP_H[0] <= backups.min()
        and backups.max() <= BACKUP_H[1]
        and PRIME_H[0] <= primes.min()
        and primes.max() <= PRIME_H[1]
        and GROWTH[0] <= backups[-1] / backups[0] <= GROWTH[1]
    )


@dataclass(frozen=True)
class Pockets:
    """The parts of a shop's trees, and how many times an open face's time their slowest takes."""

    parts: Parts
    ratio: dict[str, float]


def _pockets(body: Body, usual: Usual, kind: str, open_h: float, rng: np.random.Generator) -> Pockets:
    """Pockets of a kind that take the drawn number of times as long as open faces."""
    most = min(8.0, LONGEST_POCKET_H / open_h)
    cup = _spread(rng, 1.1, min(4.0, most))
    bore = float(min(cup * _spread(rng, 1.2, 3.0), most))
    warmth, still = float(rng.uniform(0.5, 1.0)) * RADIATION, float(rng.uniform(0.1, 0.5))
    strengths = np.geomspace(0.97, 0.01, 18)
    reaches = [_reach(kind, s, usual, warmth, still) for s in strengths]
    ratios = pocket_ratios(body, usual, [Reach(), *reaches])[1:]
    known = np.isfinite(ratios)
    slower = np.maximum.accumulate(ratios[known])

    def part(share: float, ratio: float) -> tuple[float, Reach]:
        strength = float(np.exp(np.interp(np.log(ratio), np.log(slower), np.log(strengths[known]))))
        return share, _reach(kind, strength, usual, warmth, still)

    shares = [float(rng.uniform(*span)) for span in ((0.12, 0.35), (0.15, 0.3), (0.05, 0.12))]
    hollow = {
        "open": [],
        "pocketed": [part(shares[0], cup)],
        "deep": [part(shares[1], max(np.sqrt(bore), 1.1)), part(shares[2], bore)],
    }
    return Pockets(
        {shelter: _parts(body, found) for shelter, found in hollow.items()},
        {"open": 1.0, "pocketed": cup, "deep": bore},
    )


def _parts(body: Body, hollow: list[tuple[float, Reach]]) -> tuple[Part, ...]:
    """The open face's parts on what the hollows leave of the area; slurry gathers in hollows as at the thickest."""
    rest = 1.0 - sum(share for share, _ in hollow)
    faces = [Part(rest * share, Reach(), build) for share, build in body.faces]
    return (*faces, *[Part(share, reach, thickest(body)) for share, reach in hollow])


def _reach(kind: str, strength: float, usual: Usual, warmth: float, still: float) -> Reach:
    """A pocket that lets through `strength` of the open face's transfer in the usual air."""
    if kind == "factor":
        return Reach(factor=strength, radiation=warmth)
    beside = usual.mass * strength / (1.0 - strength)  # m/s, in series with the open face's
    if kind == "path":
        return Reach(path_m=DIFFUSIVITY / beside, radiation=warmth)
    return Reach(exchange=beside / (still + usual.wind), still=still, radiation=warmth)


def _racks(rng: np.random.Generator) -> tuple[RackPlace, ...]:
    names = ("rack-a", "rack-b", "rack-c")[: int(rng.integers(2, 4))]
    others = [RackPlace(n, float(rng.uniform(0.0, 0.8)), float(rng.uniform(0.5, 1.1))) for n in names[1:]]
    return (RackPlace(names[0]), *others)


def _sensors(places: tuple[RackPlace, ...], rng: np.random.Generator) -> dict[tuple[str, str], Sensor]:
    """Cheap ones on every rack, but one rack has no anemometer."""
    without = places[int(rng.integers(len(places)))].name
    made = {(place.name, name): make(rng) for place in places for name, make in MAKERS.items()}
    return {key: sensor for key, sensor in made.items() if key != (without, "airflow")}


def _scatter(rng: np.random.Generator) -> Scatter:
    spans = {"day": (0.01, 0.02), "pickup": (0.01, 0.03), "place": (0.02, 0.05), "turn": (0.01, 0.02)}
    spans |= {"zone": (0.03, 0.1), "week": (0.02, 0.08)}
    return Scatter(**{name: _spread(rng, *span) for name, span in spans.items()})


def _scales(grams: float, racks: int, rng: np.random.Generator) -> tuple[Weighing, LoadCell]:
    """Half the shops weigh by hand, half on load cells. Nobody weighs 20 g with a scale that errs by 5."""
    by_hand, hand = rng.random() < 0.5, min(_spread(rng, 1.0, 5.0), max(1.0, 0.06 * grams))
    noise = min(_spread(rng, 0.5, 5.0), max(0.5, 0.12 * grams)) / 1000.0
    drift = min(_spread(rng, 1.0, 10.0), max(1.0, 0.15 * grams)) / 1000.0
    cell = LoadCell(
        noise=0.3 * noise, drift_per_day=drift, per_kelvin=0.1 * drift, fan_pull=float(rng.uniform(0.0, 0.002)),
        creep=0.2 * drift, buffet=0.7 * noise,
    )  # fmt: skip
    step = float(rng.choice((0.5, 1.0) if grams < 60.0 else (1.0, 2.0)))
    bench = Weighing(times=7, error_g=hand, step_g=step, minutes=5, slips=1 / 30, before=False)
    return (bench if by_hand else Weighing(cells=4 if racks == 2 else 3)), cell


def _trees(area: float) -> TreeHabit:
    """Trees about an area; half of them open, a third with pockets, a sixth with deep ones."""
    return TreeHabit(
        area=(0.75 * area, 1.25 * area),
        diameter=(0.035, 0.06),
        heat=(3000, 7000),
        bare=(4.0 * area, 10.0 * area),
        shelters=("open", "pocketed", "deep", "open", "pocketed", "open"),
        shifts=True,
    )


def _plans(hours: float) -> dict[str, PartPlan]:
    """Longer records where coats take longer. hours: of an open backup."""
    coats_a_day = 1.0 + int(11.0 / (1.75 * hours + 0.25))
    fit, trial = (int(np.clip(round(a + b * hours), *most)) for a, b, most in ((4, 1.3, (6, 12)), (3, 1, (5, 9))))
    builds = len(RECIPE) / coats_a_day
    return {
        "fit": PartPlan(fit, 1, 15, max(0.0, fit - builds - 1.0)),
        "trial": PartPlan(trial, 3, 12, max(0.0, trial - builds - 1.0)),
    }


def _waits(hours: Array, pockets: Pockets) -> dict[tuple[str, str], float]:
    """What the shop knows of its drying times, by coat and shelter: open ones, stretched for pockets."""
    by_coat = {coat: float(hours[RECIPE.index(coat)]) for coat in RECIPE} | {"backup": float(hours[5])}
    return {(coat, shelter): h * ratio for coat, h in by_coat.items() for shelter, ratio in pockets.ratio.items()}
