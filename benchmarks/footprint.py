"""What the service costs while 20 trees dry at one reading a second: resident memory, share of a core, bytes written.

    python -m benchmarks.footprint [--minutes 5] [--trees 20] [--rate 1.0]

A mosquitto of its own; the figures are the kernel's accounts of the service's process (/proc/PID), start left out.
"""

import argparse
import getpass
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from benchmarks.two_racks import TWO_RACKS

ROOM = (
    """[room]
name = "shop"
[broker]
host = "127.0.0.1"
port = {port}
[page]
port = {page}
"""
    + TWO_RACKS
)
TICK = os.sysconf("SC_CLK_TCK")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICK


def account(pid: int, file: str, key: str) -> int:
    lines = Path(f"/proc/{pid}/{file}").read_text().splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith(key)))


def begin(client: Client, trees: int) -> None:
    """Air, then the dips, once the service is online; back when the last tree has its verdict."""
    heard: set[str] = set()
    client.on_message = lambda _, __, message: heard.add(message.topic)
    client.subscribe("drymon/shop/out/#", 1)
    wait_for(heard, "drymon/shop/out/service")
    for rack in ("rack-a", "rack-b"):
        client.publish(f"drymon/shop/{rack}/temperature", "22", qos=1)
        client.publish(f"drymon/shop/{rack}/humidity", "45", qos=1)
    for number in range(trees):
        dip = {"tree": f"t-{number}", "rack": "rack-a" if number % 2 else "rack-b", "coat": "backup"}
        client.publish("drymon/shop/log/dip", json.dumps(dip), qos=1)
    wait_for(heard, f"drymon/shop/out/tree/t-{trees - 1}")


def wait_for(heard: set[str], topic: str) -> None:
    end = time.monotonic() + 60
    while topic not in heard:
        if time.monotonic() > end:
            sys.exit(f"nothing came on {topic}")
        time.sleep(0.05)


def feed(client: Client, minutes: float, rate: float) -> None:
    """Temperature and humidity of both racks in turn, at the given rate in all."""
    channels = [(rack, what) for rack in ("rack-a", "rack-b") for what in ("temperature", "humidity")]
    start = time.monotonic()
    for step in range(int(minutes * 60 * rate)):
        time.sleep(max(0.0, start + step / rate - time.monotonic()))
        rack, what = channels[step % 4]
        value = (22 if what == "temperature" else 45) + step // 4 % 9 / 10
        client.publish(f"drymon/shop/{rack}/{what}", f"{value:.1f}", qos=1)


def measure(pid: int, client: Client, words: argparse.Namespace) -> None:
    begin(client, words.trees)
    time.sleep(10.0)
    cpu, written, start = cpu_s(pid), account(pid, "io", "write_bytes"), time.monotonic()
    feed(client, words.minutes, words.rate)
    seconds = time.monotonic() - start
    share = 100 * (cpu_s(pid) - cpu) / seconds
    daily_mb = (account(pid, "io", "write_bytes") - written) / seconds * 86400 / 1e6
    rows = [
        ("resident memory, now", f"{account(pid, 'status', 'VmRSS') / 1000:.1f} MB"),
        ("resident memory, highest", f"{account(pid, 'status', 'VmHWM') / 1000:.1f} MB"),
        ("share of a core", f"{share:.2f} %"),
        ("written a day, by the kernel's account", f"{daily_mb:.0f} MB"),
    ]
    print(f"{words.trees} trees, {words.rate:g} readings/s, {words.minutes:g} min")
    for name, value in rows:
        print(f"{name:46} {value:>12}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--trees", type=int, default=20)
    parser.add_argument("--rate", type=float, default=1.0)
    words = parser.parse_args()
    mosquitto = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if mosquitto is None:
        sys.exit("mosquitto is needed: apt install mosquitto")
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), free_port()
        (folder / "room.toml").write_text(ROOM.format(port=port, page=free_port()))
        conf = folder / "broker.conf"
        conf.write_text(f"user {getpass.getuser()}\nlistener {port} 127.0.0.1\nallow_anonymous true\nlog_type error\n")
        broker = subprocess.Popen([mosquitto, "-c", str(conf)], stderr=subprocess.DEVNULL)
        time.sleep(0.5)
        command = [sys.executable, "-P", "-m", "drymon.cli", "serve", "--home", str(folder)]
        service = subprocess.Popen(command, stderr=subprocess.DEVNULL)
        client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        client.connect("127.0.0.1", port)
        client.loop_start()
        try:
            measure(service.pid, client, words)
        finally:
            client.loop_stop()
            for child in (service, broker):
                child.terminate()
                child.wait()


if __name__ == "__main__":
    main()
