"""Rooms to be judged in: a recorded stream through the documented interface alone, room.toml, and the truth
apart.

    from benchmarks.accuracy.rooms import make_room
    record = make_room("night-off", seed=3, part="trial")
    record.save(folder)            # stream.jsonl.gz, room.toml, truth.json

From the command line: python -m benchmarks.accuracy.rooms night-off 3 trial FOLDER
"""

import json
import sys
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from benchmarks.accuracy.foundry import DipTruth, Foundry, Scatter
from benchmarks.accuracy.physics import Array
from benchmarks.accuracy.sensors import LoadCell, with_fault
from benchmarks.accuracy.shop import DRY_AT, RACKS, RECIPE, Shop, make_shop, make_trees, rack_air, room_toml
from benchmarks.accuracy.stream import Recording, stamp

START = {"fit": datetime(2031, 3, 3, tzinfo=UTC), "trial": datetime(2031, 3, 17, tzinfo=UTC)}
TAIL = 2 * 1440  # minutes simulated past the stream's end, so that its last dips have a truth too
WEIGH_AFTER = (
    1, 6, 12, 20, 30, 40, 55, 70, 85, 105, 125, 150, 180, 210, 240, 280, 320, 360, 420, 480, 540, 600,
)  # fmt: skip
EVERY = {("backup", "open"): 5, ("backup", "pocketed"): 3}  # weighed dips are spread over days and coat numbers
QUOTA = {"open": 1 / 2, "pocketed": 1 / 3, "deep": 1 / 6}


@dataclass
class RoomRecord:
    """One room's recording with the truth beside it. `readings`: what the sensors said, per rack and
    quantity."""

    shop: Shop
    part: str
    recording: Recording
    minutes: int
    dips: list[DipTruth]
    room_toml: str
    readings: dict[tuple[str, str], Array] = field(default_factory=dict)

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


def quota(shelter: str, runs: int) -> int:
    """How many of `runs` weighed runs of a coat are of this shelter: the first open, the second pocketed, the
    third deep."""
    if runs <= 3:
        return int(runs > list(QUOTA).index(shelter))
    return round(runs * QUOTA[shelter])


def make_room(
    kind: str,
    seed: int,
    *,
    part: str = "trial",
    weather: str | None = None,
    days: int = 4,
    lead_days: int | None = None,
    trees: int | None = None,
    weighed_runs: int | None = None,
    cells: int | None = None,
    fault: str = "none",
    scatter: Scatter | None = None,
) -> RoomRecord:
    """A room's record, deterministic in its arguments.

    part: "fit" (bench-weighed dips, `weighed_runs` per coat type, default 12; no load cell) or "trial" (nothing
        weighed but two trees on load cells). Both are the same shop in different weeks.
    lead_days: days of air before the first dip (default 1 in a fit room, 3 in a trial room, whose forecasts need them).
    fault: see sensors.FAULTS.
    """
    if part not in START:
        raise ValueError(f"part {part!r}: allowed are {', '.join(START)}")
    fit = part == "fit"
    shop = make_shop(kind, seed, weather, scatter)
    rng = np.random.default_rng([seed, list(START).index(part), len(kind)])
    lead = (1 if fit else 3) if lead_days is None else lead_days
    minutes = (lead + days) * 1440
    hung = make_trees(shop, rng, trees or (12 if fit else 10), (0 if fit else 2) if cells is None else cells)
    air = rack_air(shop, rng, minutes + TAIL, 0 if fit else 14)
    foundry = Foundry(shop.material, hung, air, minutes + TAIL, rng, shop.scatter, DRY_AT)
    foundry.minute = lead * 1440
    recording = Recording(kind, START[part])
    record = RoomRecord(shop, part, recording, minutes, foundry.dips, room_toml(shop, hung))
    _Day(record, foundry, rng, (12 if weighed_runs is None else weighed_runs) if fit else 0).work()
    _readings(record, foundry, rng, fault)
    foundry.finish()
    return record


class _Day:
    """The people: they dip what is dry (never much too soon), in working hours, and weigh what was chosen."""

    def __init__(self, record: RoomRecord, foundry: Foundry, rng: np.random.Generator, runs: int) -> None:
        self.record, self.foundry, self.rng, self.runs = record, foundry, rng, runs
        self.hours = (5.0, 22.0) if record.shop.kind == "steady" else (6.5, 18.0)
        self.wanted: dict[str, float] = {}
        self.weighed: Counter[tuple[str, str]] = Counter()
        self.seen: Counter[tuple[str, str]] = Counter()
        first = foundry.minute + 6 * 60 + 30
        self.begin = {name: first + 7 * i for i, name in enumerate(foundry.trees)}
        self.free_at = 0

    def work(self) -> None:
        """Until the recording ends; then the shells dry on without anybody."""
        foundry = self.foundry
        while foundry.minute < foundry.minutes:
            if foundry.minute < self.record.minutes:
                for name in foundry.trees:
                    self._attend(name)
            foundry.step()

    def _attend(self, name: str) -> None:
        foundry, minute = self.foundry, self.foundry.minute
        if name in foundry.last and foundry.last[name].weighed:
            self._weigh(name)
        hour = minute / 60.0 % 24.0
        if minute >= self.free_at and self.hours[0] <= hour < self.hours[1] and self._due(name):
            self._dip(name)

    def _due(self, name: str) -> bool:
        foundry, minute = self.foundry, self.foundry.minute
        if name not in foundry.last:
            return minute >= self.begin[name]
        if foundry.number[name] >= len(RECIPE):
            return False
        if name not in self.wanted and foundry.gone(name) >= DRY_AT:
            took = minute - foundry.last[name].minute
            self.wanted[name] = minute + took * float(self.rng.uniform(0.5, 1.0)) + 15.0
        return minute >= self.wanted.get(name, np.inf) and foundry.gone(name) >= DRY_AT

    def _dip(self, name: str) -> None:
        foundry, rec, minute = self.foundry, self.record.recording, self.foundry.minute
        tree, coat = foundry.trees[name], RECIPE[foundry.number[name]]
        key = (coat, tree.shelter)
        turn = self.seen[key] % EVERY.get(key, 1) == 0
        weighed = turn and self.weighed[key] < quota(tree.shelter, self.runs)
        self.seen[key] += 1
        self.weighed[key] += weighed
        if weighed:
            self._put_on_scale(name, minute - 0.5)
        foundry.dip(name, coat, weighed)
        rec.log(
            minute, "dip", tree=name, rack=tree.rack, coat=coat, number=foundry.number[name],
            shelter=tree.shelter, cell=tree.cell, recipe="standard",
        )  # fmt: skip
        self.wanted.pop(name, None)
        self.free_at = minute + 4

    def _weigh(self, name: str) -> None:
        since = self.foundry.minute - self.foundry.last[name].minute
        late = since > WEIGH_AFTER[-1] and since % 120 == 0
        if (since in WEIGH_AFTER or late) and 6.0 <= self.foundry.minute / 60.0 % 24.0 < 22.0:
            self._put_on_scale(name, self.foundry.minute)

    def _put_on_scale(self, name: str, minute: float) -> None:
        mass = self.foundry.mass(name) * 1000.0 + 0.3 * float(self.rng.standard_normal())
        self.record.recording.log(minute, "weigh", tree=name, mass=round(2 * mass) / 2, unit="g")


def _readings(record: RoomRecord, foundry: Foundry, rng: np.random.Generator, fault: str) -> None:
    rec, n, shop = record.recording, record.minutes, record.shop
    start = int(n * 0.45)
    for k, rack in enumerate(RACKS):
        here = "drift" if (fault, k) == ("drift-one", 0) else fault
        air = foundry.air[rack]
        speed = air.duty * air.fast + (1.0 - air.duty) * air.slow
        truth = {"temperature": air.temperature, "humidity": 100.0 * air.humidity, "airflow": speed}
        for q, (quantity, values) in enumerate(truth.items()):
            said = np.maximum(shop.sensors[rack, quantity].read(values[:n], rng), 0.0)
            said = with_fault(here, quantity, said, start, rng)
            record.readings[rack, quantity] = said
            for m in np.flatnonzero(~np.isnan(said)):
                rec.reading(float(m) + 0.1 + 0.05 * (3 * k + q), rack, quantity, f"{said[m]:g}")
    for tree in foundry.trees.values():
        if tree.cell:
            drift = 0.06 if fault == "cell-drift" else 0.006
            cell = LoadCell(drift_per_day=drift, freezes=fault == "cell-stuck")
            air = foundry.air[tree.rack]
            dips = [d.minute for d in foundry.dips if d.tree == tree.name and d.minute < n]
            mass = foundry.masses[tree.name][:n]
            hangs = np.flatnonzero(~np.isnan(mass))
            said = cell.read(np.nan_to_num(mass), air.temperature[:n], air.fan_on[:n], dips, rng)
            for m in hangs:
                rec.reading(float(m) + 0.5, tree.rack, "weight", f"{said[m]:.4f}", tree.cell)


if __name__ == "__main__":
    if len(sys.argv) != 5:
        sys.exit("usage: python -m benchmarks.accuracy.rooms KIND SEED fit|trial FOLDER")
    make_room(sys.argv[1], int(sys.argv[2]), part=sys.argv[3]).save(Path(sys.argv[4]))
