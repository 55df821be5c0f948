"""Both distributions together. Where drymon is not installed these tests say so; ./check has both."""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

pytest.importorskip("drymon", reason="needs drymon too: pip install . beside ./sensors")

ROOM = """
[room]
name = "shop"
[broker]
host = "127.0.0.1"
port = {port}
[page]
port = {page}
[[rack]]
name = "rack-a"
[[rack]]
name = "rack-b"
[[cell]]
name = "cell-1"
rack = "rack-a"
[[coat]]
name = "backup"
family = "backup"
[[recipe]]
name = "standard"
coats = ["backup"]
"""


def make_home(folder: Path, port: int) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        page = probe.getsockname()[1]
    (folder / "room.toml").write_text(ROOM.format(port=port, page=page))
    return folder


class Serving:
    """`drymon serve` as a process."""

    def __init__(self, home: Path, log: Path) -> None:
        self.home, self.log = home, log
        with log.open("ab") as out:
            command = [sys.executable, "-m", "drymon.cli", "serve", "--home", str(home)]
            self.process = subprocess.Popen(command, stderr=out, stdout=out)

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(60)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(60)


@pytest.fixture
def serving(tmp_path: Path) -> Iterator[Callable[[Path], Serving]]:
    """Start services; whatever still runs at the end of the test is ended."""
    started: list[Serving] = []

    def start(home: Path) -> Serving:
        started.append(Serving(home, tmp_path / f"serve-{len(started)}.log"))
        return started[-1]

    yield start
    for each in started:
        each.end()
