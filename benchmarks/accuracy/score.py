"""What the product said, held against the truth: forecasts, intervals, calls that were unsafe or late."""

import gzip
import json
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.accuracy.foundry import DipTruth
from benchmarks.accuracy.rooms import RoomRecord
from benchmarks.accuracy.shop import DRY_AT

FORECAST_AFTER = 5.0  # minutes after the dip
CALLED = ("ready", "complete")
HALF_AGAIN = 0.5  # a tree that hung dry for this share of its drying time, and nothing was said


@dataclass(frozen=True)
class Said:
    """One verdict, minutes from the recording's start."""

    minute: float
    until: float
    number: int
    state: str
    early: float | None
    best: float | None
    late: float | None


@dataclass
class Row:
    """One dip's marks. Times are shares of the true drying time; None: not to be told.

    temperature (degC), humidity (0 to 1), speed (m/s): true means from the dip to the moment when it was dry.
    """

    world: str
    air: str
    seed: int
    tree: str
    rack: str
    coat: str
    number: int
    shelter: str
    celled: bool
    hours: float
    temperature: float
    humidity: float
    speed: float
    error: float | None = None  # signed, of the forecast at five minutes
    half_error: float | None = None  # signed, of the forecast half-way
    covered: bool | None = None
    width: float | None = None
    late: float | None = None  # called after the truth by this share; a lower bound where `called` is False
    called: bool = False
    bound: float | None = None  # the forecast's own 95 % bound after the truth, signed: nothing cuts it short
    overdue: bool | None = None  # not called within half its time again; None: it did not hang so long
    # how far short of dry_at the slowest part was while called safe; 0 or less: never short
    worst: float | None = None
    last_state: str = ""
    oracle: float | None = None


def read_verdicts(path: Path, record: RoomRecord) -> dict[str, list[Said]]:
    """The out/tree messages of a recorded stream, by tree, in time order."""
    start = record.recording.start
    said: dict[str, list[Said]] = defaultdict(list)

    def minute(text: str | None) -> float | None:
        return None if text is None else (datetime.fromisoformat(text) - start).total_seconds() / 60.0

    opened: Any = gzip.open if path.suffix == ".gz" else open
    with opened(path, "rt") as lines:
        for line in lines:
            message = json.loads(line)
            levels = message["topic"].split("/")
            if levels[2:4] != ["out", "tree"] or not message.get("payload"):
                continue
            v = json.loads(message["payload"])
            dry = v.get("dry_at") or {}
            said[levels[4]].append(
                Said(
                    minute(v["time"]) or 0.0, minute(v["valid_until"]) or 0.0, v["number"], v["state"],
                    minute(dry.get("early")), minute(dry.get("best")), minute(dry.get("late")),
                )
            )  # fmt: skip
    return said


def score(record: RoomRecord, said: dict[str, list[Said]]) -> list[Row]:
    """One row for each dip whose truth is known."""
    return [
        _row(record, dip, [v for v in said.get(dip.tree, []) if v.number == dip.number])
        for dip in record.dips
        if dip.dry_minute is not None and dip.dry_minute < record.minutes
    ]


def _row(record: RoomRecord, dip: DipTruth, verdicts: list[Said]) -> Row:
    assert dip.dry_minute is not None
    took = dip.dry_minute - dip.minute
    row = Row(
        record.shop.world.name, record.shop.air, record.shop.seed, dip.tree, dip.rack, dip.coat, dip.number,
        dip.shelter, dip.cell is not None, took / 60.0, *_mean_air(record, dip),
    )  # fmt: skip
    if dip.oracle_minute is not None:
        row.oracle = (dip.oracle_minute - dip.dry_minute) / took
    first = _at(verdicts, dip.minute + FORECAST_AFTER)
    if first is not None and first.best is not None:
        row.error = (first.best - dip.dry_minute) / took
    if first is not None and first.early is not None:
        late = np.inf if first.late is None else first.late
        row.covered = bool(first.early <= dip.dry_minute <= late)
        row.width = float(late - first.early) / took
        row.bound = float(late - dip.dry_minute) / took
    half = _at(verdicts, dip.minute + 0.5 * took)
    if half is not None and half.best is not None:
        row.half_error = (half.best - dip.dry_minute) / took
    _calls(record, dip, verdicts, took, row)
    return row


def _mean_air(record: RoomRecord, dip: DipTruth) -> tuple[float, float, float]:
    air, span = record.foundry.air[dip.rack], slice(dip.minute, int(dip.dry_minute or dip.minute) + 1)
    speed = air.duty * air.fast + (1.0 - air.duty) * air.slow
    temperature, humidity, moving = (float(values[span].mean()) for values in (air.temperature, air.humidity, speed))
    return temperature, humidity, moving


def _calls(record: RoomRecord, dip: DipTruth, verdicts: list[Said], took: float, row: Row) -> None:
    assert dip.dry_minute is not None
    end = min(dip.end if dip.end is not None else record.minutes, record.minutes)
    calls = [v for v in verdicts if v.state in CALLED and v.minute < end]
    row.called = bool(calls)
    row.late = ((calls[0].minute if calls else end) - dip.dry_minute) / took
    row.overdue = row.late >= HALF_AGAIN if calls or row.late >= HALF_AGAIN else None
    row.last_state = verdicts[-1].state if verdicts else ""
    short = [
        DRY_AT - float(dip.gone[min(int(m) - dip.minute, len(dip.gone) - 1)])
        for m in _minutes_in_force(verdicts, calls, end)
        if m >= dip.minute
    ]
    row.worst = max(short, default=None)


def _minutes_in_force(verdicts: list[Said], calls: list[Said], end: float) -> Iterable[int]:
    """All minutes in which somebody could have read that the tree is safe."""
    times = [v.minute for v in verdicts]
    for call in calls:
        after = bisect_right(times, call.minute)
        until = min(times[after] if after < len(times) else end, call.until, end)
        yield from range(int(call.minute), max(int(until), int(call.minute) + 1))


def _at(verdicts: list[Said], minute: float) -> Said | None:
    """The verdict in force at a minute."""
    place = bisect_right([v.minute for v in verdicts], minute)
    return verdicts[place - 1] if place else None


def wilson_upper(hits: int, n: int, z: float = 1.645) -> float:
    """Upper end of Wilson's score interval (Wilson 1927, J. Am. Stat. Assoc. 22:209); z = 1.645: 95 %, one-
    sided."""
    if n == 0:
        return 1.0
    p = hits / n
    centre, half = p + z * z / (2 * n), z * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return float((centre + half) / (1 + z * z / n))
