"""What a room costs beside others: rooms of one command on one PostgreSQL and one broker, on this machine.

    python -m benchmarks.many_rooms [--rooms 1 20 200] [--seconds 120] [--every 20]

Each room has two racks with temperature, humidity and air speed each `--every` seconds, and four trees. All of them are
served by one `drymon serve --home … --home …`; commits of the database are durable.

start      seconds from the command until the last room is online
messages   a second, of all rooms together; all are on record at the end, each once
cpu        milliseconds of processor a second and room: of its process, of the database's, of the broker's
memory     megabytes a room: resident, and its share where pages are shared with others (PSS)
disk       kilobytes a room and hour: growth of the room's tables and indexes
back       seconds from a kill -9 of a room's process until its verdicts and `online` are said again
page       milliseconds a room of the page of all rooms, from its second showing on
"""

import argparse
import json
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psutil
import psycopg
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from benchmarks.two_racks import TWO_RACKS
from drymon.messages.settings import Page
from drymon.service.clock import SystemClock
from drymon.views.page.all_rooms import create_rooms_app
from tests.postgres import Cluster, cluster
from tests.service.conftest import Mosquitto, free_port, until

RACKS, TREES = ("rack-a", "rack-b"), 4
QUANTITIES = (("temperature", 21.5), ("humidity", 45.0), ("airflow", 1.0))
ROOM = (
    """[room]
name = "{name}"
[broker]
host = "127.0.0.1"
port = {broker}
[page]
port = {page}
[store]
url = "{url}"
"""
    + TWO_RACKS
)


@dataclass(frozen=True, slots=True)
class Cost:
    """What was measured with so many rooms; the units stand above."""

    rooms: int
    start_s: float
    messages: float
    lost: int
    cpu_ms: tuple[float, float, float]
    resident_mb: float
    share_mb: float
    disk_kb: float
    back_s: float
    page_ms: float


class Voice:
    """Says what the sensors of all rooms say, and hears when a room comes online."""

    def __init__(self, port: int, rooms: list[str]) -> None:
        self._rooms, self.said, self._said = rooms, 0, Counter[str]()
        self.online: dict[str, list[float]] = {room: [] for room in rooms}
        self._stop = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.max_inflight_messages_set(1000)
        self._client.on_connect = lambda client, *_: client.subscribe("drymon/+/out/service", 1)
        self._client.on_message = self._hear
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def hang_trees(self) -> None:
        """In every room, on both racks."""
        for room in self._rooms:
            for number in range(TREES):
                dip = {"tree": f"t-{number}", "rack": RACKS[number % 2], "coat": "backup", "shelter": "open"}
                self._say(f"drymon/{room}/log/dip", json.dumps(dip))

    def read_on(self, every_s: float, seconds: float) -> None:
        """All sensors of all rooms in turn, evenly, for so long; none says a value twice in its first hundred."""
        topics = [(room, rack, what) for what in QUANTITIES for rack in RACKS for room in self._rooms]
        begin, step = time.monotonic(), every_s / len(topics)
        for number in range(int(seconds / step)):
            self._stop.wait(max(0.0, begin + number * step - time.monotonic()))
            room, rack, (quantity, value) = topics[number % len(topics)]
            topic = f"drymon/{room}/{rack}/{quantity}"
            self._say(topic, f"{value + self._said[topic] * 7 % 100 / 100:.2f}")
            self._said[topic] += 1
            self.said += 1

    def wait_online(self, since: float, running: Callable[[], bool], within_s: float) -> dict[str, float]:
        """When each room was first online after `since`; RuntimeError where one is not within so long."""
        until(lambda: all(times and times[-1] > since for times in self.online.values()) or not running(), within_s)
        first = {room: next((at for at in times if at > since), 0.0) for room, times in self.online.items()}
        if not all(first.values()):
            raise RuntimeError(f"only {sum(map(bool, first.values()))} of {len(first)} rooms are served")
        return first

    def stop(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()

    def _say(self, topic: str, payload: str) -> None:
        self._client.publish(topic, payload, qos=1).wait_for_publish(30)

    def _hear(self, _: object, __: object, message: MQTTMessage) -> None:
        room = message.topic.split("/")[1]
        if b"online" in message.payload and not message.retain:
            self.online[room].append(time.time())


def trial(folder: Path, postgres: Cluster, count: int, seconds: float, every_s: float) -> Cost:
    """So many rooms, measured."""
    rooms = [f"room-{number}" for number in range(count)]
    with ExitStack() as stack:
        (folder / "broker").mkdir(parents=True)
        broker = Mosquitto(folder / "broker")
        homes, voice, url = opened(stack, folder, broker, postgres, rooms)
        begin = time.time()
        log = stack.enter_context((folder / "log").open("wb"))
        command = [sys.executable, "-P", "-m", "drymon.cli", "serve", *homes]
        services = [subprocess.Popen(command, stderr=log, stdout=log)]
        service = services[0]
        stack.callback(lambda: (services[-1].send_signal(signal.SIGTERM), services[-1].wait(120)))
        start_s = max(voice.wait_online(begin, lambda: service.poll() is None, 900).values()) - begin
        voice.hang_trees()
        voice.read_on(every_s, max(20.0, every_s))
        parts = [psutil.Process(service.pid), postgres.first(), psutil.Process(broker._process.pid)]
        said, size, before, at = voice.said, sizes(url), [cpu_s(part) for part in parts], time.monotonic()
        voice.read_on(every_s, seconds)
        took = time.monotonic() - at
        cpu = [1000 * (cpu_s(part) - old) / took / count for part, old in zip(parts, before, strict=True)]
        grown, rate = sizes(url) - size, (voice.said - said) / took
        alone = count == 1  # the command serves one room itself
        serving = parts[:1] if alone else [one for one in parts[0].children() if one.status() != psutil.STATUS_ZOMBIE]
        resident, share = memory(serving)
        page_ms = shown(folder)
        until(lambda: stored(url, rooms) >= voice.said, 30)
        lost = voice.said - stored(url, rooms)
        start = (
            (lambda: services.append(subprocess.Popen(command, stderr=log, stdout=log))) if alone else (lambda: None)
        )
        processes = {rooms[0]: parts[0]} if alone else {one.name(): one for one in serving}
        back = [come_back(processes[name], voice.online[name], start) for name in rooms[:5]]
    return Cost(
        count,
        start_s,
        rate,
        lost,
        (cpu[0], cpu[1], cpu[2]),
        resident / count,
        share / count,
        grown / count / took * 3600 / 1e3,
        statistics.median(back),
        page_ms / count,
    )


def opened(
    stack: ExitStack, folder: Path, broker: Mosquitto, postgres: Cluster, rooms: list[str]
) -> tuple[list[str], Voice, str]:
    """A broker that runs, homes of these rooms on a database of their own, and who speaks for their sensors; all until
    the stack ends. As `drymon serve` is told of the homes; the voice; the database's address.
    """
    broker.start()
    stack.callback(broker.stop)
    url = postgres.database()
    words = made(folder, rooms, broker.port, url)
    voice = Voice(broker.port, rooms)
    stack.callback(voice.stop)
    return words, voice, url


def made(folder: Path, rooms: list[str], broker: int, url: str) -> list[str]:
    """Homes of these rooms on one database and one broker (its port), as `drymon serve` is told of them."""
    words: list[str] = []
    for name, page in zip(rooms, ports_apart(len(rooms)), strict=True):
        home = folder / name
        home.mkdir()
        (home / "room.toml").write_text(ROOM.format(name=name, broker=broker, page=page, url=url))
        no_backup_today(home)
        words += ["--home", str(home)]
    return words


def no_backup_today(home: Path) -> None:
    """It is made once a day, and would be counted as if it were made all day long."""
    (home / "backups").mkdir()
    for day in range(2):
        (home / "backups" / f"drymon-{datetime.now(UTC) + timedelta(days=day):%Y-%m-%d}.db").touch()


def ports_apart(count: int) -> list[int]:
    """Free ports, none of them twice."""
    found: set[int] = set()
    while len(found) < count:
        found.add(free_port())
    return sorted(found)


def cpu_s(first: psutil.Process) -> float:
    """Of a process, its children that live and those that have ended."""
    found = 0.0
    for process in (first, *first.children(recursive=True)):
        try:
            times = process.cpu_times()
        except psutil.NoSuchProcess:  # it is counted among those that have ended
            continue
        found += times.user + times.system + times.children_user + times.children_system
    return found


def memory(serving: list[psutil.Process]) -> tuple[float, float]:
    """Megabytes: resident, and with shared pages shared out."""
    all_of_them = [process.memory_full_info() for process in serving]
    return sum(one.rss for one in all_of_them) / 1e6, sum(one.pss for one in all_of_them) / 1e6


def sizes(url: str) -> float:
    """Bytes of all rooms' tables and indexes."""
    asked = (
        "SELECT sum(pg_total_relation_size(c.oid)) FROM pg_class c JOIN pg_namespace n ON n.oid = relnamespace "
        "WHERE nspname LIKE 'drymon-%' AND relkind = 'r'"
    )
    with psycopg.connect(url) as db:
        row = db.execute(asked).fetchone()
    return float(row[0] if row else 0)


def stored(url: str, rooms: list[str]) -> int:
    """Readings of all rooms on record."""
    with psycopg.connect(url) as db:
        asked = " UNION ALL ".join(f'SELECT count(*) AS n FROM "drymon-{room}".reading' for room in rooms)
        row = db.execute(f"SELECT sum(n) FROM ({asked}) AS each".encode()).fetchone()
    return int(row[0] if row else 0)


def shown(folder: Path) -> float:
    """Milliseconds of the page of all rooms; the first time it reads each room.toml, and connects."""
    app = create_rooms_app(folder, Page("127.0.0.1", 8470), SystemClock().wall, time.monotonic)
    browser = app.test_client()
    browser.get("/")
    begin = time.perf_counter()
    answer = browser.get("/")
    took = 1000 * (time.perf_counter() - begin)
    if answer.status_code != 200:
        raise RuntimeError(f"the page of all rooms answers {answer.status}")
    app.extensions["readers"].close()
    return took


def come_back(process: psutil.Process, online: list[float], anew: Callable[[], object]) -> float:
    """Kill the process of a room; seconds until it is served again. anew: what starts it, where nobody else does."""
    process.kill()
    at = time.time()
    anew()
    if not until(lambda: online[-1] > at, 120):
        raise RuntimeError("a room whose process was killed is not served again")
    return next(time_ for time_ in online if time_ > at) - at


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rooms", type=int, nargs="+", default=[1, 20, 200])
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--every", type=float, default=20.0, help="seconds between two readings of a sensor")
    args = parser.parse_args()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    print(f"{'rooms':>5} {'start':>7} {'messages':>9} {'lost':>5} {'cpu ms/s a room: own, database, broker':>40}"
          f" {'MB':>6} {'PSS':>6} {'kB/h':>7} {'back':>6} {'page':>7}")  # fmt: skip
    for count in args.rooms:
        with tempfile.TemporaryDirectory() as name, cluster(durable=True, connections=3 * count + 20) as postgres:
            told(trial(Path(name), postgres, count, args.seconds, args.every))


def told(cost: Cost) -> None:
    own, database, broker = cost.cpu_ms
    print(
        f"{cost.rooms:5} {cost.start_s:5.1f} s {cost.messages:7.1f}/s {cost.lost:5} "
        f"{own:24.2f} {database:7.2f} {broker:7.3f} "
        f"{cost.resident_mb:6.1f} {cost.share_mb:6.1f} {cost.disk_kb:7.0f} {cost.back_s:4.1f} s {cost.page_ms:4.1f} ms",
        flush=True,
    )


if __name__ == "__main__":
    main()
