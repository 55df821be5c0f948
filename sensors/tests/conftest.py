"""What the tests share: kernel trees, a clock that goes when it is told to, and a mosquitto of their own."""

from __future__ import annotations

import getpass
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

sys.path.insert(0, str(Path(__file__).parent))

from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.kernel import Kernel
from drymon_sensors.tables import Table
from drymon_sensors.trial import KernelTree, TrialClock, drying_room

settings.register_profile("drymon-sensors", deadline=None)  # a busy machine is no fault
settings.load_profile("drymon-sensors")

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


class StumblingKernel(Kernel):
    """The kernel's files, some of which answer with an error: as often as told; below 0: for ever."""

    def __init__(self, root: str) -> None:
        super().__init__(root)
        self.fails: dict[str, tuple[int, int]] = {}
        self.tried = 0

    def content(self, path: str) -> bytes:
        name = os.path.basename(path)
        code, times = self.fails.get(name, (0, 0))
        if times:
            self.tried += 1
            self.fails[name] = (code, times - 1)
            raise OSError(code, os.strerror(code))
        return super().content(path)


@pytest.fixture
def tree(tmp_path: Path) -> KernelTree:
    return KernelTree(str(tmp_path / "sys"))


@pytest.fixture
def clock() -> TrialClock:
    return TrialClock()


@pytest.fixture
def kernel(tree: KernelTree) -> StumblingKernel:
    return StumblingKernel(tree.root)


@pytest.fixture
def machine(kernel: StumblingKernel, clock: TrialClock) -> Machine:
    return Machine(kernel, clock)


def table(**keys: object) -> Table:
    return Table(keys, "test")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(true: Callable[[], object], within_s: float = 60.0) -> bool:
    """Wait for something to become true."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.02)
    return bool(true())


class Mosquitto:
    """A mosquitto of its own on a free port."""

    def __init__(self, folder: Path, rights: str = "allow_anonymous true", listener: str = "") -> None:
        self.port = free_port()
        self._conf = folder / "mosquitto.conf"
        self._conf.write_text(
            # As root mosquitto would become a user who cannot reach the test's folder.
            f"user {getpass.getuser()}\nlistener {self.port} 127.0.0.1\n{listener}\npersistence true\n"
            f"persistence_location {folder}/\nmax_queued_messages 200000\nlog_type error\n{rights}\n"
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


@pytest.fixture
def sys_tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> KernelTree:
    tree = drying_room(str(tmp_path / "sys"))
    monkeypatch.setenv("DRYMON_SENSORS_SYS", tree.root)
    return tree
