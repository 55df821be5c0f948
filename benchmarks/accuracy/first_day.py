"""The first day, before any fit: how late is the first safe call, uncensored, and what does cheap evidence save?

    python -m benchmarks.accuracy.first_day --cache /tmp/rooms --seeds 1 2

Trial dips of the simulated shops by the packaged starting models; the air to come is known as measured, nothing is
dipped before its call. No anemometer. Cases: air alone; the shop's usual waits (1.0 to 2.0 times its open trees' time,
another in each shop), reckless ones (half of it); a wet cloth (the rack's mean air speed, within a fifth) and the
coat's pick-up (its water, 12 % off at random); a witness (a tile of 0.08 m2 that loses its water as an open weighed
tree of another week did, five weighings to its rest on a scale of 0.1 g or of 1 g); a hand that feels the slowest faces
at the likely moment and each hour from then on; all of it.
"""

import argparse
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

import numpy as np

from benchmarks.accuracy import quick
from benchmarks.accuracy.shop import FAMILY
from benchmarks.accuracy.shops import make_shop
from benchmarks.accuracy.tables import table
from benchmarks.accuracy.worlds.by_name import WORLDS, edges
from drymon.drying import coat, dips, ensemble, surface, weight_evidence
from drymon.drying.coat_model import CoatModel
from drymon.drying.conditioned import Evidence
from drymon.drying.edges import EDGES, NO_EDGES
from drymon.drying.ensemble import AirStep, Array, CoatState, PossibleCoats
from drymon.drying.possible import MEMBERS, toned_down, weighted_quantiles
from drymon.learning.run import Run, RunAir
from drymon.learning.smooth import smooth
from drymon.messages.coat_models import load_models
from drymon.shop.facts.measured import InItsPlace
from drymon.shop.facts.setup import CoatType, Family, RoomSetup
from drymon.shop.tree.starting import measured_model, model_of
from drymon.shop.tree.state import ASSURANCE, felt
from drymon.shop.tree.taught import Taught, likelihood, taught_by
from drymon.shop.weight.scale import LEAST_MEMBERS, MISFIT_STARTING
from drymon.shop.weight.weighings import WITNESS_AREA

STEP_S = 600.0
LONGEST_H = 10 * 24.0
TARGET_LEFT, FAR_GONE = 0.05, 0.90
ASSUMED = (0.3, 2.0)  # m/s: room.toml's default for a rack without an anemometer
USUAL_TIMES = (1.0, 1.3, 1.6, 2.0)  # of the shop's open trees' time, in turn by shop
RECKLESS = 0.5
PICKUP_LOG_SD, CLOTH_FACTOR = 0.12, 1.2
TILE_M2, TILE_KG, TILE_MOMENTS = 0.08, 0.9, (0.1, 0.3, 0.6, 1.0, 1.6)  # weighed at these shares of its time
PRESSURE_PA = 101_325.0


@dataclass(frozen=True)
class Case:
    """What is known besides the air. usual: times the true wait, None unasked, 0 the shop's own habit; scale_kg: digits
    of the witness's scale, 0 without one.
    """

    name: str
    usual: float | None = None
    cloth: bool = False
    scale_kg: float = 0.0
    hand: bool = False


CASES = (
    Case("air alone"),
    Case("usual waits", usual=0.0),
    Case("reckless waits", usual=RECKLESS),
    Case("cloth and pick-up", cloth=True),
    Case("usual waits, cloth, pick-up", usual=0.0, cloth=True),
    Case("witness, 0.1 g", scale_kg=1e-4),
    Case("witness, 1 g", scale_kg=1e-3),
    Case("hand", hand=True),
    Case("all", usual=0.0, cloth=True, scale_kg=1e-4, hand=True),
)


@dataclass(frozen=True)
class Found:
    """One dip. likely, sure: hours at the dip; called: first safe call; gone: of the slowest part at that moment."""

    shelter: str
    hours: float
    likely: float
    sure: float
    called: float
    gone: float


class ShopOnDayOne:
    """A shop as its evidence shows it; everything drawn is the same for every case."""

    def __init__(self, world: str, air: str, seed: int, cache: Path | None) -> None:
        self.shop = make_shop(world, air, seed)
        self.data = quick.load(world, air, seed, cache=cache)
        self.edges = "thick" if edges(world) == "thick" else "usual"
        self.rng = np.random.default_rng(zlib.crc32(f"{world} {air} {seed}".encode()))
        self.habit = USUAL_TIMES[zlib.crc32(f"{seed} {world} {air}".encode()) % len(USUAL_TIMES)]
        self.missed = {name: float(np.exp(self.rng.normal(0.0, PICKUP_LOG_SD))) for name in sorted(FAMILY)}
        self.packaged = load_models(None)

    def model(self, name: str, case: Case, speeds: tuple[float, float]) -> CoatModel:
        """The starting model that this coat goes by. speeds: what a cloth says of the rack."""
        wait = None
        if case.usual is not None and (times := self._open_hours(name)):
            wait = float(np.median(times)) * (case.usual or self.habit)
        mesh = None if name in self.packaged and name != "slurry-only-first" else ()
        kind = CoatType(name, cast("Family", FAMILY[name]), stucco_mesh=mesh, usual_wait_h=wait)
        model = model_of(kind, self.packaged, RoomSetup("shop", coats=(kind,), edges=self.edges))
        assert model is not None
        if not case.cloth:
            return model
        water = self.shop.world.body.water(name) * self.missed[name]
        return measured_model(model, Evidence(water, PICKUP_LOG_SD), InItsPlace(ASSUMED, speeds))

    def _open_hours(self, name: str) -> list[float]:
        return [dip.hours for dip in self.data.dips if (dip.coat, dip.shelter) == (name, "open")]

    def taught(self, name: str, model: CoatModel, case: Case, number: int) -> Array | None:
        """What a witness of this coat tells of every member, by the open run whose number is nearest."""
        runs = [run for run in self.data.runs if (run.coat, run.shelter) == (name, "open") and run.air is not None]
        known = [run for run in runs if self.data.truths[run.id][0] is not None and smooth(run).stands]
        if not case.scale_kg or not known:
            return None
        told = self._witness(min(known, key=lambda run: abs(run.number - number)), model, case.scale_kg)
        return None if told is None else likelihood([told], "open")

    def _witness(self, run: Run, model: CoatModel, digit_kg: float) -> Taught | None:
        hours, _ = self.data.truths[run.id]
        seen = smooth(run)
        assert hours is not None
        assert run.air is not None
        minutes = np.unique([max(10, round(60.0 * hours * share)) for share in TILE_MOMENTS])
        if len(minutes) < 3:
            return None
        gone = np.interp(minutes / 60.0, seen.hours, seen.gone)
        water = TILE_M2 * self.shop.world.body.water(run.coat) * (1.0 - gone)
        masses = np.round((TILE_KG + water) / digit_kg) * digit_kg
        coats = dips.possible_coats(model, run.number, "open", rack=run.rack, held_below=run.held_below, edges=NO_EDGES)
        course = np.stack([coats.of_tree(left * coats.water) for left in walk(coats, steps(run.air))])
        at = np.minimum(minutes * 60.0 / STEP_S, len(course) - 1.001)
        low = at.astype(int)
        share = (at - low)[:, None]
        predicted = (1.0 - share) * course[low] + share * course[low + 1]
        found = weight_evidence.weigh_members(
            minutes * 60.0, masses, weight_evidence.bench_sds(masses), predicted.T,
            errors=replace(weight_evidence.BENCH_SCALE, misfit=MISFIT_STARTING), area=WITNESS_AREA,
        )  # fmt: skip
        prior = np.full(MEMBERS, 1.0 / MEMBERS)
        return taught_by(run.coat, coats, prior, toned_down(prior, found.log_likelihood, LEAST_MEMBERS))

    def look(self, case: Case) -> Iterable[Found]:
        """All trial dips."""
        for dip in self.data.dips:
            speed = float(np.average(dip.air.speed, weights=np.diff(dip.air.edges_s)))
            speeds = (speed / CLOTH_FACTOR, speed * CLOTH_FACTOR) if case.cloth else ASSUMED
            model = self.model(dip.coat, case, speeds)
            coats = dips.possible_coats(
                model, dip.number, dip.shelter, rack=dip.rack, held_below=dip.held_below, edges=EDGES[self.edges]
            )
            told = self.taught(dip.coat, model, case, dip.number)
            weights = np.full(MEMBERS, 1.0 / MEMBERS) if told is None else told / told.sum()
            air = steps(dip.air, assumed(coats, speeds))
            yield called(dip, coats, weights, air, case.hand)


def assumed(coats: PossibleCoats, speeds: tuple[float, float]) -> tuple[Array, Array]:
    """Transfer coefficients of the members, whose air speeds lie in this range."""
    heat, mass = surface.transfer_coefficients(speeds[0] * (speeds[1] / speeds[0]) ** coats.airflow)
    return np.asarray(heat), np.asarray(mass)


def steps(air: RunAir, assumed_: tuple[Array, Array] | None = None) -> list[AirStep]:
    """The air in pieces of `STEP_S`; past its end its mean goes on. assumed_: instead of the measured air speed."""
    edges = np.arange(0.0, float(air.edges_s[-1]) + 1.0, STEP_S)
    own, mean = air.over(edges), air.over(np.array([0.0, float(air.edges_s[-1])]))

    def piece(part: RunAir, i: int) -> AirStep:
        values = float(part.deficit[i]), float(part.saturation[i]), float(part.excess[i])
        if assumed_ is None:
            return AirStep(*values, float(part.resistance[i]))
        drive = surface.air_drive(float(part.temperature_c[i]), float(part.humidity_pct[i]), PRESSURE_PA)
        radiation = surface.radiative_coefficient(float(part.temperature_c[i]))
        return AirStep(*values, surface.air_side_resistance(drive.slope_heat, *assumed_, radiation))

    known = [piece(own, i) for i in range(len(edges) - 1)]
    return known + [piece(mean, 0)] * (int(LONGEST_H * 3600.0 / STEP_S) - len(known))


def walk(coats: PossibleCoats, air: Sequence[AirStep]) -> Iterable[Array]:
    """Share left (zones, members) at the start of each step, until all are dry."""
    left = np.ones_like(coats.water)
    yield left
    for step in air:
        left = coat.step(coats, left, step, STEP_S)
        yield left
        if float(left.max()) < 0.5 * TARGET_LEFT:
            return


def called(dip: quick.QuickDip, coats: PossibleCoats, weights: Array, air: Sequence[AirStep], hand: bool) -> Found:
    """When the dip is called by its members, and what a hand that feels it makes of them meanwhile."""
    course = list(walk(coats, air))
    slowest = np.stack([left.max(axis=0) for left in course])
    dry = slowest <= TARGET_LEFT
    dry_h = np.where(dry.any(axis=0), dry.argmax(axis=0), np.inf) * STEP_S / 3600.0
    likely, sure = (float(value) for value in weighted_quantiles(dry_h, weights, (0.5, ASSURANCE)))
    at = sure
    if hand:
        at = _felt(dip, course, dry_h, weights, likely)
    return Found(dip.shelter, dip.hours, likely, sure, at, _gone(dip, at))


def _felt(dip: quick.QuickDip, course: Sequence[Array], dry_h: Array, weights: Array, likely: float) -> float:
    """The first safe call when somebody feels the slowest faces at the likely moment and each hour from then on."""
    moment, none = likely, np.full(MEMBERS, np.nan)
    while moment < LONGEST_H:
        safe = float(weighted_quantiles(dry_h, weights, (ASSURANCE,))[0])
        if safe <= moment:
            return max(safe, likely)
        place = min(int(moment * 3600.0 / STEP_S), len(course) - 1)
        finding = "dry" if _gone(dip, moment) >= FAR_GONE else "wet"
        weights = felt(CoatState(course[place], none, weights), weights, finding, TARGET_LEFT, -1).weights
        safe = float(weighted_quantiles(dry_h, weights, (ASSURANCE,))[0])
        if safe <= moment + 1.0:
            return max(safe, moment)
        moment += 1.0
    return LONGEST_H


def _gone(dip: quick.QuickDip, hours: float) -> float:
    """Share of the slowest part's water that is gone: 1 once it is dry, for what comes after is not kept."""
    if hours >= dip.hours or not len(dip.gone):
        return 1.0
    return float(dip.gone[min(int(60.0 * hours), len(dip.gone) - 1)])


def line(name: str, found: Sequence[Found]) -> list[str]:
    """One case."""
    late = {
        shelter: [one.called / one.hours - 1.0 for one in found if one.shelter == shelter] for shelter in ensemble.ZONES
    }
    off = [abs(one.likely / one.hours - 1.0) for one in found]
    early = [one.called < one.hours for one in found]
    cells = [
        f"{100.0 * np.quantile(late[shelter], q):.0f} %" for shelter in ("open", "pocketed", "deep") for q in (0.5, 0.9)
    ]
    shares = [
        np.mean(early),
        np.mean([one.gone < FAR_GONE for one in found]),
        np.mean([one.sure >= one.hours for one in found]),
    ]
    return [name, *cells, f"{100.0 * np.median(off):.0f} %", *(f"{100.0 * share:.1f} %" for share in shares)]


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cache", type=Path, help="the folder that keeps what was simulated")
    parser.add_argument("--worlds", nargs="+", default=list(WORLDS))
    parser.add_argument("--airs", nargs="+", default=["steady", "dry-winter"])
    parser.add_argument("--seeds", nargs="+", type=int, default=[1])
    args = parser.parse_args()
    shops = [ShopOnDayOne(w, a, s, args.cache) for w in args.worlds for a in args.airs for s in args.seeds]
    head = [
        "known",
        "open late",
        "p90",
        "pocketed",
        "p90",
        "deep",
        "p90",
        "likely off",
        "early",
        "> 5 short",
        "sure held",
    ]
    lines = [line(case.name, [one for shop in shops for one in shop.look(case)]) for case in CASES]
    count = sum(len(shop.data.dips) for shop in shops)
    print(table(f"First safe call against the truth, {len(shops)} shops, {count} dips, no fit", head, lines))


if __name__ == "__main__":
    main()
