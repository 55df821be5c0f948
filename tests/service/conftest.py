"""For the service's tests: real brokers (mosquitto as a child process on a free port, stopped with the test), homes."""

import getpass
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from drymon.messages.config import load_home
from drymon.service.pipeline import Pipeline
from drymon.store.store import Store
from tests import processes

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(true: Callable[[], object], within_s: float = 10.0) -> bool:
    """Wait for something to become true."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.02)
    return bool(true())


class Mosquitto:
    """A mosquitto with persistence, as a shop runs it, but for its port and its long queue."""

    def __init__(self, folder: Path, extra: str = "", listener: str = "") -> None:
        self.port = free_port()
        self._conf = folder / "mosquitto.conf"
        rights = extra or "allow_anonymous true"
        self._conf.write_text(
            # As root mosquitto would become a user who cannot reach the test's folder.
            f"user {getpass.getuser()}\nlistener {self.port} 127.0.0.1\n{listener}\n"
            f"persistence true\npersistence_location {folder}/\nautosave_interval 60\n"
            f"max_queued_messages 200000\nlog_type error\n{rights}\n"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        assert MOSQUITTO is not None
        self._process = subprocess.Popen([MOSQUITTO, "-c", str(self._conf)], stderr=subprocess.DEVNULL)
        assert until(self._listens), "mosquitto did not come up"

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(10)
            self._process = None

    def _listens(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0


@pytest.fixture
def mosquitto_here() -> None:
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed: apt install mosquitto")


@pytest.fixture
def broker(tmp_path: Path, mosquitto_here: None) -> Iterator[Mosquitto]:
    folder = tmp_path / "broker"
    folder.mkdir()
    running = Mosquitto(folder)
    running.start()
    yield running
    running.stop()


class Ear:
    """An independent client: hears everything under a filter, and can speak."""

    def __init__(self, port: int, topic: str, client_id: str = "", mqtt5: bool = True) -> None:
        self.heard: list[MQTTMessage] = []
        self._subscribed = threading.Event()
        protocol = MQTTProtocolVersion.MQTTv5 if mqtt5 else MQTTProtocolVersion.MQTTv311
        self.client = Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=protocol)
        self.client.on_connect = lambda client, *_: client.subscribe(topic, 1)
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.on_message = lambda _, __, message: self.heard.append(message)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._subscribed.wait(5)

    def last(self, topic: str) -> bytes | None:
        return next((bytes(m.payload) for m in reversed(self.heard) if m.topic == topic), None)

    def say(self, topic: str, payload: str | bytes, retain: bool = False, qos: int = 1) -> None:
        self.client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(5)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def ear(broker: Mosquitto) -> Iterator[Ear]:
    listening = Ear(broker.port, "drymon/#")
    yield listening
    listening.close()


ROOM_TOML = """
[room]
name = "shop"
timezone = "Europe/Berlin"
{broker}
[page]
port = {page_port}
[[rack]]
name = "rack-a"
[[rack]]
name = "rack-b"
[[cell]]
name = "cell-1"
rack = "rack-a"
[[coat]]
name = "prime"
family = "prime"
[[coat]]
name = "backup"
family = "backup"
[[coat]]
name = "seal"
family = "seal"
[[recipe]]
name = "standard"
coats = ["prime", "backup", "seal"]
"""


def make_home(folder: Path, broker_port: int | None = None) -> Path:
    """A home whose room has a broker on loopback, or none of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    table = f'[broker]\nhost = "127.0.0.1"\nport = {broker_port}\n' if broker_port else ""
    (folder / "room.toml").write_text(ROOM_TOML.format(broker=table, page_port=free_port()))
    return folder


class Serving:
    """`drymon serve` as a child process."""

    def __init__(self, home: Path, log: Path, env: dict[str, str] | None = None) -> None:
        self.home, self.log, self._env = home, log, env
        self.process: processes.Process | None = None

    def start(self, anew: bool = False) -> "Serving":
        with self.log.open("ab") as log:
            begin = processes.start_anew if anew else processes.start
            self.process = begin("serve", "--home", str(self.home), stderr=log, stdout=log, env=self._env)
        return self

    def end(self, how: signal.Signals = signal.SIGTERM, patience_s: float = 20.0) -> int:
        assert self.process is not None
        self.process.send_signal(how)
        return self.process.wait(patience_s)


@pytest.fixture
def serving(tmp_path: Path) -> Iterator[Callable[[Path], Serving]]:
    """Start services; whatever still runs at the end of the test is killed."""
    started: list[Serving] = []

    def start(home: Path, env: dict[str, str] | None = None, anew: bool = False) -> Serving:
        started.append(Serving(home, tmp_path / "serve.log", env).start(anew))
        return started[-1]

    yield start
    for each in started:
        if each.process is not None and each.process.poll() is None:
            each.end(signal.SIGKILL)


@pytest.fixture
def pipeline(tmp_path: Path) -> Iterator[Pipeline]:
    """The road of a home without coat models, on a database of its own."""
    home = make_home(tmp_path / "home")
    with Store.open(home / "drymon.db") as store:
        yield Pipeline(load_home(home), {}, store)
