"""What a fit makes of shops of each world, on the quick road: forecasts at the dip against the slowest part's truth.

    python -m benchmarks.accuracy.quick_marks --cache /tmp/rooms --seeds 1 2 3
    python -m benchmarks.accuracy.quick_marks --cache /tmp/rooms --worlds front --airs dry-winter --runs 3
    python -m benchmarks.accuracy.quick_marks --cache /tmp/rooms --cups 0.7   # a daily cup tells 70 % of its luck
    python -m benchmarks.accuracy.quick_marks --cache /tmp/rooms --worlds shut-three --shut   # at the end, once

A shop's weighed runs are fitted, its trial dips of another week forecast through the air as measured, to the end and
beyond the next dip: nothing cuts lateness short. A line for each world, and one for each shelter.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchmarks.accuracy import quick
from benchmarks.accuracy.cups import with_cups
from benchmarks.accuracy.first_day import STEP_S, TARGET_LEFT, steps
from benchmarks.accuracy.tables import table
from benchmarks.accuracy.worlds.by_name import WORLDS, allowed, edges
from drymon.drying import dips
from drymon.drying.coat_model import CoatModel
from drymon.drying.edges import EDGES, NO_EDGES, Edges
from drymon.drying.ensemble import Array
from drymon.learning.fit import fit_all
from drymon.learning.forecast_scores import BOUNDS, hours_until
from drymon.messages.coat_models import load_models

HEAD = [
    "dips", "error", "p90", "bias", "unbeatable", "covers", "width", "late", "p90", "up to 5 short", "more",
]  # fmt: skip
FAR_GONE, DRY = 0.90, 0.95


@dataclass(frozen=True)
class Mark:
    """One dip, hours from it. true: to 95 % gone from the slowest part; oracle: of its twin without luck, None where
    unknown; early, best, late: forecast. gone: of the slowest part at the late bound.
    """

    world: str
    air: str
    seed: int
    shelter: str
    true: float
    oracle: float | None
    early: float
    best: float
    late: float
    gone: float


def marks(
    room: tuple[str, str, int], runs: int, cache: Path | None, cups: float | None = None, *, shut: bool = False
) -> list[Mark]:
    """All trial dips of a shop (world, air, seed), forecast by the models that its weighed runs have taught. cups: see
    `with_cups`; shut: the world may be one that is kept shut."""
    world, air, seed = room
    data = quick.load(*room, runs, cache, shut=shut)
    data = data if cups is None else with_cups(data, cups, seed)
    packaged = load_models(None)
    starts = {name: replace(packaged[start], name=name) for name, start in data.starts.items()}
    models = starts | {fit.model.name: fit.model for fit in fit_all(data.runs, starts)}
    look = edges(world)
    known = NO_EDGES if look == "even" else EDGES[look]
    return [_mark(world, air, seed, dip, models[dip.coat], known) for dip in data.dips]


def _mark(world: str, air: str, seed: int, dip: quick.QuickDip, model: CoatModel, edges: Edges) -> Mark:
    coats = dips.possible_coats(
        model, dip.number, dip.shelter, rack=dip.rack, held_below=dip.held_below, edges=edges, thick=dip.thick
    )
    hours = hours_until(coats, [(piece, STEP_S) for piece in steps(dip.air)], TARGET_LEFT)
    early, best, late = (float(value) for value in np.quantile(hours, BOUNDS, method="inverted_cdf"))
    gone = 1.0 if late >= dip.hours else float(dip.gone[min(int(60.0 * late), len(dip.gone) - 1)])
    return Mark(world, air, seed, dip.shelter, dip.hours, dip.oracle_hours, early, best, late, gone)


def line(name: str, some: Sequence[Mark]) -> list[str]:
    """Medians and 90th percentiles of some dips."""
    error = np.array([one.best / one.true - 1.0 for one in some])
    late = np.array([one.late / one.true - 1.0 for one in some])
    twins = [abs(one.oracle / one.true - 1.0) for one in some if one.oracle is not None]
    cells = [
        _middle(np.abs(error), 0.5), _middle(np.abs(error), 0.9), _middle(error, 0.5), _middle(twins, 0.5),
        _share([one.early <= one.true <= one.late for one in some]),
        _middle([(one.late - one.early) / one.true for one in some], 0.5),
        _middle(late, 0.5), _middle(late, 0.9),
        _share([FAR_GONE <= one.gone < DRY for one in some]), _share([one.gone < FAR_GONE for one in some]),
    ]  # fmt: skip
    return [name, str(len(some)), *(f"{100.0 * cell:.1f} %" for cell in cells)]


def _share(held: Sequence[bool]) -> float:
    return sum(held) / len(held)


def _middle(values: Sequence[float] | Array, share: float) -> float:
    return float(np.quantile(values, share, method="inverted_cdf")) if len(values) else float("nan")


def lines(found: Sequence[Mark]) -> list[list[str]]:
    """By world and air, each by shelter beneath, all last."""
    told = []
    for world, air in sorted({(one.world, one.air) for one in found}):
        here = [one for one in found if (one.world, one.air) == (world, air)]
        told.append(line(f"{world} {air}", here))
        for shelter in ("open", "pocketed", "deep"):
            if some := [one for one in here if one.shelter == shelter]:
                told.append(line(f"  {shelter}", some))
    return [*told, line("all", found)]


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cache", type=Path, help="the folder that keeps what was simulated")
    parser.add_argument("--worlds", nargs="+", default=list(WORLDS))
    parser.add_argument("--shut", action="store_true", help="the worlds that are kept shut may be asked for, too")
    parser.add_argument("--airs", nargs="+", default=["steady"])
    parser.add_argument("--seeds", nargs="+", type=int, default=[1])
    parser.add_argument("--runs", type=int, default=12, help="weighed ones per coat type")
    parser.add_argument("--cups", type=float, help="share of the variance of the slurry's luck that a daily cup tells")
    args = parser.parse_args()
    for world in args.worlds:
        try:
            allowed(world, args.shut)
        except ValueError as error:
            parser.error(f"--worlds: {error}")
    rooms = [(w, a, s) for w in args.worlds for a in args.airs for s in args.seeds]
    found = [one for room in rooms for one in marks(room, args.runs, args.cache, args.cups, shut=args.shut)]
    print(table(f"{len(rooms)} shops, {args.runs} weighed runs per coat type", ["world", *HEAD], lines(found)))


if __name__ == "__main__":
    main()
