"""What the worlds are like, without any drymon: hours by coat number and shelter, water of a dip, the unbeatable error.

python -m benchmarks.accuracy.survey --cache /tmp/rooms --seeds 1 2 3
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.accuracy import quick
from benchmarks.accuracy.air import AIRS
from benchmarks.accuracy.shops import make_shop
from benchmarks.accuracy.tables import table
from benchmarks.accuracy.trends import SHELTERS
from benchmarks.accuracy.worlds.by_name import ALL, WORLDS

NUMBERS = (1, 3, 6, 9)  # of the first prime coat and of backups


@dataclass(frozen=True)
class Found:
    """One shop's trial dips and the water of its dips, g."""

    world: str
    dips: Sequence[quick.QuickDip]
    grams: float


def look(world: str, air: str, seed: int, cache: Path | None) -> Found:
    """One shop."""
    shop = make_shop(world, air, seed)
    area = float(np.mean(shop.tree.area))
    dips = quick.load(world, air, seed, cache=cache, shut=True).dips
    return Found(world, dips, 1000.0 * area * shop.world.body.water("backup"))


def line(name: str, found: Sequence[Found]) -> list[str]:
    """Median hours, and the unbeatable error, over some shops."""
    dips = [dip for shop in found for dip in shop.dips]

    def hours(shelter: str, number: int) -> str:
        taken = [dip.hours for dip in dips if (dip.shelter, dip.number) == (shelter, number)]
        return f"{np.median(taken):.1f}" if taken else "-"

    grams = [shop.grams for shop in found]
    oracle = [abs(dip.oracle_hours / dip.hours - 1.0) for dip in dips if dip.oracle_hours is not None]
    told = [f"{100 * np.quantile(oracle, q):.1f} %" for q in (0.5, 0.9)]
    by_coat = [hours(shelter, number) for shelter in SHELTERS for number in NUMBERS]
    return [name, str(len(dips)), f"{min(grams):.0f} to {max(grams):.0f}", *by_coat, *told]


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cache", type=Path, help="the folder that keeps what was simulated")
    parser.add_argument("--worlds", nargs="+", default=list(WORLDS), choices=ALL)
    parser.add_argument("--airs", nargs="+", default=list(AIRS), choices=AIRS)
    parser.add_argument("--seeds", nargs="+", type=int, default=[1])
    args = parser.parse_args()
    head = ["world", "dips", "water, g", *[f"{s} {n}" for s in SHELTERS for n in NUMBERS], "unbeatable", "p90"]
    lines = []
    for world in args.worlds:
        found = [look(world, air, seed, args.cache) for air in args.airs for seed in args.seeds]
        lines.append(line(world, found))
    print(table("Median hours by shelter and coat number; the error of a twin without luck", head, lines))


if __name__ == "__main__":
    main()
