"""How other threads write: through the one thread that may."""

from collections.abc import Callable
from typing import Protocol, TypeVar

from drymon.store.store import Store

T = TypeVar("T")


class Writer(Protocol):
    """Has the one thread that may write to the database do something with it, and waits."""

    def __call__(self, work: Callable[[Store], T]) -> T:
        """The work's answer, or its error."""
