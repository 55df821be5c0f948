"""How long a start takes: folding all anew, and going on from an image of the room. Seconds of CPU, in one run.

    python benchmarks/start.py [--trees 50] [--days 2] [--year]

Five racks, each with temperature, humidity and air speed each minute, one load cell on the first. Trees are dipped all
day long and stay for so many days. `--year` puts a year of an older record below it, as long as its parts are kept.

anew       no image: all that the trees have seen is folded again
image      from an image of that very moment, and from those of so many minutes before
keeping    what it costs to keep one: the first, and the next half an hour later; bytes written
opening    the check of the whole file that comes before each start
"""

import argparse
import json
import math
import random
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.settings import HomeConfig
from drymon.service.pipeline import Pipeline
from drymon.store.store import Store

BEGIN = datetime(2031, 3, 3, tzinfo=UTC)
RACKS = 5
COATS = ("prime-first", "backup", "backup", "backup", "seal")


def home(folder: Path) -> HomeConfig:
    racks = "".join(f'[[rack]]\nname = "rack-{i}"\n' for i in range(RACKS))
    coats = "".join(
        f'[[coat]]\nname = "{coat}"\nfamily = "{family}"\n'
        for coat, family in (("prime-first", "prime"), ("backup", "backup"), ("seal", "seal"))
    )
    recipe = f'[[recipe]]\nname = "standard"\ncoats = {json.dumps(COATS)}\n'
    cell = '[[cell]]\nname = "cell-0"\nrack = "rack-0"\n'
    (folder / "room.toml").write_text(f'[room]\nname = "shop"\n{racks}{cell}{coats}{recipe}', "utf-8")
    return load_home(folder)


def stream(trees: int, days: float) -> Iterator[list[Message]]:
    """Minute by minute; each tree gets a coat now and then, the first ones within the first day."""
    luck = random.Random(1)
    dips: dict[int, list[tuple[int, int]]] = {}
    for tree in range(trees):
        minute = luck.randrange(5, 1200)
        while minute < 1440 * days:
            dips.setdefault(minute, []).append((tree, minute))
            minute += luck.randrange(400, 1500)
    for minute in range(int(1440 * days)):
        now = BEGIN + timedelta(minutes=minute)
        messages = []
        for rack in range(RACKS):
            wave = math.sin(minute / 200.0 + rack) + luck.gauss(0.0, 0.05)
            for quantity, value in (
                ("temperature", 21 + wave),
                ("humidity", 48 - 3 * wave),
                ("airflow", 0.6 + wave / 9),
            ):
                messages.append(Message(now, f"drymon/shop/rack-{rack}/{quantity}", f"{value:.2f}".encode()))
        mass = 3.0 + 0.1 * math.exp(-(minute % 700) / 90.0)
        messages.append(Message(now, "drymon/shop/rack-0/weight/cell-0", f"{mass:.4f}".encode()))
        for tree, _ in dips.get(minute, []):
            cell = {"cell": "cell-0"} if tree == 0 else {}
            log = {"tree": f"t-{tree}", "rack": f"rack-{tree % RACKS}", "coat": luck.choice(COATS), **cell}
            messages.append(Message(now, "drymon/shop/log/dip", json.dumps(log).encode()))
        yield messages


def spent(work: Callable[[], object]) -> float:
    begin = time.process_time()
    work()
    return time.process_time() - begin


def grow_old(store: Store) -> None:
    """A year before it: 30 days of messages, 90 of readings, roll-ups and events of it all."""
    first, minute, channels = BEGIN - timedelta(days=365), 60_000_000, 3 * RACKS
    db, start = store._db, int(first.timestamp()) * 1_000_000
    now = start + 365 * 1440 * minute
    with store.transaction():
        for channel in range(1, channels + 1):
            rack, quantity = divmod(channel - 1, 3)
            name = ("temperature", "humidity", "airflow")[quantity]
            db.execute("INSERT INTO channel VALUES (?, ?, ?, '', 0)", (channel, f"rack-{rack}", name))
            db.execute("INSERT INTO topic VALUES (?, ?)", (channel, f"drymon/shop/rack-{rack}/{name}"))
            rows = ((channel, start + i * minute, 45.0 + i % 7, 45.5, 46.0, 1) for i in range(365 * 1440))
            db.execute_many("INSERT INTO minute VALUES (?, ?, ?, ?, ?, ?, NULL)", rows)
            hours = ((channel, start + i * 60 * minute, 45.0, 45.5, 46.0, 60) for i in range(365 * 24))
            db.execute_many("INSERT INTO hour VALUES (?, ?, ?, ?, ?, ?, NULL)", hours)
        times = ((now - (90 * 1440 - i) * minute, c) for i in range(90 * 1440) for c in range(1, channels + 1))
        rows = ((at, at, channel, 45.0 + at % 7, 0) for at, channel in times)
        db.execute_many("INSERT INTO reading (time, arrived, channel, value, flags) VALUES (?, ?, ?, ?, ?)", rows)
        times = ((now - (30 * 1440 - i) * minute, c) for i in range(30 * 1440) for c in range(1, channels + 1))
        messages = ((at, topic, b"45.12", 4) for at, topic in times)
        db.execute_many("INSERT INTO message (arrived, topic, payload, flags) VALUES (?, ?, ?, ?)", messages)
        events = ((start + i * 40 * minute, start + i * 40 * minute, f"old-{i // 5}") for i in range(365 * 36))
        body = json.dumps({"rack": "rack-0", "coat": "backup"})
        db.execute_many(
            "INSERT INTO event (time, arrived, kind, tree, event_id, who, body, after_reading) "
            f"VALUES (?, ?, 'dip', ?, '', '', '{body}', 0)",
            events,
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trees", type=int, default=50)
    parser.add_argument("--days", type=float, default=2.0)
    parser.add_argument("--year", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        measure(Path(folder), args.trees, args.days, args.year)


def measure(folder: Path, trees: int, days: float, year: bool) -> None:
    config, models, path = home(folder), load_models(folder), folder / "drymon.db"
    store = Store.open(path)
    if year:
        grow_old(store)
    pipeline = Pipeline(config, models, store)
    minutes = list(stream(trees, days))

    def play(batches: list[list[Message]]) -> None:
        for batch in batches:
            pipeline.batch(batch, batch[-1].arrived)

    def start() -> None:
        nonlocal pipeline
        pipeline = Pipeline(config, models, store)
        pipeline.resume()

    def row(name: str, seconds: float, more: str = "") -> None:
        print(f"{name:32}{seconds:9.2f} s{seconds / anew:9.3f} of anew   {more}", flush=True)

    play(minutes[:-60])
    anew = spent(start)
    row("anew", anew)
    row("keeping the first image", spent(pipeline.keep_image), stored(store))
    row("image", spent(start))
    play(minutes[-60:-30])
    row("image, 30 min before", spent(start))
    row("keeping the next", spent(pipeline.keep_image), stored(store))
    play(minutes[-30:-20])
    row("image, 10 min before", spent(start))
    store.close()
    size = path.stat().st_size
    row("opening", spent(lambda: Store.open(path)), f"{size / 1e6:.0f} MB")


def stored(store: Store) -> str:
    (parts,) = store._db.execute("SELECT coalesce(sum(length(body)), 0) FROM image_part").fetchone()
    (images,) = store._db.row("SELECT sum(length(document) + length(heap) + length(parts)) FROM image")
    return f"{parts / 1e6:.1f} MB of parts, {images / 1e6:.1f} MB of images"


if __name__ == "__main__":
    main()
