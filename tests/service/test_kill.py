"""kill -9 under load: what the broker had acknowledged to the publisher is in the database, once."""

import itertools
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from drymon.store.store import Store
from tests.service.conftest import Mosquitto, Serving, make_home, until

KILLS = 12
RATE = 200
ROOM = "drymon/shop/rack-a"


class Publisher:
    """Publishes at a steady rate until stopped and remembers what the broker acknowledged."""

    def __init__(self, port: int, messages: Callable[[int], tuple[str, str]], rate: float = RATE) -> None:
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.max_inflight_messages_set(1000)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._messages, self._rate, self._stop = messages, rate, threading.Event()
        self.said: list[tuple[str, str]] = []
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        begin = time.monotonic()
        for number in itertools.count():
            if self._stop.wait(max(0.0, begin + number / self._rate - time.monotonic())):
                return
            topic, payload = self._messages(number)
            self._client.publish(topic, payload, qos=1).wait_for_publish(30)
            self.said.append((topic, payload))

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()


def mixed(number: int) -> tuple[str, str]:
    """In turn: a numbered reading, an unnumbered one with a value of its own, and always the same one."""
    turn, value = number % 3, 20 + number % 997 / 50
    if turn == 0:
        return (
            f"{ROOM}/temperature/numbered",
            f'{{"value": {value}, "device": "n1", "boot": "b", "seq": {number // 3}}}',
        )
    if turn == 1:
        return f"{ROOM}/temperature/plain", str(value)
    return f"{ROOM}/temperature/same", "21.5"


def expected(said: list[tuple[str, str]]) -> Counter[tuple[str, float]]:
    values = (
        (topic.rsplit("/", 1)[1], float(payload.removeprefix('{"value": ').split(",")[0])) for topic, payload in said
    )
    return Counter(values)


def stored(home: Path) -> Counter[tuple[str, float]]:
    with Store.open(home / "drymon.db", readonly=True) as store:
        return Counter((reading.sensor, reading.value) for reading in store.readings())


@pytest.mark.timeout(400)
def test_nothing_is_lost_and_nothing_twice_when_the_service_is_killed_again_and_again(
    broker: Mosquitto, tmp_path: Path, serving: Callable[[Path], Serving]
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    service = serving(home)
    assert until(partial(working, service, 1), 60)
    publisher = Publisher(broker.port, mixed)
    moments = random.Random(7)
    for life in range(KILLS):
        # However slow the machine starts it, it is killed while it works.
        assert until(partial(working, service, life + 1), 60)
        time.sleep(moments.uniform(0.0, 1.0))
        service.end(signal.SIGKILL)
        service.start()
    publisher.stop()
    wanted = expected(publisher.said)
    assert wanted.total() > KILLS * RATE / 4, "on a busy machine fewer come than wanted"
    until(lambda: stored(home).total() >= wanted.total(), 60)
    time.sleep(1.0)
    assert service.end() == 0
    there = stored(home)
    assert not wanted - there, "lost"
    assert not there - wanted, "twice"


def working(service: Serving, lives: int) -> bool:
    return service.log.read_text().count("subscriptions stand") >= lives


CARELESS = """
import sqlite3, sys, time
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
db = sqlite3.connect(sys.argv[2], check_same_thread=False)
db.execute("CREATE TABLE IF NOT EXISTS got (payload TEXT)")
db.commit()
waiting = []
client = Client(CallbackAPIVersion.VERSION2, client_id="careless", protocol=MQTTProtocolVersion.MQTTv5)
client.on_message = lambda _, __, message: waiting.append((message.payload.decode(),))
properties = Properties(PacketTypes.CONNECT)
properties.SessionExpiryInterval = 3600
client.connect("127.0.0.1", int(sys.argv[1]), clean_start=False, properties=properties)
client.subscribe("drymon/#", 1)
client.loop_start()
while True:
    time.sleep(0.2)
    batch, waiting = waiting, []
    db.executemany("INSERT INTO got VALUES (?)", batch)
    db.commit()
"""


def test_the_same_blows_are_seen_to_lose_messages_of_a_client_that_acknowledges_too_early(
    broker: Mosquitto, tmp_path: Path
) -> None:
    """The test above can see loss: a client that lets the library acknowledge at once loses what it had not written."""
    import sqlite3

    database = tmp_path / "careless.db"
    command = [sys.executable, "-c", CARELESS, str(broker.port), str(database)]
    careless = subprocess.Popen(command)
    time.sleep(1.5)
    publisher = Publisher(broker.port, lambda number: (f"{ROOM}/temperature", str(number)))
    for _ in range(5):
        time.sleep(1.13)
        careless.kill()
        careless.wait()
        careless = subprocess.Popen(command)
    publisher.stop()
    time.sleep(2.5)
    careless.kill()
    careless.wait()
    got = {row[0] for row in sqlite3.connect(database).execute("SELECT payload FROM got")}
    missing = {payload for _, payload in publisher.said} - got
    assert missing, "a careless client lost nothing, so these tests would not see loss"
