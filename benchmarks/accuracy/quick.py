"""A quick road for whoever works on the model: a shop's weighed runs as `drymon.learning.run.Run`, and its trial dips
with their truth and the air as measured, without replaying anything.

    from benchmarks.accuracy import quick
    shop = quick.load("layers", "steady", 1, runs=12, cache="/tmp/rooms")
    shop.runs, shop.dips, shop.starts

    python -m benchmarks.accuracy.quick --cache /tmp/rooms --worlds layers --airs steady --seeds 1 2    # fill the cache

The cache keeps what was simulated, under a mark of the examiner's own source; runs are made of it anew by the drymon at
hand, as its commands would make them of the same record (tests/test_quick.py).
"""

import argparse
import hashlib
import pickle
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from benchmarks.accuracy.air import AIRS
from benchmarks.accuracy.foundry import DipTruth
from benchmarks.accuracy.rooms import RoomRecord, make_room
from benchmarks.accuracy.shop import FAMILY
from benchmarks.accuracy.worlds.by_name import ALL, WORLDS, allowed
from benchmarks.accuracy.worlds.moist import Array
from drymon.drying import sorption
from drymon.drying.air import standard_pressure
from drymon.learning.run import Run, RunAir
from drymon.learning.runs import air_by_minute, from_bench, from_cell, make_run
from drymon.messages.coat_models import load_models
from drymon.shop.tree.starting import OF_FAMILY

HERE = Path(__file__).parent
STALE_MIN = 10  # room.toml's default: older readings are no evidence
BEFORE_MIN = 120  # of the air before a dip, for what the coats below hold
ASSUMED = float(np.sqrt(0.3 * 2.0))  # m/s: middle of the default range of a rack without an anemometer
AIR_TIMES = 3.0  # the air of a trial dip reaches so many drying times


@dataclass(frozen=True)
class Raw:
    """One dip as the examiner knows it, times in minutes from the dip.

    start_s: the dip, s since 1970. temperature, humidity, speed: as measured, by the minute, NaN where nothing fresh
    was; before: the humidity of the two hours before. bench: (minute, kg); cell: (s since the dip, kg).
    """

    truth: DipTruth
    start_s: float
    temperature: Array
    humidity: Array
    speed: Array
    before: Array
    bench: list[tuple[float, float]]
    cell: tuple[Array, Array] | None


@dataclass(frozen=True)
class QuickDip:
    """A trial dip. hours: truly from the dip to `dry_at`; oracle_hours: of its twin without luck; gone: share of the
    removable water gone from the slowest part, by the minute until the next dip. air: as measured, from the dip to
    three drying times after it. cell: its load cell's readings (s since the dip, kg), None without one. slurry: its
    pick-up that day and week, over the usual; thick: what a cup told of it, as in a run, 0 without one (`cups`).
    """

    tree: str
    coat: str
    number: int
    shelter: str
    rack: str
    start_s: float
    hours: float
    oracle_hours: float | None
    gone: Array
    air: RunAir
    held_below: float
    cell: tuple[Array, Array] | None
    slurry: float = 1.0
    thick: float = 0.0


@dataclass(frozen=True)
class Quick:
    """A shop's weighed runs and trial dips. starts: by coat, the name of its packaged starting model.

    truths: by run id, hours to `dry_at` and the share gone at each minute: for looking at, never for fitting. slurries:
    by run id, the slurry's pick-up over the usual, for cups that tell of it (`cups`).
    """

    runs: list[Run]
    dips: list[QuickDip]
    starts: dict[str, str]
    truths: dict[str, tuple[float | None, Array]] = field(default_factory=dict)
    slurries: dict[str, float] = field(default_factory=dict)


def load(
    world: str, air: str, seed: int, runs: int = 12, cache: str | Path | None = None, *, shut: bool = False
) -> Quick:
    """A shop's runs and trial dips; simulated once for each cache folder. runs: weighed ones per coat type."""
    allowed(world, shut)
    fit, trial = _raw(world, air, seed, runs, Path(cache) if cache else None)
    packaged = load_models(None)
    return Quick(
        runs=[run_of(raw) for raw in fit],
        dips=[_dip(raw) for raw in trial],
        starts={name: name if name in packaged else OF_FAMILY[family] for name, family in FAMILY.items()},
        truths={_id(raw): (_hours(raw.truth.dry_minute, raw.truth), raw.truth.gone) for raw in fit},
        slurries={_id(raw): raw.truth.slurry for raw in fit},
    )


def _raw(world: str, air: str, seed: int, runs: int, cache: Path | None) -> tuple[list[Raw], list[Raw]]:
    """Of the fit room its weighed dips, of the trial room all whose truth is known."""
    path = cache / f"{world}-{air}-{seed}-{runs}-{_mark()}.pickle" if cache else None
    if path is not None and path.exists():
        found: tuple[list[Raw], list[Raw]] = pickle.loads(path.read_bytes())
        return found
    fit = make_room(world, air, seed, part="fit", weighed_runs=runs)
    trial = make_room(world, air, seed, part="trial")
    made = raw_of(fit, weighed=True), raw_of(trial, weighed=False)
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(made))
    return made


def _mark() -> str:
    """Changes with the examiner's source: what was simulated by another is not taken for this one's."""
    sources = sorted(
        path
        for path in HERE.rglob("*.py")
        if path.name not in ("quick.py", "quick_marks.py", "cups.py", "run.py", "tables.py")
    )
    return hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()[:10]


def raw_of(record: RoomRecord, weighed: bool) -> list[Raw]:
    """The weighed dips of a fit room, or the dips of a trial room whose truth is known."""
    return [_raw_dip(record, dip) for dip in record.dips if _counts(record, dip, weighed)]


def _counts(record: RoomRecord, dip: DipTruth, weighed: bool) -> bool:
    known = dip.dry_minute is not None and dip.dry_minute < record.minutes
    return dip.weighed and dip.minute < record.minutes if weighed else known


def _raw_dip(record: RoomRecord, dip: DipTruth) -> Raw:
    end = min(dip.end if dip.end is not None else record.minutes, record.minutes)
    bench = [(m - dip.minute, grams / 1000.0) for m, grams in record.weighings[dip.tree] if dip.minute <= m < end]
    cell = None
    if dip.cell is not None:
        minutes, kg = record.cells[dip.cell]  # a record ends with its last message, which ends the run
        here = (minutes >= dip.minute) & (minutes < (record.minutes - 0.5 if dip.end is None else end))
        cell = (60.0 * (minutes[here] - dip.minute), kg[here])
    last = 2 + (end if dip.weighed else int(dip.minute + AIR_TIMES * ((dip.dry_minute or end) - dip.minute)))
    warm, damp, wind = (
        _measured(record, dip.rack, name, dip.minute, last) for name in ("temperature", "humidity", "airflow")
    )
    before = _measured(record, dip.rack, "humidity", dip.minute - BEFORE_MIN, dip.minute)
    return Raw(dip, record.recording.at(dip.minute).timestamp(), warm, damp, wind, before, bench, cell)


def _measured(record: RoomRecord, rack: str, quantity: str, begin: int, end: int) -> Array:
    """A rack's readings by the minute, each good until the next, but not for longer than `STALE_MIN`."""
    said = record.readings.get((rack, quantity))
    if said is None:
        return np.full(max(end - begin, 0), np.nan)
    first = max(begin, 0)
    lead = max(first - STALE_MIN, 0)
    values = said[lead:end]
    good = np.maximum.accumulate(np.where(np.isnan(values), -1, np.arange(len(values))))
    fresh = (good >= 0) & (np.arange(len(values)) - good < STALE_MIN)
    return np.asarray(np.where(fresh, values[good], np.nan)[first - lead :])


def _id(raw: Raw) -> str:
    when = time.strftime("%Y%m%dT%H%M", time.gmtime(raw.start_s))
    return f"{raw.truth.tree}.{raw.truth.number}.{when}"


def _hours(minute: float | None, truth: DipTruth) -> float | None:
    return None if minute is None else (minute - truth.minute) / 60.0


def _air(raw: Raw, minutes: int) -> RunAir | None:
    here = slice(0, minutes)
    warm, damp, wind = raw.temperature[here], raw.humidity[here], raw.speed[here]
    pressure = np.full(len(warm), float(standard_pressure(0.0)))
    return air_by_minute(warm, damp, wind, pressure, np.full(len(warm), ASSUMED))


def _held_below(raw: Raw) -> float:
    known = raw.before[np.isfinite(raw.before)]
    return float(sorption.excess(known).mean()) if raw.truth.number > 1 and len(known) else 0.0


def run_of(raw: Raw) -> Run:
    dip = raw.truth
    if raw.cell is not None:
        weighed = from_cell(zip(*(column.tolist() for column in raw.cell), strict=True))
    else:
        weighed = from_bench([(60.0 * minute, kg) for minute, kg in raw.bench])
    minutes = int(np.ceil(float(weighed.times_s[-1]) / 60.0)) + 1 if len(weighed.times_s) else 1
    return make_run(
        id=_id(raw), tree=dip.tree, coat=dip.coat, number=dip.number, shelter=dip.shelter, rack=dip.rack,
        start_s=raw.start_s, weighed=weighed, air=_air(raw, minutes), held_below=_held_below(raw),
    )  # fmt: skip


def _dip(raw: Raw) -> QuickDip:
    dip, hours, air = raw.truth, _hours(raw.truth.dry_minute, raw.truth), _air(raw, len(raw.temperature))
    assert hours is not None
    assert air is not None
    return QuickDip(
        tree=dip.tree, coat=dip.coat, number=dip.number, shelter=dip.shelter, rack=dip.rack, start_s=raw.start_s,
        hours=hours, oracle_hours=_hours(dip.oracle_minute, dip), gone=dip.gone, air=air, held_below=_held_below(raw),
        cell=raw.cell, slurry=dip.slurry,
    )  # fmt: skip


def main() -> None:
    """Fill a cache."""
    parser = argparse.ArgumentParser(description="Simulate shops and keep their runs and trial dips.")
    parser.add_argument("--cache", type=Path, required=True, help="the folder that keeps them")
    parser.add_argument("--worlds", nargs="+", default=list(WORLDS), choices=ALL)
    parser.add_argument("--airs", nargs="+", default=list(AIRS), choices=AIRS)
    parser.add_argument("--seeds", nargs="+", type=int, default=[1])
    parser.add_argument("--runs", type=int, default=12)
    args = parser.parse_args()
    for world, air, seed in _all(args.worlds, args.airs, args.seeds):
        began = time.process_time()
        made = load(world, air, seed, args.runs, args.cache, shut=True)
        told = f"{len(made.runs)} runs ({sum(run.used for run in made.runs)} used), {len(made.dips)} dips"
        print(f"{world} {air} {seed}: {told}, {time.process_time() - began:.1f} s", file=sys.stderr, flush=True)


def _all(worlds: list[str], airs: list[str], seeds: list[int]) -> Iterator[tuple[str, str, int]]:
    return ((world, air, seed) for world in worlds for air in airs for seed in seeds)


if __name__ == "__main__":
    from benchmarks.accuracy import quick  # what is kept names its classes' module: `__main__` would be another's

    quick.main()
