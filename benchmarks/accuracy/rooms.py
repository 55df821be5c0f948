"""Rooms to be judged in: a recorded stream through the documented interface alone, room.toml, and the truth
apart.

    from benchmarks.accuracy.rooms import make_room
    record = make_room("layers", "night-off", seed=3, part="trial")
    record.save(folder)            # stream.jsonl.gz, room.toml, truth.json

From the command line: python -m benchmarks.accuracy.rooms layers night-off 3 trial FOLDER
"""

import json
import sys
import zlib
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from benchmarks.accuracy.foundry import DipTruth, Foundry, Scatter
from benchmarks.accuracy.people import Day, cells_of
from benchmarks.accuracy.readings import Readings, Signals, read_air, read_cells
from benchmarks.accuracy.shop import DRY_AT, PartPlan, Shop, make_trees, rack_air, room_toml
from benchmarks.accuracy.shops import make_shop
from benchmarks.accuracy.stream import Recording, stamp

START = {"fit": datetime(2031, 3, 3, tzinfo=UTC), "trial": datetime(2031, 3, 17, tzinfo=UTC)}
TAIL = 2 * 1440  # minutes simulated past the stream's end, so that its last dips have a truth too


@dataclass
class RoomRecord:
    """One room's recording with the truth beside it. `readings`: what the sensors said, per rack and quantity, by the
    minute (`TAIL` longer than the recording); weighings: by tree, minute and grams; cells: by cell, minutes and kg."""

    shop: Shop
    part: str
    recording: Recording
    minutes: int
    dips: list[DipTruth]
    room_toml: str
    foundry: Foundry
    readings: Readings = field(default_factory=dict)
    weighings: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    cells: Signals = field(default_factory=dict)

    @property
    def lines(self) -> list[str]:
        """The stream's lines."""
        return self.recording.lines(self.minutes)

    def save(self, folder: Path) -> None:
        """Writes stream.jsonl.gz, room.toml and truth.json."""
        folder.mkdir(parents=True, exist_ok=True)
        self.recording.write(folder / "stream.jsonl.gz", self.minutes)
        (folder / "room.toml").write_text(self.room_toml)
        (folder / "truth.json").write_text(json.dumps([self._row(d) for d in self.dips]))

    def _row(self, d: DipTruth) -> dict[str, object]:
        def when(minute: float | None) -> str | None:
            return None if minute is None else stamp(self.recording.at(minute))

        return {
            "tree": d.tree, "rack": d.rack, "coat": d.coat, "number": d.number, "shelter": d.shelter,
            "cell": d.cell, "weighed": d.weighed, "dipped_at": when(d.minute), "dry_at": when(d.dry_minute),
            "oracle_dry_at": when(d.oracle_minute), "gone_each_minute": [round(float(g), 4) for g in d.gone],
        }  # fmt: skip


def make_room(  # noqa: PLR0913, by keyword, all but which room
    world: str,
    air: str,
    seed: int,
    *,
    part: str = "trial",
    weather: str | None = None,
    days: int | None = None,
    lead_days: int | None = None,
    trees: int | None = None,
    weighed_runs: int | None = None,
    cells: int | None = None,
    fault: str = "none",
    scatter: Scatter | None = None,
) -> RoomRecord:
    """A room's record, deterministic in its arguments.

    part: "fit" (weighed dips, `weighed_runs` per coat type, default 12) or "trial" (nothing weighed but the trees on
        load cells, where the shop has any). Both are the same shop in different weeks.
    lead_days: days of air before the first dip; days: with people; trees, cells: how many; default: the shop's plan.
    fault: see sensors.FAULTS.
    """
    if part not in START:
        raise ValueError(f"part {part!r}: allowed are {', '.join(START)}")
    fit = part == "fit"
    shop = make_shop(world, air, seed, weather, scatter)
    rng = np.random.default_rng([seed, list(START).index(part), len(air), *_mark(world)])
    plan = _plan(shop.plans[part], days, lead_days, trees)
    minutes = (plan.lead_days + plan.days) * 1440
    hung = make_trees(shop, rng, plan.trees, (0 if fit else shop.trial_cells) if cells is None else cells)
    there = rack_air(shop, rng, minutes + TAIL, 0 if fit else 14)
    foundry = Foundry(shop.world, hung, there, minutes + TAIL, rng, shop.scatter, DRY_AT, turbulence=shop.turbulence)
    foundry.minute = plan.lead_days * 1440
    recording = Recording(shop.room, START[part])
    runs = (12 if weighed_runs is None else weighed_runs) if fit else 0
    day = Day(shop, plan, recording, foundry, rng, runs)
    day.work(minutes)
    readings = read_air(shop, recording, there, minutes, rng, fault)
    signals = read_cells(shop, recording, foundry, minutes, rng, fault)
    foundry.finish()
    known = {tree.cell: tree.rack for tree in hung if tree.cell}
    if fit:
        known |= {cell: rack for rack in shop.racks for cell in cells_of(shop, rack)}
    return RoomRecord(
        shop, part, recording, minutes, foundry.dips, room_toml(shop, known), foundry, readings, day.weighings, signals
    )


def _mark(world: str) -> tuple[int, ...]:
    """What keeps the luck of two worlds apart."""
    return () if world == "layers" else (zlib.crc32(world.encode()),)


def _plan(plan: PartPlan, days: int | None, lead_days: int | None, trees: int | None) -> PartPlan:
    chosen = {"days": days, "lead_days": lead_days, "trees": trees}
    return replace(plan, **{name: value for name, value in chosen.items() if value is not None})


if __name__ == "__main__":
    if len(sys.argv) != 6:
        sys.exit("usage: python -m benchmarks.accuracy.rooms WORLD AIR SEED fit|trial FOLDER")
    make_room(sys.argv[1], sys.argv[2], int(sys.argv[3]), part=sys.argv[4]).save(Path(sys.argv[5]))
