"""How long a picture takes, from a day to a year of minute readings: `python -m benchmarks.pictures [--days N]`.

A room of one rack with temperature, humidity and air speed once a minute. What is older than the last hour lies in
the roll-ups, as after a year of service; it is written there directly, for a million readings through the front door
take minutes. Each picture is drawn by a child process of its own, as the page has it drawn: starting Python and the
drawing library is part of the time.
"""

import argparse
import math
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.shop.facts.reading import Reading
from drymon.store import Store

END = datetime(2032, 3, 3, 6, tzinfo=UTC)
QUANTITIES = (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW)
ROOM = '[room]\nname = "shop"\n[[rack]]\nname = "rack-a"\n[[coat]]\nname = "backup"\nfamily = "backup"\n'
MINUTE_US, HOUR_US = 60_000_000, 3_600_000_000
YEAR, ROUNDS = 365, 3
Row = tuple[int, int, float, float, float, int]


def value(quantity: Quantity, minute: int) -> float:
    """An invented room: days, seasons, and fans that rest at night."""
    day, season = math.sin(2 * math.pi * minute / 1440), math.sin(2 * math.pi * minute / 525_600)
    match quantity:
        case Quantity.TEMPERATURE:
            return 21.0 + 1.5 * day + 3.0 * season
        case Quantity.HUMIDITY:
            return 50.0 - 6.0 * day + 8.0 * season + 2.0 * math.sin(minute / 37)
        case _:
            return 1.2 if day > -0.3 else 0.1


def minutes(channel: int, quantity: Quantity, days: int) -> Iterator[Row]:
    """The roll-ups of all minutes but the last hour's."""
    end = round(END.timestamp()) * 1_000_000
    for minute in range(days * 1440, 60, -1):
        seen = value(quantity, days * 1440 - minute)
        yield channel, end - minute * MINUTE_US, seen, seen, seen, 1


def build(home: Path, days: int) -> Path:
    """A home with that many days of one rack's air; returns its database."""
    (home / "room.toml").write_text(ROOM, encoding="utf-8")
    path = home / "drymon.db"
    with Store.open(path) as store:
        for minute in range(60, 0, -1):
            when = END - timedelta(minutes=minute)
            items = [Reading(when, when, "rack-a", q, value(q, days * 1440 - minute)) for q in QUANTITIES]
            store.record(Message(when, "drymon/shop/rack-a/senml", b"[]"), items)
        store.roll_up(END)
    with closing(sqlite3.connect(path)) as db:
        known = db.execute("SELECT id, quantity FROM channel").fetchall()
        for channel, quantity in known:
            rows = minutes(channel, Quantity(quantity), days)
            db.executemany("INSERT OR REPLACE INTO minute VALUES (?, ?, ?, ?, ?, ?, NULL)", rows)
        db.execute(
            "INSERT OR REPLACE INTO hour (channel, start, low, mean, high, count) "
            f"SELECT channel, start / {HOUR_US} * {HOUR_US} AS begin, min(low), "
            "sum(mean * count) / sum(count), max(high), sum(count) FROM minute GROUP BY channel, begin"
        )
        db.commit()
    return path


def seconds(work: Callable[[], object]) -> float:
    """Median of a few runs."""
    taken = []
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return statistics.median(taken)


def drawn_for_the_page(home: Path, database: Path, hours: int) -> Path:
    """The picture that the page asks a child process for."""
    file = home / "picture.svg"
    words = [str(home), str(database), "rack", "rack-a", str(hours), END.isoformat(), str(file)]
    subprocess.run([sys.executable, "-P", "-m", "drymon.views.page.draw", *words], check=True)
    return file


def drawn_by_command(home: Path, *words: str) -> None:
    """What `drymon plot` draws, begin to end."""
    command = [sys.executable, "-P", "-m", "drymon.cli", "plot", *words, "--home", str(home)]
    subprocess.run([*command, "--out", str(home / "plot.svg")], check=True, stdout=subprocess.DEVNULL)


def rows_of(home: Path, database: Path, days: int) -> Iterable[tuple[str, float, str]]:
    """Name, seconds, and size of each picture."""
    yield "starting Python and the drawing library alone", seconds(_nothing), ""
    for name, span in (("a day", 1), ("three days", 3), ("a month", 30), ("a year", YEAR)):
        if span <= days:
            taken = seconds(partial(drawn_for_the_page, home, database, 24 * span))
            yield f"the page's air history, {name}", taken, f"{(home / 'picture.svg').stat().st_size / 1000:.0f} kB"
    since = (END - timedelta(days=min(days, YEAR))).isoformat()
    yield (
        f"drymon plot rack, {min(days, YEAR)} days",
        seconds(lambda: drawn_by_command(home, "rack", "rack-a", "--from", since)),
        "",
    )
    since = (END - timedelta(days=min(days, 3))).isoformat()
    chart = "drymon plot psychrometric, three days"
    yield chart, seconds(lambda: drawn_by_command(home, "psychrometric", "rack-a", "--from", since)), ""


def _nothing() -> None:
    subprocess.run([sys.executable, "-c", "import drymon.views.page.draw"], check=True)


def main() -> None:
    """Build, draw, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=YEAR, help="how much to build; default %(default)s")
    days = parser.parse_args().days
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        database = build(home, days)
        size = database.stat().st_size / 1e6
        print(f"{days} days of three quantities a minute: {3 * 1440 * days} readings, {size:.0f} MB of roll-ups\n")
        print("| picture | seconds | SVG |")
        print("|---|---:|---:|")
        for name, taken, drawn in rows_of(home, database, days):
            print(f"| {name} | {taken:.2f} | {drawn} |", flush=True)


if __name__ == "__main__":
    main()
