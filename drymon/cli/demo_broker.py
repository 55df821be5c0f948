"""The demo's broker: mosquitto where it is installed, else the embedded one; on a free port of this machine only."""

import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from drymon.errors import BrokerError
from drymon.messages.settings import Broker
from drymon.service.embedded import EmbeddedBroker

HOST, START_S = "127.0.0.1", 10.0
SETTINGS = """listener {port} {host}
allow_anonymous true
persistence false
max_queued_messages 0
max_inflight_messages 0
log_dest none
"""


@contextmanager
def demo_broker(home: Path) -> Iterator[tuple[Broker, str]]:
    """A broker that lives as long as the block, and what it is called."""
    program = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")
    if program is None:
        embedded = EmbeddedBroker(home, _free_port())
        embedded.start()
        try:
            yield Broker(HOST, embedded.port), "the embedded broker"
        finally:
            embedded.stop()
        return
    with TemporaryDirectory(prefix="drymon-demo-") as folder, _mosquitto(program, Path(folder)) as port:
        yield Broker(HOST, port), "mosquitto"


@contextmanager
def _mosquitto(program: str, folder: Path) -> Iterator[int]:
    port = _free_port()
    settings = folder / "mosquitto.conf"
    settings.write_text(SETTINGS.format(port=port, host=HOST), encoding="ascii")
    child = subprocess.Popen([program, "-c", str(settings)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        _wait_for(child, port)
        yield port
    finally:
        child.terminate()
        child.wait(10.0)


def _wait_for(child: "subprocess.Popen[bytes]", port: int) -> None:
    until = time.monotonic() + START_S
    while time.monotonic() < until and child.poll() is None:
        try:
            with socket.create_connection((HOST, port), timeout=1.0):
                return
        except OSError:
            time.sleep(0.05)
    raise BrokerError(f"mosquitto did not come up on {HOST}:{port}; try `mosquitto -p {port} -v` by hand")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])
