"""Several rooms on one machine: a process for each, watched over by this one. What ends or hangs is started again.

A room's fault stays its own: no other room's process shares its loop or its page, or can write to its memory. They are
forked from this one, which has imported what they need: they begin at once, and share the pages that none of them has
changed.
"""

import ctypes
import gc
import logging
import os
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from drymon.errors import SetupError
from drymon.messages.settings import HomeConfig
from drymon.service import systemd
from drymon.service.serve import LONGEST_START_S

log = logging.getLogger(__name__)

Serve = Callable[[Path], int]
"""Serves one home until told to stop; the code to end with."""

LOOK_EVERY_S = 0.5
HANGS_AFTER_S = 60.0
"""Without a word from a room's process, once it listens; before that a start has its own time."""
PATIENCE_S = 25.0
"""For processes that are told to end."""
AT_ONCE = 2 * (os.cpu_count() or 1)
"""Processes that may be starting at one time: a hundred beside each other would all be late."""
SHORT_START_S = 60.0
"""Whoever is not ready after so long keeps no other from starting."""
SHORTEST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 60.0
_PR_SET_PDEATHSIG, _PR_SET_NAME = 1, 15
_FAILED = 1


class Child:
    """A process forked from this one. code: how it ended, below 0 by that signal; None while it runs."""

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self.code: int | None = None

    def poll(self) -> int | None:
        """How it ended, None while it runs."""
        if self.code is None:
            ended, status = os.waitpid(self.pid, os.WNOHANG)
            self.code = os.waitstatus_to_exitcode(status) if ended else None
        return self.code

    def send(self, number: signal.Signals) -> None:
        """A signal, where it still runs."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def wait(self, patience_s: float) -> int | None:
        """How it ended, None where it has not within so long."""
        end = time.monotonic() + patience_s
        while self.poll() is None and time.monotonic() < end:
            time.sleep(0.02)
        return self.code


class Room:
    """The process of one home. process: None while there is none; patience_s: how long it may be silent."""

    def __init__(self, home: Path, number: int, name: str, serve: Serve) -> None:
        self.home, self._room, self._serve = home, name, serve
        self._name = f"@drymon-{os.getpid()}-{number}"
        self._ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK)
        self._ear.bind("\0" + self._name[1:])
        self.process: Child | None = None
        self._again_at, self._pause_s = 0.0, SHORTEST_PAUSE_S
        self._begun_at = self._heard_at = 0.0
        self._ready = False
        self.patience_s = float(LONGEST_START_S)

    def starts(self, now: float) -> bool:
        """It was started lately, and is not ready yet."""
        return self.process is not None and not self._ready and now - self._begun_at < SHORT_START_S

    def tend(self, now: float, may_start: bool = True) -> bool:
        """Start it where it does not run and its pause is over, end it where it hangs; whether it was started. now:
        seconds of running time.
        """
        self._listen(now)
        if self.process is None:
            if may_start and now >= self._again_at:
                self._start(now)
                return True
        elif (code := self.process.poll()) is not None:
            self.process = None
            lasted = now - self._begun_at
            self._pause_s = SHORTEST_PAUSE_S if lasted > LONGEST_PAUSE_S else min(2 * self._pause_s, LONGEST_PAUSE_S)
            self._again_at = now + self._pause_s
            log.error("%s: its service ended (%s); starting it again in %.0f s", self.home, _how(code), self._pause_s)
        elif now - self._heard_at > self.patience_s:
            log.error("%s: its service has not said a word for %.0f s; ending it", self.home, self.patience_s)
            self.process.send(signal.SIGKILL)
            self._heard_at = now
        return False

    def tell_to_end(self) -> None:
        """Let it say farewell."""
        if self.process is not None:
            self.process.send(signal.SIGTERM)

    def see_it_end(self, patience_s: float) -> None:
        """Wait for its end, and end it where that takes too long."""
        if self.process is not None and self.process.wait(max(0.0, patience_s)) is None:
            self.process.send(signal.SIGKILL)
            self.process.wait(PATIENCE_S)
        self._ear.close()

    def _start(self, now: float) -> None:
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        pid = os.fork()
        if pid == 0:
            code = _FAILED
            try:
                code = self._be_the_process()
            finally:  # whatever ends it: a child must never go on in what its parent was doing
                os._exit(code)
        self.process = Child(pid)
        self._begun_at = self._heard_at = now
        self._ready = False
        self.patience_s = float(LONGEST_START_S)

    def _be_the_process(self) -> int:
        try:
            _begin_anew(self._room)
            os.environ.update(NOTIFY_SOCKET=self._name, WATCHDOG_USEC=str(round(HANGS_AFTER_S * 1e6)))
            code = self._serve(self.home)
        except Exception:  # the top of a process, which ends at once: nobody above would print why
            log.exception("%s: its service ended", self.home)
            code = _FAILED
        logging.shutdown()
        return code

    def _listen(self, now: float) -> None:
        while True:
            try:
                words = self._ear.recv(4096).decode(errors="replace").splitlines()
            except BlockingIOError:
                return
            self._heard_at = now
            for word in words:
                name, _, value = word.partition("=")
                if name == "READY":
                    self._ready, self.patience_s = True, HANGS_AFTER_S
                elif name == "WATCHDOG_USEC" and value.isdecimal():
                    self.patience_s = int(value) / 1e6


def serve_all(configs: Sequence[HomeConfig], stop: threading.Event, serve: Serve) -> None:
    """Serve each home in a process of its own until `stop` is set. SetupError where two are in each other's way.

    serve: what the process of a home does; all that it imports is best imported already.
    """
    check_apart(configs)
    rooms = [Room(config.path, number, config.room.name, serve) for number, config in enumerate(configs)]
    gc.collect()
    gc.freeze()  # else each process would look through what all share, and get pages of its own by that
    log.info("serving %d rooms, a process each: %s", len(rooms), ", ".join(config.room.name for config in configs))
    try:
        systemd.tell("READY=1", f"STATUS=serving {len(rooms)} rooms")
        while not stop.is_set():
            now = time.monotonic()
            starting = sum(room.starts(now) for room in rooms)
            for room in rooms:
                starting += room.tend(now, starting < AT_ONCE)
            systemd.tell("WATCHDOG=1")
            stop.wait(LOOK_EVERY_S)
    finally:
        systemd.tell("STOPPING=1")
        for room in rooms:
            room.tell_to_end()
        end = time.monotonic() + PATIENCE_S
        for room in rooms:
            room.see_it_end(end - time.monotonic())


def check_apart(configs: Sequence[HomeConfig]) -> None:
    """SetupError where two homes are one, have rooms of one name, or pages on one port."""
    seen: dict[object, Path] = {}
    for config in configs:
        home, room, port = config.path.resolve(), config.room.name, config.page.port
        if home in seen:
            raise SetupError(f"--home: received {config.path} twice; allowed is each home once")
        for key, told in (
            (("room", room), f"the room {room!r} twice; give each room its own name"),
            (("port", port), f"page.port {port} twice; give each page its own port"),
        ):
            if key in seen:
                raise SetupError(f"{seen[key]} and {config.path}: received {told}")
            seen[key] = config.path
        seen[home] = config.path


def _begin_anew(name: str) -> None:
    """In the child: nothing that belongs to the parent is left but its memory. It is told to end where the parent is
    killed, and cannot tell it; `ps` shows the room's name.
    """
    libc = ctypes.CDLL(None)
    libc.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)
    libc.prctl(_PR_SET_NAME, name.encode()[:15])
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_DFL)
    for descriptor in os.listdir("/proc/self/fd"):
        if int(descriptor) > 2:
            with suppress(OSError):
                os.close(int(descriptor))
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)


def _how(code: int) -> str:
    return f"by signal {-code}" if code < 0 else f"with {code}"
