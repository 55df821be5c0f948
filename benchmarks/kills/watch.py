"""Witnesses of a trial that ask drymon nothing: the broker's own log, the database's locks, a client that believes."""

import json
import re
import subprocess
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
from paho.mqtt.client import MQTTMessage

from tests.service.conftest import MOSQUITTO, Ear, Mosquitto, until

LATE_S = 2.0
"""A dip is answered within two seconds (docs/messages.md): what is said until then of the coat before is no fault."""
_NAMED = re.compile(r"New client connected from \S+ as drymon-shop \(.*u'([\w-]+)'\)")
_GONE = re.compile(r"Client drymon-shop\b.*(?:closed its connection|disconnected)")
_SAID = re.compile(r"Received PUBLISH from drymon-shop \(.*'(drymon/shop/out/[^']+)'")


class LoggedBroker(Mosquitto):
    """A mosquitto whose log is read line by line: who speaks in the room's name, and when."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, extra="allow_anonymous true\nlog_type all\nlog_dest stderr")
        self.said: list[tuple[float, str]] = []
        """When the broker got a word of the room's, and from whom: the user's name of that connection."""
        self.gone: list[tuple[float, str]] = []
        """When a connection in the room's name ended, and whose it was."""
        self._speaker = ""

    def start(self) -> None:
        """Start it, and a thread that reads what it logs."""
        self._process = subprocess.Popen([str(MOSQUITTO), "-c", str(self._conf)], stderr=subprocess.PIPE)
        threading.Thread(target=self._read, daemon=True).start()
        assert until(self._listens), "mosquitto did not come up"

    def _read(self) -> None:
        assert self._process is not None
        assert self._process.stderr is not None
        for raw in self._process.stderr:
            line = raw.decode(errors="replace")
            if named := _NAMED.search(line):
                self._speaker = named[1]
            elif _GONE.search(line):
                self.gone.append((time.time(), self._speaker))
            elif _SAID.search(line):
                self.said.append((time.time(), self._speaker))


class Holder:
    """Who holds the room, by the server's locks, asked fifty times a second. held: when each was seen to hold it."""

    def __init__(self, url: str) -> None:
        self._url, self._stop = url, threading.Event()
        self.held: list[tuple[float, str]] = []
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    @property
    def now(self) -> str:
        """The last answer: empty where nobody holds it, or the server is away."""
        return self.held[-1][1] if self.held else ""

    def stop(self) -> None:
        """Ask no more."""
        self._stop.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._stop.is_set():
            with suppress(psycopg.Error), psycopg.connect(self._url, autocommit=True, connect_timeout=2) as db:
                self._ask(db)
            self.held.append((time.time(), ""))
            self._stop.wait(0.05)

    def _ask(self, db: "psycopg.Connection[tuple[str]]") -> None:
        asked = (
            "SELECT application_name FROM pg_locks JOIN pg_stat_activity AS a ON a.pid = pg_locks.pid "
            "WHERE locktype = 'advisory' AND granted AND application_name LIKE 'host-%' LIMIT 1"
        )
        while not self._stop.wait(0.02):
            row = db.execute(asked).fetchone()
            self.held.append((time.time(), row[0] if row else ""))


def spoke_out_of_turn(said: list[tuple[float, str]], held: list[tuple[float, str]]) -> int:
    """Words that the broker got from one process after another one had been seen to hold the room."""
    found, place, holder = 0, 0, ""
    for at, speaker in said:
        while place < len(held) and held[place][0] <= at:
            holder = held[place][1] or holder
            place += 1
        found += holder not in ("", speaker)
    return found


@dataclass
class Believer:
    """A client that believes what it hears, as a lamp or a script does. dipped: by tree, the coat's number and when the
    broker had its dip. false: what was said to be ready and was not. online: when the room was said to be served, which
    comes after every tree's verdict. stale_s: the longest that a ready was believed after its tree was dipped anew.
    """

    port: int
    dipped: dict[str, tuple[int, float]] = field(default_factory=dict)
    false: list[str] = field(default_factory=list)
    online: list[float] = field(default_factory=list)
    stale_s: float = 0.0

    def __post_init__(self) -> None:
        self._state, self._ready = "offline", dict[str, int]()
        self._ear = Ear(self.port, "drymon/shop/out/#")
        self._ear.client.on_message = self._hear
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._look)
        self._thread.start()

    def stop(self) -> None:
        """Hear no more."""
        self._stop.set()
        self._thread.join()
        self._ear.close()

    @property
    def ready(self) -> list[str]:
        """Trees that are said to be ready."""
        return sorted(self._ready)

    def wait_online(self, since: float, within_s: float = 120.0) -> float:
        """When the service first said after `since` that it is there; RuntimeError where it does not."""
        if not until(lambda: self.online and self.online[-1] > since, within_s):
            raise RuntimeError(f"nobody serves the room {within_s:.0f} s after {time.ctime(since)}")
        return next(at for at in self.online if at > since)

    def _hear(self, _: object, __: object, message: MQTTMessage) -> None:
        now = time.time()
        if message.topic.endswith("/out/service"):
            self._state = json.loads(message.payload)["state"]
            if self._state == "online" and not message.retain:
                self.online.append(now)
        elif "/out/tree/" in message.topic:
            self._judge(message.topic.rpartition("/")[2], json.loads(message.payload or "{}"), now)

    def _judge(self, tree: str, said: dict[str, object], now: float) -> None:
        if said.get("state") != "ready":
            self._ready.pop(tree, None)
            return
        number = int(str(said["number"]))
        self._ready[tree] = number
        dip, at = self.dipped.get(tree, (0, now))
        if dip and (number >= dip or now - at > LATE_S):
            self.false.append(f"{tree}: coat {number} said to be ready {now - at:.1f} s after the dip of coat {dip}")

    def _look(self) -> None:
        while not self._stop.wait(0.05):
            if self._state != "online":
                continue
            now = time.time()
            for tree, number in list(self._ready.items()):
                dip, at = self.dipped.get(tree, (0, now))
                if number < dip:
                    self.stale_s = max(self.stale_s, now - at)
