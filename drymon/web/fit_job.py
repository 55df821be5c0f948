"""A fit started from the page: one child process at a time, of low priority; its words are kept in the home."""

import contextlib
import json
import logging
import os
import subprocess
import sys
import threading
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from drymon.errors import LearningError
from drymon.service.clock import Clock
from drymon.views.fit.line_marks import DOUBTED, STEP
from drymon.views.page.ports import FitState

log = logging.getLogger(__name__)

NICE = 15
"""The listener and the page come first on a small computer."""
AROUND = {"PYTHONUNBUFFERED": "1", "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
"""Its words come as they are said; and threads that wait for each other at a low priority spin for nothing."""
STATE_FILE, WORDS_FILE = "fit-from-page.json", "fit-from-page.txt"
LONGEST_WORDS = 20_000
PATIENCE_S = 10.0


@dataclass(frozen=True, slots=True)
class Noted:
    """What is kept of a fit beside its words."""

    began: datetime
    by: str
    coat: str
    ended: datetime | None = None
    code: int | None = None


class FitJob:
    """The fit of a home that was started from the page. Its methods may be called from any thread."""

    def __init__(self, home: Path, clock: Clock) -> None:
        self._home, self._clock = home, clock
        self._lock = threading.Lock()
        self._child: subprocess.Popen[bytes] | None = None
        self._waiter: threading.Thread | None = None

    def start(self, coat: str, by: str) -> None:
        """Start it; LearningError where one runs already, whoever started it."""
        with self._lock:
            if self._child is not None:
                raise LearningError("a fit runs already: wait for its end; nothing was changed")
            noted = Noted(self._clock.wall(), by, coat)
            words = [sys.executable, "-P", "-m", "drymon.cli", "fit", "--steps", "--home", str(self._home)]
            with (self._home / WORDS_FILE).open("wb") as out:
                self._child = subprocess.Popen(
                    [*words, *(["--coat", coat] if coat else [])],
                    stdin=subprocess.DEVNULL,
                    stdout=out,
                    stderr=subprocess.STDOUT,
                    env={**os.environ, **AROUND},
                )
            with contextlib.suppress(OSError):  # where that is not allowed it runs as it is
                os.setpriority(os.PRIO_PROCESS, self._child.pid, NICE)
            note(self._home, noted)
            self._waiter = threading.Thread(target=self._wait, args=(self._child, noted), name="fit", daemon=True)
            self._waiter.start()

    def state(self) -> FitState | None:
        """How the last one stands."""
        with self._lock:
            running = self._child is not None
        noted = last_noted(self._home)
        if noted is None:
            return None
        text = self._words()
        steps = [line.removeprefix(STEP) for line in text.splitlines() if line.startswith(STEP)]
        words = "\n".join(line for line in text.splitlines() if not line.startswith(STEP)).strip()
        step = steps[-1] if steps else ""
        return FitState(
            "runs" if running else _outcome(noted, words), noted.began, noted.by, noted.coat, words, step, noted.ended
        )

    def stop(self) -> None:
        """End it, where it runs: the service ends."""
        with self._lock:
            child, waiter = self._child, self._waiter
        if child is not None and waiter is not None:
            child.terminate()
            waiter.join(PATIENCE_S)

    def _wait(self, child: "subprocess.Popen[bytes]", noted: Noted) -> None:
        code = child.wait()
        note(self._home, replace(noted, ended=self._clock.wall(), code=code))
        with self._lock:
            self._child = None

    def _words(self) -> str:
        try:
            return (self._home / WORDS_FILE).read_bytes()[-LONGEST_WORDS:].decode(errors="replace")
        except OSError:
            return ""


def note(home: Path, noted: Noted) -> None:
    """Keep how a fit stands in one move: whoever reads it meanwhile finds what was noted before, not half of it."""
    ended = noted.ended.isoformat() if noted.ended else None
    content = {"began": noted.began.isoformat(), "by": noted.by, "coat": noted.coat, "ended": ended, "code": noted.code}
    draft = home / f"{STATE_FILE}.new"
    try:
        draft.write_text(json.dumps(content), encoding="utf-8")
        draft.replace(home / STATE_FILE)
    except OSError:
        log.exception("how a fit ended cannot be noted")


def last_noted(home: Path) -> Noted | None:
    """How the fit stands that was started last; None where there was none."""
    try:
        said: dict[str, Any] = json.loads((home / STATE_FILE).read_text(encoding="utf-8"))
        ended = datetime.fromisoformat(said["ended"]) if said["ended"] else None
        return Noted(datetime.fromisoformat(said["began"]), said["by"], said["coat"], ended, said["code"])
    except (OSError, ValueError, KeyError, TypeError):  # also where a power cut fell into its writing
        return None


def _outcome(noted: Noted, words: str) -> Literal["done", "doubted", "failed", "cut off"]:
    if noted.code is None or noted.code < 0:
        return "cut off"
    if noted.code == 0:
        return "done"
    return "doubted" if any(line.startswith(DOUBTED) for line in words.splitlines()) else "failed"
