"""Several processes for one room: one serves, the others stand by, and the first to find the room free is the next.

Who serves is settled by the database that rooms share. Whoever loses the connection to it stands by.
"""

import logging
import threading
from collections.abc import Callable
from pathlib import Path

from drymon.errors import SetupError
from drymon.messages.config import load_home
from drymon.messages.settings import HomeConfig
from drymon.service import systemd
from drymon.service.serve import Service
from drymon.store.engine import EngineError
from drymon.store.lock import InUse
from drymon.store.server import Lookout

log = logging.getLogger(__name__)

EVERY_S = 2.0
"""Between two looks at whether the room is free. The server gives a lost process up after `postgres.GIVEN_UP_AFTER_S`;
both together stay well below half a minute.
"""
AFTER_LOSS_S = 2 * EVERY_S
"""Whoever has lost the room leaves it to one that stands by, whose connection is likelier to last."""


class Turns:
    """One home's turns at serving. make: a service for the configuration as it then is; stop: ends it all."""

    def __init__(self, config: HomeConfig, make: Callable[[HomeConfig], Service]) -> None:
        self._config, self._make = config, make
        self.stop = threading.Event()
        self._said, self._turns = "", 0
        self._lookout: Lookout | None = None

    def run(self) -> Service | None:
        """Serve whenever it is this process's turn, until stopped; the service that then ran. Raises what
        `Service.run` raises, but for a server that cannot be reached, which is waited for.
        """
        while not self.stop.is_set():
            turns = self._turns
            try:
                if self._is_free():
                    return self._serve()
                self._note("standing by: another process serves this room")
            except InUse as error:
                if isinstance(self._config.database, Path):
                    raise
                self._note(f"standing by: {error}")
            except EngineError as error:
                if not error.gone:
                    raise
                self._note(f"{error}; standing by until it can be reached")
            self.stop.wait(EVERY_S if turns == self._turns else AFTER_LOSS_S)
        return None

    def _is_free(self) -> bool:
        """A file is asked for whoever holds it by opening it: that says which process."""
        where = self._config.database
        if isinstance(where, Path):
            return True
        self._lookout = self._lookout or Lookout(where)
        return not self._lookout.is_held()

    def _serve(self) -> Service:
        self._turns += 1
        if self._lookout is not None:
            self._lookout.close()
            self._lookout = None  # room.toml may name another server now
        if self._said:
            self._config = _as_it_is_now(self._config)
            log.warning("taking over the room %s: turn %d of this process", self._config.room.name, self._turns)
        service = self._make(self._config)
        service.stop = self.stop
        self._said = ""
        service.run()
        return service

    def _note(self, words: str) -> None:
        """In the log once, for the manager each time."""
        kind = words.partition(":")[0]
        if kind != self._said:
            log.warning("%s", words)
            self._said = kind
        systemd.tell("READY=1", "WATCHDOG=1", f"STATUS={words}")


def _as_it_is_now(config: HomeConfig) -> HomeConfig:
    """room.toml may have been changed while this process stood by; what cannot be read is not believed."""
    home: Path = config.path
    try:
        return load_home(home)
    except SetupError as error:
        log.error("%s; going on as it was", error)
        return config
