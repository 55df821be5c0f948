"""How soon a second command takes rooms over from a first one that is lost, by the number of rooms, on this machine.

    python -m benchmarks.take_over [--rooms 1 20 200] [--every 20]

Two `drymon serve --home … --home …` for the rooms of `many_rooms.py`: the first serves, the second stands by.
Then the first is lost, its process and those of all its rooms at one moment (-9), while the sensors speak on.

stands by   seconds from the second command until it stands by for the last room
MB          of its processes for a room, while they stand by: resident with what they share shared out (PSS)
away        seconds from the loss until a room's verdicts and `online` are said again: half of them, the last
lost        readings that the broker had and no room has on record
twice       readings on record more than once
too many    connections to the broker in a room's name beside one until the loss and one after: who has none is silent
"""

import argparse
import os
import re
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import psutil
import psycopg

from benchmarks.many_rooms import memory, opened
from tests.postgres import Cluster, cluster
from tests.service.conftest import MOSQUITTO, Mosquitto, until

SETTLED_S = 40.0
"""Readings go on for so long after the loss, and before it."""
STANDS_BY = b"standing by: another process serves this room"
_NAMED = re.compile(r"New client connected from \S+ as drymon-(room-\d+) ")


@dataclass(frozen=True, slots=True)
class Taken:
    """What was measured with so many rooms; the words stand above."""

    rooms: int
    stands_by_s: float
    share_mb: float
    away_s: tuple[float, float]
    lost: int
    twice: int
    too_many: int


class Door(Mosquitto):
    """A mosquitto whose log is read: when it was spoken to in which room's name. A second connection in one name ends
    the first (MQTT 5, section 3.1.4), so two that spoke in turns would be many connections.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, "allow_anonymous true\nlog_type notice\nlog_dest stderr")
        self.named: dict[str, list[float]] = {}

    def start(self) -> None:
        """Start it, and a thread that reads what it logs."""
        self._process = subprocess.Popen([str(MOSQUITTO), "-c", str(self._conf)], stderr=subprocess.PIPE)
        threading.Thread(target=self._read, daemon=True).start()
        assert until(self._listens), "mosquitto did not come up"

    def too_many(self, rooms: list[str], lost_at: float) -> int:
        """Connections in a room's name beside one until then and one after."""
        before = sum(at < lost_at for room in rooms for at in self.named[room])
        after = sum(at >= lost_at for room in rooms for at in self.named[room])
        if min(before, after) < len(rooms):
            raise RuntimeError(f"{before} and {after} connections were seen of {len(rooms)} rooms")
        return before + after - 2 * len(rooms)

    def _read(self) -> None:
        assert self._process is not None
        assert self._process.stderr is not None
        for raw in self._process.stderr:
            if named := _NAMED.search(raw.decode(errors="replace")):
                self.named.setdefault(named[1], []).append(time.time())


def trial(folder: Path, postgres: Cluster, count: int, every_s: float) -> Taken:
    """So many rooms, taken over once."""
    rooms = [f"room-{number}" for number in range(count)]
    with ExitStack() as stack:
        (folder / "broker").mkdir()
        broker = Door(folder / "broker")
        words, voice, url = opened(stack, folder, broker, postgres, rooms)
        first, at = serve(stack, words, folder / "first.log"), time.time()
        voice.wait_online(at, lambda: first.poll() is None, 900)
        voice.hang_trees()
        second, at = serve(stack, words, folder / "second.log"), time.monotonic()
        stands_by = until(lambda: (folder / "second.log").read_bytes().count(STANDS_BY) == count, 900)
        if not stands_by or second.poll() is not None:
            raise RuntimeError(f"the second command does not stand by for {count} rooms")
        stands_by_s = time.monotonic() - at
        share_mb = memory(processes(second.pid))[1] / count
        voice.read_on(every_s, SETTLED_S)
        speaking = threading.Thread(target=voice.read_on, args=(every_s, SETTLED_S))
        speaking.start()
        lost_at = lose(first)
        online = voice.wait_online(lost_at, lambda: second.poll() is None, 300)
        speaking.join()
        until(lambda: on_record(url, rooms)[1] >= voice.said, 60)
        rows, readings = on_record(url, rooms)
        away = [seconds - lost_at for seconds in online.values()]
        too_many = broker.too_many(rooms, lost_at)
    ends = statistics.median(away), max(away)
    return Taken(count, stands_by_s, share_mb, ends, voice.said - readings, rows - readings, too_many)


def serve(stack: ExitStack, words: list[str], log: Path) -> "subprocess.Popen[bytes]":
    """One command for all rooms, ended with the trial."""
    to = stack.enter_context(log.open("wb"))
    command = [sys.executable, "-P", "-m", "drymon.cli", "serve", *words]
    service = subprocess.Popen(command, stderr=to, stdout=to)
    stack.callback(lambda: (service.send_signal(signal.SIGTERM), service.wait(120)))
    return service


def processes(pid: int) -> list[psutil.Process]:
    """Of a command: its own, and those of its rooms that live."""
    own = psutil.Process(pid)
    return [own, *(one for one in own.children() if one.status() != psutil.STATUS_ZOMBIE)]


def lose(service: "subprocess.Popen[bytes]") -> float:
    """End all of its processes as if their machine were gone; when that was."""
    service.send_signal(signal.SIGSTOP)  # it must start none of them again
    own, *of_rooms = processes(service.pid)
    at = time.time()
    for process in (*of_rooms, own):
        process.kill()
    service.wait(30)
    return at


def on_record(url: str, rooms: list[str]) -> tuple[int, int]:
    """Rows of readings in all rooms, and how many of them differ: each sensor says each value once."""
    asked = "SELECT count(*) AS n, count(DISTINCT (channel, value)) AS d FROM "
    each = [f'{asked}"drymon-{room}".reading' for room in rooms]
    with psycopg.connect(url) as db:
        row = db.execute(f"SELECT sum(n), sum(d) FROM ({' UNION ALL '.join(each)}) AS each".encode()).fetchone()
    return (int(row[0]), int(row[1])) if row else (0, 0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rooms", type=int, nargs="+", default=[1, 20, 200])
    parser.add_argument("--every", type=float, default=20.0, help="seconds between two readings of a sensor")
    args = parser.parse_args()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    print(f"{'rooms':>5} {'stands by':>10} {'MB':>6} {'away: half, last':>18} {'lost':>5} {'twice':>6} {'too many':>9}")
    for count in args.rooms:
        with tempfile.TemporaryDirectory() as name, cluster(durable=True, connections=3 * count + 20) as postgres:
            found = trial(Path(name), postgres, count, args.every)
        half, last = found.away_s
        print(
            f"{found.rooms:5} {found.stands_by_s:8.1f} s {found.share_mb:6.1f} {half:8.1f} {last:7.1f} s "
            f"{found.lost:5} {found.twice:6} {found.too_many:9}",
            flush=True,
        )


if __name__ == "__main__":
    main()
