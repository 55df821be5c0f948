"""The one process that may write to a room, wherever its record is kept."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from drymon.messages.settings import Server, Where
from drymon.store import server
from drymon.store.lock import HomeLock, is_held
from drymon.store.store import Store


@contextmanager
def only_writer(where: Where, now: datetime | None = None) -> Iterator[Store]:
    """The room's store, open for writing by this process alone. Raises InUse where another one is that process, and
    what `Store.open` raises.
    """
    if isinstance(where, Server):
        with Store.open(where, now=now, alone=True) as store:
            store.check_whole()
            yield store
        return
    with HomeLock(where.parent), Store.open(where, now=now) as store:  # opening checks, and may put a backup back
        yield store


def is_in_use(where: Where) -> bool:
    """Whether a process, this one or another, is the one that may write."""
    return server.is_held(where) if isinstance(where, Server) else is_held(where.parent)


def is_there(where: Where) -> bool:
    """Whether anything has been recorded."""
    return server.is_there(where) if isinstance(where, Server) else where.exists()
