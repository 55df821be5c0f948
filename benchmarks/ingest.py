"""How fast messages come in: drymon against plain consumers, in one run on one machine. Ratios, for machines differ.

    python benchmarks/ingest.py [--messages 6000] [--rounds 3]

A mosquitto of its own queues the messages for each consumer's session while that consumer is down; the time runs
from the consumer's first message to its last commit. Consumers take turns, so that a slow spell of the machine
meets all of them.

noop      paho alone: counts, stores nothing; the ceiling
naive     one commit a message (SQLite, WAL, synchronous FULL), acknowledged after it
batched   the same, one commit in 0.2 s
drymon    the service: parsed, checked for repeats, stored, judged (two trees hang), acknowledged after the commit
"""

import argparse
import getpass
import json
import shutil
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

ROLES = ("noop", "naive", "batched", "drymon")
ROOM = """[room]
name = "shop"
[broker]
host = "127.0.0.1"
port = {port}
[page]
port = {page}
[[rack]]
name = "rack-a"
[[coat]]
name = "backup"
family = "backup"
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def session_client(name: str, port: int) -> Client:
    """A client with a lasting session that acknowledges by hand."""
    client = Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True)
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3600
    properties.ReceiveMaximum = 500
    client.connect("127.0.0.1", port, clean_start=False, properties=properties)
    return client


def plain_consumer(role: str, port: int, count: int, folder: Path) -> float:
    db = sqlite3.connect(folder / f"{role}-{time.time_ns()}.db", isolation_level=None, check_same_thread=False)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("CREATE TABLE got (id INTEGER PRIMARY KEY, time REAL, topic TEXT, payload BLOB)")
    waiting: list[MQTTMessage] = []
    times: list[float] = []
    done = threading.Event()

    def take(client: Client, _: object, message: MQTTMessage) -> None:
        times.append(time.perf_counter())
        if role == "batched":
            waiting.append(message)
            return
        if role == "naive":
            db.execute("INSERT INTO got (time, topic, payload) VALUES (?, ?, ?)", row(message))
        client.ack(message.mid, 1)
        if len(times) == count:
            done.set()

    client = session_client(role, port)
    client.on_message = take
    client.loop_start()
    stored = 0
    while role == "batched" and stored < count:
        time.sleep(0.2)
        batch = waiting[: len(waiting)]
        del waiting[: len(batch)]
        db.execute("BEGIN")
        db.executemany("INSERT INTO got (time, topic, payload) VALUES (?, ?, ?)", [row(m) for m in batch])
        db.execute("COMMIT")
        for message in batch:
            client.ack(message.mid, 1)
        stored += len(batch)
    if role != "batched":
        done.wait(300)
    return time.perf_counter() - times[0]


def row(message: MQTTMessage) -> tuple[float, str, bytes]:
    return time.time(), message.topic, bytes(message.payload)


def drymon_consumer(port: int, count: int, folder: Path) -> float:
    """The service, watched through the database."""
    from drymon.messages.config import load_home
    from drymon.service.serve import Service

    service = Service(load_home(folder / "home"))
    begin = end = 0.0

    def watch() -> None:
        nonlocal begin, end
        path = folder / "home" / "drymon.db"
        while not path.exists():
            time.sleep(0.01)
        time.sleep(0.3)
        db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        before = stored(db)
        while (now := stored(db)) < before + count:
            if now > before and not begin:
                begin = time.perf_counter() - 0.2  # the first commit gathers for that long
            time.sleep(0.01)
        end = time.perf_counter()
        service.stop.set()

    threading.Thread(target=watch, daemon=True).start()
    service.run()
    return end - begin


def stored(db: sqlite3.Connection) -> int:
    return int(db.execute("SELECT coalesce(max(id), 0) FROM reading").fetchone()[0])


def prepare(role: str, port: int, folder: Path) -> None:
    """The session, left behind in the broker."""
    if role == "drymon":
        drymon_session(port, folder)
        return
    client = session_client(role, port)
    told = threading.Event()
    client.on_subscribe = lambda *_: told.set()
    client.on_connect = lambda client, *_: client.subscribe("drymon/#", 1)
    client.loop_start()
    assert told.wait(10)
    client.disconnect()
    client.loop_stop()


def drymon_session(port: int, folder: Path) -> None:
    """Let the service run once, with two dips and some air, so that it has something to judge."""
    from drymon.messages.config import load_home
    from drymon.service.serve import Service

    service = Service(load_home(folder / "home"))

    def speak() -> None:
        time.sleep(2.0)
        topics = [("rack-a/temperature", "22"), ("rack-a/humidity", "45")]
        dips = [("log/dip", json.dumps({"tree": f"t-{n}", "rack": "rack-a", "coat": "backup"})) for n in (1, 2)]
        publish(port, [(f"drymon/shop/{topic}", payload) for topic, payload in topics + dips])
        time.sleep(2.0)
        service.stop.set()

    threading.Thread(target=speak, daemon=True).start()
    service.run()


def publish(port: int, messages: list[tuple[str, str]]) -> None:
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.max_inflight_messages_set(500)
    client.connect("127.0.0.1", port)
    client.loop_start()
    last = [client.publish(topic, payload, qos=1) for topic, payload in messages]
    for info in last:
        info.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


def one_turn(role: str, port: int, count: int, folder: Path) -> float:
    """Queue messages for the role's session, let it take them in a process of its own; messages a second."""
    me = [sys.executable, __file__, "--port", str(port), "--folder", str(folder), "--messages", str(count)]
    subprocess.run([*me, "--prepare", role], check=True, capture_output=True)
    readings = [
        (f"drymon/shop/rack-a/humidity/s{n % 20}", f'{{"value": {40 + n % 97 / 10:.1f}, "unit": "%RH"}}')
        for n in range(count)
    ]
    publish(port, readings)
    done = subprocess.run([*me, "--role", role], check=True, capture_output=True, text=True)
    forget(role, port)
    return count / float(done.stdout.split()[-1])


def forget(role: str, port: int) -> None:
    """End the role's session, or the broker would queue the next role's messages for it, too."""
    name = "drymon-shop" if role == "drymon" else role
    client = Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTProtocolVersion.MQTTv5)
    client.connect("127.0.0.1", port, clean_start=True)
    client.loop_start()
    time.sleep(0.3)
    client.disconnect()
    client.loop_stop()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--messages", type=int, default=6000)
    parser.add_argument("--rounds", type=int, default=3)
    for hidden in ("--port", "--folder", "--prepare", "--role"):
        parser.add_argument(hidden, help=argparse.SUPPRESS)
    words = parser.parse_args()
    if words.prepare:
        prepare(words.prepare, int(words.port), Path(words.folder))
    elif words.role == "drymon":
        print(drymon_consumer(int(words.port), words.messages, Path(words.folder)))
    elif words.role:
        print(plain_consumer(words.role, int(words.port), words.messages, Path(words.folder)))
    else:
        compare(words.messages, words.rounds)


def compare(count: int, rounds: int) -> None:
    mosquitto = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if mosquitto is None:
        sys.exit("mosquitto is needed: apt install mosquitto")
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), free_port()
        (folder / "home").mkdir()
        (folder / "home" / "room.toml").write_text(ROOM.format(port=port, page=free_port()))
        conf = folder / "broker.conf"
        conf.write_text(
            f"user {getpass.getuser()}\nlistener {port} 127.0.0.1\nallow_anonymous true\n"
            "max_queued_messages 1000000\nlog_type error\n"
        )
        broker = subprocess.Popen([mosquitto, "-c", str(conf)], stderr=subprocess.DEVNULL)
        try:
            time.sleep(0.5)
            turns = [{role: one_turn(role, port, count, folder) for role in ROLES} for _ in range(rounds)]
            table({role: [turn[role] for turn in turns] for role in ROLES})
        finally:
            broker.terminate()
            broker.wait()


def table(rates: dict[str, list[float]]) -> None:
    medians = {role: statistics.median(values) for role, values in rates.items()}
    print(f"{'consumer':10} {'messages/s':>11} {'lowest':>8} {'highest':>8} {'x naive':>8} {'share of noop':>14}")
    for role, median in medians.items():
        low, high = min(rates[role]), max(rates[role])
        ratio, share = median / medians["naive"], median / medians["noop"]
        print(f"{role:10} {median:11,.0f} {low:8,.0f} {high:8,.0f} {ratio:8.2f} {share:14.2f}")


if __name__ == "__main__":
    main()
