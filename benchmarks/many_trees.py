"""What a minute costs by the number of trees that dry in one process: the room alone, without broker and disk.

    python benchmarks/many_trees.py [--trees 50 500 5000] [--minutes 16]

Fifty racks with temperature, humidity and air speed each minute; all trees are dipped within twenty minutes, then
looked at for so many more. Each number of trees in a process of its own.

minute      CPU of a usual minute, median: readings taken in, all trees stepped and looked at
worst       of the worst one: all are told again, or the plan is made
a tree      of a usual minute, milliseconds, and over that of the first number
"""

import argparse
import math
import resource
import statistics
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.parse import Parser
from drymon.shop.fold.room import Room

BEGIN = datetime(2031, 3, 3, 6, 0, tzinfo=UTC)
RACKS = 50
DIPPED_MIN = 20


def room_of(folder: Path) -> tuple[Room, Parser]:
    racks = "".join(f'[[rack]]\nname = "rack-{i}"\n' for i in range(RACKS))
    coat = '[[coat]]\nname = "backup"\nfamily = "backup"\n'
    coats = f'{coat}[[recipe]]\nname = "all"\ncoats = ["backup", "backup", "backup"]\n'
    (folder / "room.toml").write_text(f'[room]\nname = "shop"\n{racks}{coats}', "utf-8")
    config = load_home(folder)
    return Room(config.room, load_models(None)), Parser(config)


def air(minute: int) -> Iterator[Message]:
    now = BEGIN + timedelta(minutes=minute, seconds=5)
    for rack in range(RACKS):
        wave = math.sin(minute / 60.0 + rack)
        for quantity, value in (("temperature", 21 + wave), ("humidity", 48 - 3 * wave), ("airflow", 0.6 + wave / 9)):
            yield Message(now, f"drymon/shop/rack-{rack}/{quantity}", f"{value:.2f}".encode())


def dips(minute: int, trees: int) -> Iterator[Message]:
    now = BEGIN + timedelta(minutes=minute, seconds=20)
    for tree in range(minute, trees, DIPPED_MIN):
        said = f'{{"tree": "t-{tree}", "rack": "rack-{tree % RACKS}", "coat": "backup", "number": {1 + tree % 2}}}'
        yield Message(now, "drymon/shop/log/dip", said.encode())


def measure(trees: int, minutes: int) -> tuple[list[float], float]:
    """CPU of each minute in seconds, and the highest memory in MB."""
    with TemporaryDirectory() as folder:
        room, door = room_of(Path(folder))
    spent = []
    for minute in range(DIPPED_MIN + minutes):
        begin = time.process_time()
        for message in air(minute):
            room.advance(message.arrived)
            room.tell(door.parse(message).items)
        if minute < DIPPED_MIN:
            for message in dips(minute, trees):
                room.tell(door.parse(message).items)
            room.judge_now(BEGIN + timedelta(minutes=minute, seconds=20))
        else:
            spent.append(time.process_time() - begin)
    scale = 1e6 if sys.platform == "darwin" else 1e3
    return spent, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / scale


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trees", type=int, nargs="+", default=[50, 500])
    parser.add_argument("--minutes", type=int, default=16)
    args = parser.parse_args()
    print(f"{'trees':>6}{'minute s':>10}{'worst s':>9}{'a tree ms':>11}{'of the first':>14}{'MB':>7}")
    first = None
    for trees in args.trees:
        with get_context("spawn").Pool(1) as pool:
            spent, memory = pool.apply(measure, (trees, args.minutes))
        usual = statistics.median(spent)
        each = 1000.0 * usual / trees
        first = first or each
        print(f"{trees:6}{usual:10.2f}{max(spent):9.2f}{each:11.3f}{each / first:14.2f}{memory:7.0f}", flush=True)


if __name__ == "__main__":
    main()
