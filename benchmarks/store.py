"""What a reading costs the disk, and how fast they go in: `python -m benchmarks.store [--readings N] [--server URL]`.

Bytes are the kernel's account of this process (`write_bytes` of /proc/self/io, closing checkpoint included), on tables
filled beforehand, for an empty table flatters. They are not what a card's flash takes. Absolute rates drift by a
factor of two on a shared machine: trust the ratios, from runs taken in turn. With a PostgreSQL server only the rates of
both engines are compared; each measurement makes a room of its own there, which stays.
"""

import argparse
import os
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Any

from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.messages.settings import Server, Where
from drymon.shop.facts.reading import Reading
from drymon.store import Store

START = datetime(2031, 3, 3, 6, tzinfo=UTC)
KINDS = ("untimed", "timed", "numbered")
PREFILL, SENSORS, ROUNDS = 100_000, 20, 3
Item = tuple[Message, Reading]


def items(kind: str, first: int, count: int) -> list[Item]:
    """20 sensors in turn, 20 readings a second, of an invented room."""
    return [_item(kind, n) for n in range(first, first + count)]


def _item(kind: str, n: int) -> Item:
    when = START + timedelta(seconds=n / 20)
    place, value = f"rack-{n % SENSORS // 2}", 20 + n * 7 % 100 / 10
    quantity = (Quantity.TEMPERATURE, Quantity.HUMIDITY)[n % 2]
    node: dict[str, Any] = (
        {"device": f"node-{n % SENSORS}", "boot": "b", "seq": n // SENSORS} if kind == "numbered" else {}
    )
    message = Message(when, f"drymon/shop/{place}/{quantity}", b'{"value": %.1f}' % value, qos=1, mid=n % 65_535 + 1)
    return message, Reading(when, when, place, quantity, value, timed=kind == "timed", **node)


def written() -> int:
    """Bytes that this process has caused to be sent to the disk."""
    lines = Path("/proc/self/io").read_text().splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("write_bytes")))


def batches(given: list[Item], size: int) -> Iterator[list[Item]]:
    """The items, `size` at a time."""
    rest = iter(given)
    while batch := list(islice(rest, size)):
        yield batch


def through_store(path: Where, given: list[Item], size: int) -> None:
    """Raw message and reading, duplicates refused, one commit a batch."""
    with Store.open(path) as store:
        for batch in batches(given, size):
            with store.transaction():
                for message, reading in batch:
                    store.record(message, [reading])


def through_plain_table(path: Path, given: list[Item], size: int) -> None:
    """What one would write first: SQLite as it comes, a table keyed by sensor and time, the reading alone."""
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE IF NOT EXISTS reading (sensor TEXT, time TEXT, value REAL, UNIQUE (sensor, time))")
        for batch in batches(given, size):
            rows = [(f"{r.place}/{r.quantity}", r.time.isoformat(), r.value) for _, r in batch]
            db.executemany("INSERT OR IGNORE INTO reading VALUES (?, ?, ?)", rows)
            db.commit()


def measure(run: Callable[[Path, list[Item], int], None], kind: str, count: int, size: int) -> tuple[float, float]:
    """(bytes written per reading, readings per second) on a table filled beforehand."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drymon.db"
        run(path, items(kind, 0, PREFILL), 5_000)
        given = items(kind, PREFILL, count)
        before, begun = written(), time.perf_counter()
        run(path, given, size)
        return (written() - before) / count, count / (time.perf_counter() - begun)


def beside_a_server(url: str, count: int) -> None:
    """Print the rates of a file and of a server, from runs taken in turn."""
    print("| readings per commit | file, readings/s | server, readings/s | times slower |")
    print("|---:|---:|---:|---:|")
    for size in (1, 20, 500):
        rates: dict[str, list[float]] = {"file": [], "server": []}
        for turn in range(ROUNDS):
            with tempfile.TemporaryDirectory() as folder:
                room = f"benchmark-{os.getpid()}-{size}-{turn}"
                places: dict[str, Where] = {"file": Path(folder) / "drymon.db", "server": Server(url, room)}
                for name, place in places.items():
                    through_store(place, items("numbered", 0, count), 5_000)
                    begun = time.perf_counter()
                    through_store(place, items("numbered", count, count), size)
                    rates[name].append(count / (time.perf_counter() - begun))
        file, server = (statistics.median(found) for found in rates.values())
        print(f"| {size} | {file:.0f} | {server:.0f} | {file / server:.1f} |")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=4000, help="per measurement; default 4000")
    parser.add_argument("--server", metavar="URL", help="a PostgreSQL database to compare with instead")
    given = parser.parse_args()
    count = given.readings
    if given.server:
        beside_a_server(given.server, count)
        return
    cases = [("plain table", through_plain_table, "timed", size) for size in (1, 20)]
    cases += [(f"store, {kind}", through_store, kind, size) for kind in KINDS for size in (1, 20, 500)]
    found: dict[tuple[str, int], list[tuple[float, float]]] = {}
    for _ in range(ROUNDS):
        for name, run, kind, size in cases:
            found.setdefault((name, size), []).append(measure(run, kind, count, size))
    middle = {case: [statistics.median(column) for column in zip(*runs, strict=True)] for case, runs in found.items()}
    base = middle["plain table", 1]
    print("| what | readings per commit | bytes per reading | times less | readings/s | times faster |")
    print("|---|---:|---:|---:|---:|---:|")
    for (name, size), (cost, rate) in middle.items():
        print(f"| {name} | {size} | {cost:.0f} | {base[0] / cost:.1f} | {rate:.0f} | {rate / base[1]:.1f} |")


if __name__ == "__main__":
    main()
