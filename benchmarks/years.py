"""What a room of many years costs: pictures, exports, the store's size. `python -m benchmarks.years [--years N]`.

A store is filled as a service would have left it by `[store]`'s defaults: hours of all years, minutes of two, readings
of 90 days, messages of 30, verdicts; written directly, in the order in which they come, for ten years through the front
door take a day. Each picture is drawn by a process of its own, as the page has it drawn: starting Python and the
drawing library is part of its seconds and megabytes. Both engines; the
server is made for it by PostgreSQL's own programs.
"""

import argparse
import os
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.two_racks import TWO_RACKS
from drymon.messages.message import Message
from drymon.messages.settings import Keep, Server, Where
from drymon.store import Store
from drymon.store.retention import CHUNK
from drymon.store.server import about, schema_of

END = datetime(2041, 3, 3, 6, tzinfo=UTC)
MINUTE_US, HOUR_US, DAY_US = 60_000_000, 3_600_000_000, 86_400_000_000
END_US = round(END.timestamp()) * 1_000_000
CHANNELS = [(place, kind, "") for place in ("rack-a", "rack-b") for kind in ("temperature", "humidity", "airflow")]
CHANNELS += [("room", "temperature", ""), ("room", "humidity", "")]
MEAN = {"temperature": 21.5, "humidity": 48.0, "airflow": 1.2}
SWING = {"temperature": 2.5, "humidity": 9.0, "airflow": 0.4}
ROOM = (
    """[room]
name = "shop"
"""
    + TWO_RACKS
    + """room = { temperature_c = [20, 26], humidity_pct = [35, 55] }
"""
)
TREES, VERDICTS_A_DAY = 6, 40
REST = b"\x9a\x99\x99\x99\x99\x99\xb9\x3d"
Rows = Iterable[Sequence[Any]]
Put = Callable[[str, str, Rows], None]


def value(kind: str, times: np.ndarray) -> np.ndarray:
    """An invented room: seasons, days, and noise that is the same in every run."""
    days = times / DAY_US
    wave = np.sin(2 * np.pi * days) + 0.8 * np.sin(2 * np.pi * days / 365.25) + 0.3 * np.sin(days * 977.0)
    return np.round(MEAN[kind] + SWING[kind] * wave / 2, 2)


def buckets(days: int, width: int, count: int) -> Iterator[tuple[Any, ...]]:
    """Rows of a table of roll-ups, of all channels, in order of time."""
    step = 500 * width
    for first in range(END_US - days * DAY_US, END_US, step):
        starts = np.arange(first, min(first + step, END_US), width)
        parts = [value(kind, starts) for _, kind, _ in CHANNELS]
        spread = 0.0 if count == 1 else 0.37
        for row, start in enumerate(starts.tolist()):
            for channel, means in enumerate(parts, 1):
                mean = float(means[row])
                yield channel, start, mean - spread, mean, mean + spread, count, None if count == 1 else REST


def readings(days: int) -> Iterator[tuple[Any, ...]]:
    """A reading a minute of each channel, as they came: time, arrived, channel, value, flags."""
    for start in range(END_US - days * DAY_US, END_US, DAY_US):
        times = np.arange(start, start + DAY_US, MINUTE_US)
        parts = [value(kind, times).tolist() for _, kind, _ in CHANNELS]
        for row, at in enumerate(times.tolist()):
            for channel, values in enumerate(parts, 1):
                yield at + channel * 1000, at + channel * 1000, channel, values[row], 0


def messages(days: int) -> Iterator[tuple[Any, ...]]:
    """The messages that told of them."""
    for at, arrived, channel, said, _ in readings(days):
        yield arrived, channel, b'{"value": %.2f, "unit": "x"}' % said, 4, at // MINUTE_US % 65_535 + 1


def verdicts(days: int) -> Iterator[tuple[Any, ...]]:
    """Changes of state over all days."""
    for start in range(END_US - days * DAY_US, END_US, DAY_US):
        for n in range(VERDICTS_A_DAY):
            at = start + n * DAY_US // VERDICTS_A_DAY
            tree = f"t-{start // DAY_US % 1000}-{n % TREES}"
            yield 1, at, at + 600_000_000, tree, "rack-a", "backup", 4, at, "drying", 0.5, 0.6, 0.7, "[]", "open", ""


@contextmanager
def put_into_file(path: Path) -> "Iterator[Put]":
    """A way to add rows to a file's tables."""
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA synchronous = OFF")
        db.execute("PRAGMA journal_mode = OFF")
        db.execute("PRAGMA cache_size = -200000")

        def put(table: str, columns: str, rows: Rows) -> None:
            holes = ", ".join("?" * len(columns.split(",")))
            db.executemany(f"INSERT INTO {table} ({columns}) VALUES ({holes})", rows)

        yield put
        db.commit()
        db.execute("PRAGMA journal_mode = WAL")


@contextmanager
def put_into_server(server: Server) -> "Iterator[Put]":
    """A way to add rows to a room's tables on a server."""
    import psycopg

    with psycopg.connect(server.url) as db:
        db.execute(f'SET search_path = "{schema_of(server.room)}"')

        def put(table: str, columns: str, rows: Rows) -> None:
            with db.cursor() as cursor, cursor.copy(f"COPY {table} ({columns}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)

        yield put
        db.commit()
        db.autocommit = True
        db.execute("VACUUM ANALYZE")


def fill(where: Where, years: int, keep: Keep) -> None:
    """Make the store and fill it."""
    with Store.open(where):
        pass
    days = round(years * 365.25)
    kept = {name: min(days, given) for name, given in vars(keep).items()}
    bounds = {name: END_US - given * DAY_US for name, given in kept.items()}
    with put_into_server(where) if isinstance(where, Server) else put_into_file(where) as put:
        numbered = list(enumerate(CHANNELS, 1))
        put("channel", "id, place, quantity, sensor, latest", [(n, *each, END_US) for n, each in numbered])
        put("topic", "id, name", [(n, f"drymon/shop/{place}/{kind}") for n, (place, kind, _) in numbered])
        put("hour", "channel, start, low, mean, high, count, rest", buckets(kept["hours_days"], HOUR_US, 60))
        put("minute", "channel, start, low, mean, high, count, rest", buckets(kept["minutes_days"], MINUTE_US, 1))
        put("reading", "time, arrived, channel, value, flags", readings(kept["readings_days"]))
        put("message", "arrived, topic, payload, flags, mid", messages(kept["messages_days"]))
        told = "changed, time, valid_until, tree, rack, coat, number, dipped_at, state, dryness_low, dryness_best, "
        put("verdict", told + "dryness_high, reasons, shelter, recipe", verdicts(days))
        rolled = kept["readings_days"] * 1440 * len(CHANNELS)
        facts = {"rolled_to": rolled, "aged_to": END_US, "tidied_to": bounds["readings_days"]}
        facts |= {"minutes_to": bounds["minutes_days"], "hours_to": bounds["hours_days"]}
        put("fact", "name, value", facts.items())


def measured(command: Sequence[str]) -> tuple[float, float, float]:
    """Seconds, those of them that the processor worked, and the most megabytes that the process had at once."""
    begun = time.perf_counter()
    child = os.posix_spawn(
        command[0],
        command,
        os.environ,
        file_actions=[(os.POSIX_SPAWN_OPEN, out, "/dev/null", os.O_WRONLY, 0) for out in (1, 2)],
    )
    _, status, usage = os.wait4(child, 0)
    if status:
        raise SystemExit(f"{' '.join(command)} ended with {status}")
    return time.perf_counter() - begun, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def cases(home: Path, where: Where, years: int) -> Iterator[tuple[str, int, list[str]]]:
    """What is measured: its name, the rows of roll-ups or readings it is made of, the command."""
    python = [sys.executable, "-P", "-m"]
    for name, days in (("a day", 1), ("a month", 30), ("a year", 365), (f"{years} years", round(years * 365.25))):
        words = ["rack", "rack-a", str(24 * days), END.isoformat(), str(home / "picture.svg")]
        rows = 3 * 24 * days if days > 3 else 3 * 1440 * days
        yield f"the page's picture, {name}", rows, [*python, "drymon.views.page.draw", str(home), str(where), *words]
        since = (END - timedelta(days=days)).isoformat()
        plot = ["plot", "rack", "rack-a", "--from", since, "--to", END.isoformat(), "--out", str(home / "plot.svg")]
        yield f"`drymon plot rack`, {name}", rows, [*python, "drymon.cli", *plot, "--home", str(home)]
    for name, days in (("a day", 1), ("a month", 30)):
        since = (END - timedelta(days=days)).isoformat()
        export = ["export", "readings", "--from", since, "--to", END.isoformat(), "--out", str(home / "r.csv")]
        command = [*python, "drymon.cli", *export, "--home", str(home)]
        yield f"`drymon export readings`, {name}", 1440 * len(CHANNELS) * days, command


def size_of(where: Where) -> float:
    """Megabytes of the store."""
    size = about(where).size if isinstance(where, Server) else where.stat().st_size
    return (size or 0) / 1e6


def cleared(where: Where) -> tuple[int, float]:
    """How many steps clear away what a day makes too old, and the seconds that the longest took."""
    later, longest, steps = END + timedelta(days=1), 0.0, 0
    with Store.open(where) as store:
        store.record(Message(later, "drymon/shop/log/look", b"{}"), [])
        more = store.tidy(later)
        while more:
            begun = time.perf_counter()
            more = store.clear_step()
            longest, steps = max(longest, time.perf_counter() - begun), steps + 1
    return steps, longest


def show(engine: str, where: Where, home: Path, years: int) -> None:
    """Fill one engine's store, and print its rows of the table."""
    begun = time.perf_counter()
    filling = get_context("spawn").Process(target=fill, args=(where, years, Keep()))  # its memory would count below
    filling.start()
    filling.join()
    taken = time.perf_counter() - begun
    print(f"| {engine} | the store of {years} years, on disk | | {taken:.0f} | | {size_of(where):.0f} |", flush=True)
    for name, rows, command in cases(home, where, years):
        taken, worked, most = measured(command)
        print(f"| {engine} | {name} | {rows} | {taken:.1f} | {worked:.1f} | {most:.0f} |", flush=True)
    steps, longest = cleared(where)
    print(f"| {engine} | the longest of {steps} steps that clear a day | {CHUNK} | {longest:.3f} | | |", flush=True)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=int, default=10, help="how many; default %(default)s")
    parser.add_argument("--engine", choices=("file", "server"), help="one engine only")
    given = parser.parse_args()
    print("| engine | what | rows | s | of work | MB |\n|---|---|---:|---:|---:|---:|", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        if given.engine != "server":
            (home / "room.toml").write_text(ROOM, encoding="utf-8")
            show("SQLite", home / "drymon.db", home, given.years)
        if given.engine != "file":
            from tests.postgres import cluster

            with cluster(durable=True) as made:
                (home / "room.toml").write_text(f'{ROOM}[store]\nurl = "{made.url}"\n', encoding="utf-8")
                show("PostgreSQL", Server(made.url, "shop"), home, given.years)


if __name__ == "__main__":
    main()
