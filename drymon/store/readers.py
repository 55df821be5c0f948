"""Stores that are only read, kept open for whoever asks next: a connection to a server costs more than most questions.

A file is opened for each use, for it may be another one the next time.
"""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from drymon.errors import StoreError
from drymon.messages.settings import Server, Where
from drymon.store.store import Store

REST_S = 60.0
"""A connection that nobody has used for so long is closed when the next one is asked for."""


class Readers:
    """At most one of each room waits here. For several threads. running: seconds of running time."""

    def __init__(self, running: Callable[[], float]) -> None:
        self._running = running
        self._lock = threading.Lock()
        self._resting: dict[Server, tuple[float, Store]] = {}

    @contextmanager
    def reading(self, where: Where) -> Iterator[Store]:
        """A store for one use. Raises what `Store.open` raises."""
        store = self.take(where)
        try:
            yield store
        finally:
            self.give_back(where, store)

    def take(self, where: Where) -> Store:
        """A store that answers. Raises what `Store.open` raises."""
        with self._lock:
            old = self._tired()
            waiting = self._resting.pop(where, None) if isinstance(where, Server) else None
        for store in old:
            store.close()
        if waiting is not None:
            try:
                waiting[1].check_reached()
                return waiting[1]
            except StoreError:  # the server was started anew meanwhile
                waiting[1].close()
        return Store.open(where, readonly=True)

    def give_back(self, where: Where, store: Store) -> None:
        """The use of it is over."""
        store.let_go()
        with self._lock:
            if isinstance(where, Server) and where not in self._resting:
                self._resting[where] = self._running(), store
                return
        store.close()

    def close(self) -> None:
        """Close those that wait."""
        with self._lock:
            waiting, self._resting = list(self._resting.values()), {}
        for _, store in waiting:
            store.close()

    def _tired(self) -> list[Store]:
        now = self._running()
        names = [where for where, (since, _) in self._resting.items() if now - since > REST_S]
        return [self._resting.pop(where)[1] for where in names]
