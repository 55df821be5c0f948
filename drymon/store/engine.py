"""What the store asks of the engine that keeps its rows. Its SQL is what SQLite and PostgreSQL both understand.

Values stand as `?` or `:name` in a statement, and are given beside it: never inside its text.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

from drymon.errors import StoreError

Row = tuple[Any, ...]
Values = Sequence[Any] | Mapping[str, Any]


class EngineError(StoreError):
    """The engine refused.

    what: in the engine's own words.
    damaged: what it keeps is broken; a full disk or a locked file is no damage.
    gone: its server cannot be reached, or no longer on this connection; a new connection may.
    """

    def __init__(self, what: str, name: str, advice: str, *, damaged: bool = False, gone: bool = False) -> None:
        super().__init__(f"database: {what} ({name}); {advice}")
        self.what, self.damaged, self.gone = what, damaged, gone


class Connection(Protocol):
    """One connection. It belongs to the thread that made it. Every method may raise EngineError."""

    def execute(self, sql: str, values: Values = ()) -> int:
        """Carry out one statement; how many rows it changed."""

    def send(self, sql: str, values: Values = ()) -> None:
        """Carry out one statement of a transaction whose answer nobody needs. What is wrong with it may be raised by a
        later call, by `commit` at the latest.
        """

    def execute_many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        """Carry out one statement for each row of values."""

    def insert(self, sql: str, values: Values = ()) -> int:
        """Add one row to a table that numbers its rows; the number it got."""

    def rows(self, sql: str, values: Values = ()) -> Iterator[Row]:
        """The rows that a query finds, fetched in chunks: a year of readings never sits in memory."""

    def row(self, sql: str, values: Values = ()) -> Row | None:
        """The first row that a query finds."""

    def begin(self) -> None:
        """Begin a transaction that may write, or wait until no other does."""

    def commit(self) -> None:
        """All of it is on disk when this returns."""

    def roll_back(self) -> None:
        """Nothing of it has been; without a transaction nothing happens."""

    def copy_into(self, file: Path) -> None:
        """Write all that is committed into a new SQLite file."""

    def alive(self) -> None:
        """EngineError, `gone`, where its server can no longer be reached on this connection."""

    def close(self) -> None:
        """Let go; an open transaction is lost."""


def upsert(table: str, columns: str, key: str) -> str:
    """The statement that writes one row, in the place of the one with this key where there is one.

    columns: names separated by ", ", `key` among them.
    """
    names = columns.split(", ")
    new = ", ".join(f"{name} = excluded.{name}" for name in names if name != key)
    holes = ", ".join("?" * len(names))
    return f"INSERT INTO {table} ({columns}) VALUES ({holes}) ON CONFLICT ({key}) DO UPDATE SET {new}"
