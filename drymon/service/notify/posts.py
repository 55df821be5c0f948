"""Letters under way: each way has a thread of its own while it tries one, and a deadline for it.

A server that answers a byte now and then is never silent for long: the time that a letter may take in all is counted
here, and not between two bytes.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from drymon.store.notices import Notice

LETTER_S = 100.0
"""Less than a claim lasts: a letter must not be claimed again while it is under way."""
MOST_LEFT = 3
"""Threads of one way that may have been given up and not ended yet; beyond that the way waits for one to end."""


@dataclass(slots=True)
class Tried:
    """A letter and what came of it: delivered where there is no error."""

    notice: Notice
    error: BaseException | None = None
    through: bool = False


@dataclass(slots=True)
class _Way:
    """One way: its letter under way, with its deadline, and the threads that were given up."""

    tried: Tried | None = None
    thread: threading.Thread | None = None
    deadline: float = 0.0
    left: list[threading.Thread] = field(default_factory=list)


class Posts:
    """For one thread, which begins letters and collects what came of them. running: seconds of running time."""

    def __init__(self, running: Callable[[], float], letter_s: float = LETTER_S) -> None:
        self._running, self._letter_s = running, letter_s
        self._ways: dict[str, _Way] = {}
        self._news = threading.Event()

    @property
    def under_way(self) -> bool:
        """Whether any letter is."""
        return any(way.tried is not None for way in self._ways.values())

    @property
    def busy(self) -> list[str]:
        """The ways that can take no letter now."""
        for way in self._ways.values():
            way.left = [thread for thread in way.left if thread.is_alive()]
        return [name for name, way in self._ways.items() if way.tried is not None or len(way.left) >= MOST_LEFT]

    def begin(self, notice: Notice, deliver: Callable[[], None]) -> None:
        """Try this letter, whose way is not busy."""
        tried = Tried(notice)

        def work() -> None:
            try:
                deliver()
            except BaseException as error:  # whatever it was: it is the asking thread's to judge
                tried.error = error
            tried.through = True
            self._news.set()

        way = self._ways.setdefault(notice.channel, _Way())
        # A daemon: what never ends must not keep the service from ending.
        way.thread = threading.Thread(target=work, name=f"notify {notice.channel}", daemon=True)
        way.tried, way.deadline = tried, self._running() + self._letter_s
        way.thread.start()

    def ended(self) -> list[Tried]:
        """The letters that are through, and those whose time is over."""
        self._news.clear()
        found = []
        for way in self._ways.values():
            if way.tried is None or way.thread is None:
                continue
            if way.tried.through:
                found.append(way.tried)
            elif self._running() > way.deadline:
                found.append(Tried(way.tried.notice, TimeoutError(f"no answer in full within {self._letter_s:.0f} s")))
                way.left.append(way.thread)
            else:
                continue
            way.tried = way.thread = None
        return found

    def wait(self, seconds: float) -> None:
        """Until a letter is through, or so long, or until the next deadline."""
        deadlines = [way.deadline - self._running() for way in self._ways.values() if way.tried is not None]
        self._news.wait(max(0.0, min([seconds, *(left + 0.01 for left in deadlines)])))

    def wake(self) -> None:
        """Let whoever waits go on."""
        self._news.set()
