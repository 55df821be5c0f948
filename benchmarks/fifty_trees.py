"""What a reading costs while fifty trees dry: the room alone, without broker and disk. Milliseconds, in one run.

    python benchmarks/fifty_trees.py [--hours 3]

Five racks of ten trees each, temperature, humidity and air speed at every rack each 20 s, one load cell a rack.

reading    taken in, and whatever it makes be looked at before the next whole minute
minute     all trees stepped through a minute and judged, forecasts included
per reading  both together, spread over the readings of a minute: what keeping up costs
"""

import argparse
import math
import statistics
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.parse import Parser
from drymon.shop.fold.room import Room

BEGIN = datetime(2031, 3, 3, 6, 0, tzinfo=UTC)
RACKS, TREES = 5, 10
"""Racks, and trees on each."""

EVERY_S = 20


def home(folder: Path) -> Path:
    racks = "".join(f'[[rack]]\nname = "rack-{i}"\n' for i in range(RACKS))
    cells = "".join(f'[[cell]]\nname = "cell-{i}"\nrack = "rack-{i}"\n' for i in range(RACKS))
    (folder / "room.toml").write_text(
        f'[room]\nname = "shop"\n{racks}{cells}[[coat]]\nname = "backup"\nfamily = "backup"\n', "utf-8"
    )
    return folder


def stream(hours: float) -> Iterator[Message]:
    """Dips within the first half hour, then readings."""
    for second in range(0, int(3600 * hours), EVERY_S):
        now = BEGIN + timedelta(seconds=second)
        number = second // EVERY_S
        if 15 <= number < 15 + RACKS * TREES:
            rack, tree = (number - 15) % RACKS, (number - 15) // RACKS
            cell = f', "cell": "cell-{rack}"' if tree == 0 else ""
            log = f'{{"tree": "t-{rack}-{tree}", "rack": "rack-{rack}", "coat": "backup", "shelter": "open"{cell}}}'
            yield Message(now, "drymon/shop/log/dip", log.encode())
        for rack in range(RACKS):
            wave = math.sin(second / 900.0 + rack)
            for quantity, value in (("temperature", 21 + wave), ("humidity", 48 - 3 * wave), ("airflow", 0.6)):
                yield Message(now, f"drymon/shop/rack-{rack}/{quantity}", f"{value:.2f}".encode())
            mass = 3.0 + 0.1 * math.exp(-second / 5400.0)
            yield Message(now, f"drymon/shop/rack-{rack}/weight/cell-{rack}", f"{mass:.4f}".encode())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=3.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        config = load_home(home(Path(folder)))
        room, door = Room(config.room, load_models(None)), Parser(config)
        readings: list[float] = []
        minutes: list[float] = []
        for message in stream(args.hours):
            begin = time.perf_counter()
            whole = message.arrived.timestamp() // 60 > room.at // 60
            room.advance(message.arrived)
            room.tell(door.parse(message).items)
            if "/log/" in message.topic:
                room.judge_now(message.arrived)
            took = 1000.0 * (time.perf_counter() - begin)
            if len(room.logs) == RACKS * TREES and "/log/" not in message.topic:
                (minutes if whole else readings).append(took)
    print(f"{'':12}{'median':>9}{'95 %':>9}{'worst':>9}   ms")
    for name, times in (("reading", readings), ("minute", minutes)):
        print(f"{name:12}{statistics.median(times):9.2f}{statistics.quantiles(times, n=20)[-1]:9.2f}{max(times):9.2f}")
    print(f"per reading {(sum(readings) + sum(minutes)) / (len(readings) + len(minutes)):9.2f}")


if __name__ == "__main__":
    main()
