"""What a sensor node costs: memory above bare Python, processor at 20 readings a second, time to import, disk written.

    python benchmarks/node.py

A real mosquitto, `drymon-sensors run` as its own process on a made-up kernel tree of ten chips, and a service played by
this program that confirms what it hears twice a second. Needs mosquitto, and drymon-sensors installed.
"""

import json
import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from drymon_sensors.trial import KernelTree
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

CHIPS = 10
SECONDS = 60.0
TICK = os.sysconf("SC_CLK_TCK")


def main() -> None:
    """Print the figures."""
    bare = _peak_mb("")
    print(f"bare Python                 {bare:5.1f} MB resident")
    print(f"import of the running node  {_import_ms():5.0f} ms (median of 9, of a started Python)")
    for samples in (1, 3):
        _run(samples, bare)


def _peak_mb(code: str) -> float:
    """Resident memory of a Python that has run some code."""
    end = "import re; print(re.search(r'VmRSS:\\s+(\\d+)', open('/proc/self/status').read())[1])"
    out = subprocess.run([sys.executable, "-c", f"{code}\n{end}"], capture_output=True, text=True, check=True).stdout
    return int(out) / 1024.0


def _import_ms() -> float:
    code = (
        "import time; began = time.process_time(); import drymon_sensors.cli.main, drymon_sensors.cli.run; "
        "print((time.process_time() - began) * 1000.0)"
    )
    times = [
        float(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout)
        for _ in range(9)
    ]
    return statistics.median(times)


def _run(samples: int, bare: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        port = _free_port()
        broker = subprocess.Popen(["mosquitto", "-p", str(port)], stderr=subprocess.DEVNULL)
        service = _Service(port)
        node = subprocess.Popen(
            [_program(), "run", "--config", _config(Path(folder), port, samples)],
            stderr=subprocess.DEVNULL,
        )
        try:
            service.confirm_for(5.0)
            before, began, heard = _cpu_s(node.pid), time.monotonic(), service.heard
            written = _written(node.pid)
            service.confirm_for(SECONDS)
            wall = time.monotonic() - began
            rate = (service.heard - heard) / wall
            share = (_cpu_s(node.pid) - before) / wall
            per_day = (_written(node.pid) - written) / wall * 86_400.0 / 1e6
            print(
                f"{rate:4.1f} readings/s of {samples} looks   {_rss_mb(node.pid) - bare:5.1f} MB above bare Python, "
                f"{100.0 * share:4.2f} % of a core, {per_day:.0f} MB/day written"
            )
        finally:
            for process in (node, broker):
                process.terminate()
                process.wait()


class _Service:
    """Confirms what it hears."""

    def __init__(self, port: int) -> None:
        self.heard = 0
        self._last: dict[str, int] = {}
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.on_message = self._on_message
        for _ in range(100):
            try:
                self._client.connect("127.0.0.1", port)
                break
            except OSError:
                time.sleep(0.05)
        self._client.subscribe("drymon/shop/room/#", 1)
        self._client.loop_start()

    def confirm_for(self, seconds: float) -> None:
        """As a service does, for so long."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            time.sleep(0.5)
            for boot, seq in list(self._last.items()):
                payload = json.dumps({"boot": boot, "seq": seq})
                self._client.publish("drymon/shop/out/received/node-1", payload, qos=1, retain=True)

    def _on_message(self, _: Client, __: Any, message: Any) -> None:
        content = json.loads(message.payload)
        self.heard += 1
        self._last[content["boot"]] = max(content["seq"], self._last.get(content["boot"], 0))


def _config(folder: Path, port: int, samples: int) -> str:
    tree = KernelTree(str(folder / "sys"))
    os.environ["DRYMON_SENSORS_SYS"] = tree.root
    lines = [f'[node]\ndevice = "node-1"\nstate = "state"\n[broker]\nhost = "127.0.0.1"\nport = {port}']
    for number in range(CHIPS):
        at = f"1-00{number + 16:02x}"
        tree.hwmon(number, at, "sht3x", {"temp1_input": "21480", "humidity1_input": "52060", "heater_enable": "0"})
        for quantity in ("temperature", "humidity"):
            place = f'place = "room"\nquantity = "{quantity}"\nname = "s{number}"'
            lines.append(f'[[sensor]]\n{place}\nkind = "hwmon"\nat = "{at}"\nevery_s = 1\nsamples = {samples}')
    (folder / "sensors.toml").write_text("\n".join(lines) + "\n")
    return str(folder / "sensors.toml")


def _program() -> str:
    """The command as it is installed beside this Python."""
    return str(Path(sys.executable).with_name("drymon-sensors"))


def _cpu_s(pid: int) -> float:
    parts = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(parts[11]) + int(parts[12])) / TICK


def _rss_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(next(line for line in status.splitlines() if line.startswith("VmRSS")).split()[1]) / 1024.0


def _written(pid: int) -> int:
    """Bytes that the kernel was made to send to the disk (page cache, so whole blocks)."""
    lines = Path(f"/proc/{pid}/io").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("write_bytes")).split()[1])


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


if __name__ == "__main__":
    if shutil.which("mosquitto") is None:
        sys.exit("needs mosquitto: apt install mosquitto")
    main()
