"""Processes of `drymon`: real ones, forked from one that has imported drymon already (tests/fork_server.py).

A command that is started anew spends a third of a second on its imports, a service a whole one, and the tests start
over a thousand. A process that must begin as a shop's does, for what it imports or how much memory it holds, is
started by subprocess instead.
"""

import atexit
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from threading import Lock
from typing import IO, Any


class Child:
    """A process that was started: what tests need of subprocess.Popen."""

    def __init__(self, words: list[str], told: socket.socket) -> None:
        self.args, self._told, self._heard = words, told, b""
        self.returncode: int | None = None
        self.pid = 0
        end = time.monotonic() + 60.0
        while self._heard.count(b"\n") < 1:
            self._hear(end - time.monotonic())
        self.pid = int(self._heard.split()[0])

    def _hear(self, within_s: float) -> bool:
        """Whether anything was told; raises ConnectionError where the fork server has ended."""
        self._told.settimeout(max(within_s, 0.0) or 0.000001)
        try:
            more = self._told.recv(64)
        except (TimeoutError, BlockingIOError):
            return False
        if not more:
            raise ConnectionError(f"nothing tells any more how process {self.pid} ended")
        self._heard += more
        return True

    def wait(self, timeout: float | None = None) -> int:
        """The exit code, as of subprocess; raises TimeoutExpired after so many seconds."""
        end = time.monotonic() + (1e6 if timeout is None else timeout)
        while self.returncode is None:
            if self._heard.count(b"\n") == 2:
                self.returncode = int(self._heard.split()[1])
                self._told.close()
            elif not self._hear(end - time.monotonic()) and time.monotonic() >= end:
                raise subprocess.TimeoutExpired(self.args, timeout)
        return self.returncode

    def poll(self) -> int | None:
        try:
            return self.wait(0.0)
        except subprocess.TimeoutExpired:
            return None

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


class _ForkServer:
    """The process that forks, and the way to it."""

    def __init__(self) -> None:
        self._calls, theirs = socket.socketpair()
        self._lock = Lock()
        command = [sys.executable, str(Path(__file__).with_name("fork_server.py")), str(theirs.fileno())]
        self._process = subprocess.Popen(command, pass_fds=[theirs.fileno()], stdin=subprocess.DEVNULL)
        theirs.close()
        atexit.register(self.close)

    def start(self, request: dict[str, Any], streams: list[int]) -> Child:
        told, theirs = socket.socketpair()
        text = json.dumps(request).encode()
        with self._lock, theirs:
            socket.send_fds(self._calls, [len(text).to_bytes(4)], [*streams, theirs.fileno()])
            self._calls.sendall(text)
        return Child(request["words"], told)

    def close(self) -> None:
        self._calls.close()
        self._process.wait(20)


Process = Child | subprocess.Popen[bytes]

_servers: list[_ForkServer] = []


def start(
    *words: str, stdin: IO[Any] | int | None = None, stdout: IO[Any] | int, stderr: IO[Any] | int, **settings: Any
) -> Child:
    """`drymon WORDS…` with these files, in the folder `cwd` and with the environment `env`, by default this one's."""
    if not _servers:
        _servers.append(_ForkServer())
    request = {"words": list(words), "cwd": os.getcwd(), "env": dict(os.environ)}
    request.update({name: value for name, value in settings.items() if value is not None})
    with Path(os.devnull).open("rb") as nothing:
        files = (nothing if stdin is None else stdin, stdout, stderr)
        return _servers[0].start(request, [each if isinstance(each, int) else each.fileno() for each in files])


def run(*words: str, typed: str = "", within_s: float = 120.0, **settings: Any) -> "subprocess.CompletedProcess[str]":
    """`drymon WORDS…` with this on stdin, to its end; raises TimeoutExpired after so many seconds."""
    with tempfile.TemporaryFile() as stdin, tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as err:
        stdin.write(typed.encode())
        stdin.seek(0)
        child = start(*words, stdin=stdin, stdout=out, stderr=err, **settings)
        try:
            code = child.wait(within_s)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait(20)
            raise
        out.seek(0)
        err.seek(0)
        return subprocess.CompletedProcess(list(words), code, out.read(), err.read())


def start_anew(*words: str, stdout: IO[Any], stderr: IO[Any], env: dict[str, str] | None = None) -> Process:
    """The same by an interpreter of its own, which imports what the command imports and no more."""
    return subprocess.Popen([sys.executable, "-m", "drymon.cli.main", *words], stdout=stdout, stderr=stderr, env=env)
