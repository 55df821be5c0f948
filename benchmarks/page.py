"""The page's speed and memory, on the real service with a real mosquitto: `python -m benchmarks.page`.

A home with a year of air on record (a reading every 10 minutes) and 50 trees that dry. Memory is the whole service's.
"""

import http.client
import json
import math
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from benchmarks.two_racks import TWO_RACKS
from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.shop.facts.reading import Reading
from drymon.store import Store

TREES, LOADS = 50, 200
YEAR = timedelta(days=365)
STEP = timedelta(minutes=10)
ROOM = (
    """
[room]
name = "shop"
[broker]
host = "127.0.0.1"
port = {broker}
[page]
port = {page}
"""
    + TWO_RACKS
    + """room = {{ temperature_c = [18, 27], humidity_pct = [25, 65] }}
[[recipe]]
name = "standard"
coats = ["backup", "backup", "backup", "backup"]
"""
)
AIR = {Quantity.TEMPERATURE: (21.0, 4.0), Quantity.HUMIDITY: (46.0, 12.0), Quantity.AIRFLOW: (1.4, 0.6)}


def main() -> None:
    """Print the table."""
    folder = Path(tempfile.mkdtemp(prefix="drymon-page-"))
    broker_port, page_port = free_port(), free_port()
    (folder / "room.toml").write_text(ROOM.format(broker=broker_port, page=page_port))
    fill(folder / "drymon.db")
    broker = start_broker(folder, broker_port)
    command = [sys.executable, "-P", "-m", "drymon.cli.main", "serve", "--home", str(folder)]
    service = subprocess.Popen(command, stderr=(folder / "serve.log").open("ab"))
    try:
        until(lambda: connects(page_port))
        hang_trees(broker_port, page_port)
        for what, figure in measure(page_port, service.pid):
            print(f"{what:<52} {figure}")
    finally:
        for process in (service, broker):
            process.terminate()
            process.wait(20)
        shutil.rmtree(folder)


def measure(port: int, pid: int) -> list[tuple[str, str]]:
    """What the table says."""
    first, _ = load(port, "/")
    loads = [load(port, "/")[0] for _ in range(50)]
    _, etag = load(port, "/part/room")
    repeats = [load(port, "/part/room", etag)[0] for _ in range(50)]
    tree = [load(port, "/tree/t-7")[0] for _ in range(20)]
    before_pictures = memory(pid)
    year, _ = load(port, "/picture/rack/rack-a.svg?hours=8760")
    again, _ = load(port, "/picture/rack/rack-a.svg?hours=8760")
    day, _ = load(port, "/picture/rack/rack-a.svg?hours=24")
    before = memory(pid)
    for _ in range(LOADS):
        load(port, "/")
    return [
        (f"first page with {TREES} trees, the very first", f"{first:.0f} ms"),
        (
            f"first page with {TREES} trees, median of 50",
            f"{statistics.median(loads):.0f} ms (longest {max(loads):.0f})",
        ),
        ("its part, unchanged (304), median of 50", f"{statistics.median(repeats):.0f} ms"),
        ("a tree's page, median of 20", f"{statistics.median(tree):.0f} ms"),
        ("a year of a rack's air, drawn", f"{year / 1000:.2f} s"),
        ("the same again, kept", f"{again:.0f} ms"),
        ("a day of a rack's air, drawn", f"{day / 1000:.2f} s"),
        ("resident memory of the service before pictures", f"{before_pictures:.1f} MB"),
        (f"... before and after {LOADS} page loads", f"{before:.1f} and {memory(pid):.1f} MB"),
        ("... at its highest", f"{memory(pid, 'VmHWM'):.1f} MB"),
        ("load of this machine", Path("/proc/loadavg").read_text().split()[0]),
    ]


def fill(path: Path) -> None:
    """A year of air."""
    now = datetime.now(UTC)
    with Store.open(path, now=now - YEAR) as store:
        time_ = now - YEAR
        while time_ < now - STEP:
            with store.transaction():
                for _ in range(1000):
                    for quantity, (mean, swing) in AIR.items():
                        hours = (time_ - now) / timedelta(hours=1)
                        wave = math.sin(hours / 24 * 2 * math.pi) * 0.5 + math.sin(hours / 8766 * 2 * math.pi) * 0.5
                        value = mean + swing * wave
                        message = Message(time_, f"drymon/shop/rack-a/{quantity.value}", f"{value:.2f}".encode())
                        reading = Reading(time=time_, arrived=time_, place="rack-a", quantity=quantity, value=value)
                        store.record(message, [reading], ())
                    time_ += STEP
                    if time_ >= now - STEP:
                        break
            store.roll_up(time_)


def hang_trees(broker_port: int, page_port: int) -> None:
    """Fifty dips, and air for them; returns when the page names them all."""
    client = Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker_port)
    client.loop_start()
    for quantity, (mean, _) in AIR.items():
        client.publish(f"drymon/shop/room/{quantity.value}", str(mean), qos=1).wait_for_publish(5)
    for number in range(TREES):
        rack = "rack-a" if number % 2 else "rack-b"
        dip = {"tree": f"t-{number}", "rack": rack, "coat": "backup", "recipe": "standard"}
        client.publish("drymon/shop/log/dip", json.dumps(dip), qos=1).wait_for_publish(5)
    until(lambda: get(page_port, "/")[0].count(b"<article") == TREES, 60)
    client.disconnect()
    client.loop_stop()


def load(port: int, path: str, etag: str = "") -> tuple[float, str]:
    """Milliseconds for one answer on a connection of its own, and its ETag."""
    began = time.perf_counter()
    body, headers, status = get(port, path, etag)
    took = (time.perf_counter() - began) * 1000
    if status not in (200, 304) or (status == 200 and len(body) < 500):
        raise SystemExit(f"{path}: {status}, {len(body)} bytes")
    return took, headers.get("ETag", "")


def get(port: int, path: str, etag: str = "") -> tuple[bytes, dict[str, str], int]:
    """One GET."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", path, headers={"If-None-Match": etag} if etag else {})
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    return body, dict(answer.getheaders()), answer.status


def memory(pid: int, what: str = "VmRSS") -> float:
    """Resident megabytes."""
    status = Path(f"/proc/{pid}/status").read_text().splitlines()
    return int(next(line for line in status if line.startswith(what)).split()[1]) / 1024


def free_port() -> int:
    """A port that nobody has."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def connects(port: int) -> bool:
    """Whether somebody listens."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def start_broker(folder: Path, port: int) -> subprocess.Popen[bytes]:
    """A mosquitto of our own."""
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin")
    if program is None:
        raise SystemExit("mosquitto is not installed: apt install mosquitto")
    conf = folder / "mosquitto.conf"
    conf.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    broker = subprocess.Popen([program, "-c", str(conf)], stderr=subprocess.DEVNULL)
    until(lambda: connects(port))
    return broker


def until(true: Callable[[], object], within_s: float = 30.0) -> None:
    """Wait."""
    end = time.monotonic() + within_s
    while not true():
        if time.monotonic() > end:
            raise SystemExit("it took too long")
        time.sleep(0.1)


if __name__ == "__main__":
    main()
