"""Who writes to a home: one process at a time, held by the operating system, so a killed one leaves no trace."""

import fcntl
import os
import time
from pathlib import Path
from types import TracebackType
from typing import Self

from drymon.errors import StoreError

_TRIES, _PAUSE_S = 10, 0.05


class InUse(StoreError):
    """Another process is the one that may write."""


def _file(home: Path) -> Path:
    return home / "drymon.lock"


class HomeLock:
    """Held while a process writes to a home. Take it before opening the store for writing.

    Raises InUse, naming the process, where another one holds it.
    """

    _told = "is in use by another drymon (process {}): stop that one first, or give another --home"

    def __init__(self, home: Path) -> None:
        self._home = home
        self._handle: int | None = None

    def _path(self) -> Path:
        return _file(self._home)

    def acquire(self) -> Self:
        """Take the lock or raise InUse."""
        handle = os.open(self._path(), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        # Somebody who only looks (`is_held`) holds it for a moment: worth a few tries.
        for _ in range(_TRIES):
            if _try(handle, fcntl.LOCK_EX):
                os.ftruncate(handle, 0)
                os.write(handle, f"{os.getpid()}\n".encode())
                self._handle = handle
                return self
            time.sleep(_PAUSE_S)
        holder = os.read(handle, 20).decode(errors="replace").strip() or "unknown"
        os.close(handle)
        raise InUse(f"the home {self._home} {self._told.format(holder)}")

    def release(self) -> None:
        """Let it go; the end of the process does so, too."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None

    def __enter__(self) -> Self:
        return self.acquire()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


class FitLock(HomeLock):
    """Held while models are fitted in a home: two at once would write over each other's."""

    _told = "is being fitted already (process {}): wait for that fit's end; nothing was changed"

    def _path(self) -> Path:
        return self._home / "fit.lock"


def is_held(home: Path) -> bool:
    """True while a process, this one or another, holds the home's lock."""
    try:
        handle = os.open(_file(home), os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    try:
        return not _try(handle, fcntl.LOCK_SH)
    finally:
        os.close(handle)


def _try(handle: int, kind: int) -> bool:
    try:
        fcntl.flock(handle, kind | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
