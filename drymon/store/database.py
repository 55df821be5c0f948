"""What all parts of the store stand on: the connection, transactions, and errors in drymon's own words."""

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from drymon.errors import StoreError
from drymon.store.opening import is_damage

_CHUNK = 1000


def told(error: sqlite3.Error, damaged: bool = False) -> StoreError:
    """The error, with what to do about it. damaged: the file is, whatever SQLite calls the error."""
    name = getattr(error, "sqlite_errorname", "")
    if damaged or is_damage(error):
        advice = "the database is damaged: stop drymon and run `drymon restore` with a backup"
    elif name.startswith("SQLITE_FULL"):
        advice = "the disk is full: make room; nothing that was stored is lost"
    elif name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        advice = "another program holds the database: only one drymon may write to a home"
    elif name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        advice = "see that the home folder exists and that drymon's user may write to it"
    else:
        advice = "see that the disk is sound and has room"
    return StoreError(f"database: {error} ({name or type(error).__name__}); {advice}")


class Database:
    """One connection with its transactions. Belongs to the thread that opened it."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db
        self._depth = 0
        self._spoiled = False
        self._topics: dict[str, int] = {}
        self._channels: dict[tuple[str, str, str], int] = {}

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing, on disk when it ends. Inside another it joins it; a failure inside spoils all.

        Raises StoreError where the commit fails; nothing of the transaction is stored then.
        """
        if self._depth:
            try:
                yield
            except BaseException:  # raised on, whatever it is: the outer transaction must not commit half of it
                self._spoiled = True
                raise
            return
        try:
            self._db.execute("BEGIN IMMEDIATE")
        except sqlite3.Error as error:
            raise told(error) from error
        self._depth, self._spoiled = 1, False
        try:
            yield
            if self._spoiled:
                raise StoreError("a step of this transaction failed, so nothing of it is stored: begin it again")
            self._flush()
            self._db.execute("COMMIT")
            self._settle()
        except BaseException as error:
            self._roll_back()
            if isinstance(error, sqlite3.Error):
                raise told(error) from error
            raise
        finally:
            self._depth = 0

    def _flush(self) -> None:
        """What is gathered during a transaction and written once, at its end."""

    def _settle(self) -> None:
        """What may be told once the transaction is on disk."""

    def _forget(self) -> None:
        """What was remembered of the database may be untrue after a roll-back."""
        self._topics.clear()
        self._channels.clear()

    def _roll_back(self) -> None:
        self._forget()
        if self._db.in_transaction:
            self._db.execute("ROLLBACK")

    def _rows(self, sql: str, parameters: Sequence[Any] | Mapping[str, Any] = ()) -> Iterator[tuple[Any, ...]]:
        """The rows, fetched in chunks, so that a year of readings never sits in memory."""
        try:
            cursor = self._db.execute(sql, parameters)
            while chunk := cursor.fetchmany(_CHUNK):
                yield from chunk
        except sqlite3.Error as error:
            raise told(error) from error

    def _row(self, sql: str, parameters: Sequence[Any] | Mapping[str, Any] = ()) -> tuple[Any, ...] | None:
        return next(self._rows(sql, parameters), None)

    def _fact(self, name: str, default: int = 0) -> int:
        row = self._row("SELECT value FROM fact WHERE name = ?", (name,))
        return default if row is None else int(row[0])

    def _set_fact(self, name: str, value: int) -> None:
        self._db.execute("INSERT OR REPLACE INTO fact VALUES (?, ?)", (name, value))

    def _topic_id(self, name: str) -> int:
        known = self._topics.get(name)
        if known is None:
            known = self._named("topic", ("name",), (name,))
            if len(self._topics) > 10_000:
                self._topics.clear()
            self._topics[name] = known
        return known

    def _channel_id(self, place: str, quantity: str, sensor: str) -> int:
        key = (place, quantity, sensor)
        known = self._channels.get(key)
        if known is None:
            known = self._channels[key] = self._named("channel", ("place", "quantity", "sensor"), key)
        return known

    def _named(self, table: str, columns: Sequence[str], key: Sequence[str]) -> int:
        """The id of the row with this key, made where there is none yet."""
        where = " AND ".join(f"{column} = ?" for column in columns)
        row = self._db.execute(f"SELECT id FROM {table} WHERE {where}", key).fetchone()
        if row is None:
            holes = ", ".join("?" * len(columns))
            made = self._db.execute(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({holes})", key)
            return int(made.lastrowid or 0)
        return int(row[0])
