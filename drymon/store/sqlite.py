"""SQLite behind the store: the only module that knows its library."""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Self

from drymon.store.engine import EngineError, Row, Values

BUSY_S = 10.0
_CHUNK = 1000
_DAMAGED = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
_ADVICE = (
    (("SQLITE_FULL",), "the disk is full: make room; nothing that was stored is lost"),
    (("SQLITE_BUSY", "SQLITE_LOCKED"), "another program holds the database: only one drymon may write to a home"),
    (
        ("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM"),
        "see that the home folder exists and that drymon's user may write to it",
    ),
)

WAL_RESET_MENDED = (3, 51, 3)
"""Before, two connections that write or checkpoint at the same moment could lose commits (sqlite.org/wal.html)."""


def sqlite_version() -> str:
    """The version of the SQLite library, such as `3.46.1`."""
    return sqlite3.sqlite_version


def has_wal_reset_fault() -> bool:
    """This SQLite is older than the mend of the WAL-reset fault."""
    return sqlite3.sqlite_version_info < WAL_RESET_MENDED


class SqliteConnection:
    """One connection to one file; `sqlite` is the library's own."""

    def __init__(self, sqlite: sqlite3.Connection) -> None:
        self.sqlite = sqlite

    @classmethod
    def open(cls, path: Path, how: str, settings: Sequence[str] = ()) -> Self:
        """Open the file at `path`. how: query of SQLite's file URI, such as `mode=ro`; settings: PRAGMAs to set."""
        try:
            db = sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True, timeout=BUSY_S, isolation_level=None)
        except sqlite3.Error as error:
            raise _told(error) from error
        made = cls(db)
        try:
            for setting in settings:
                made.execute(f"PRAGMA {setting}")
        except EngineError:
            made.close()
            raise
        return made

    @classmethod
    def in_memory(cls) -> Self:
        """A database without a file."""
        return cls(sqlite3.connect(":memory:", isolation_level=None))

    def execute(self, sql: str, values: Values = ()) -> int:
        """Carry out one statement; how many rows it changed."""
        return self._cursor(sql, values).rowcount

    def send(self, sql: str, values: Values = ()) -> None:
        """Carry out one statement: there is no way that would be worth saving."""
        self._cursor(sql, values)

    def execute_many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        """Carry out one statement for each row of values."""
        try:
            self.sqlite.executemany(sql, rows)
        except (sqlite3.Error, UnicodeDecodeError) as error:
            raise _told(error) from error

    def insert(self, sql: str, values: Values = ()) -> int:
        """Add one row to a table that numbers its rows; the number it got."""
        return self._cursor(sql, values).lastrowid or 0

    def rows(self, sql: str, values: Values = ()) -> Iterator[Row]:
        """The rows that a query finds, fetched in chunks: a year of readings never sits in memory."""
        cursor = self._cursor(sql, values)
        try:
            while chunk := cursor.fetchmany(_CHUNK):
                yield from chunk
        except (sqlite3.Error, UnicodeDecodeError) as error:
            raise _told(error) from error

    def row(self, sql: str, values: Values = ()) -> Row | None:
        """The first row that a query finds."""
        cursor = self._cursor(sql, values)
        try:
            found: Row | None = cursor.fetchone()
        except (sqlite3.Error, UnicodeDecodeError) as error:
            raise _told(error) from error
        return found

    def number(self, sql: str) -> int:
        """The one number that a query answers with."""
        return int((self.row(sql) or (0,))[0])

    def begin(self) -> None:
        """Begin a transaction that may write, or wait until no other does."""
        self.execute("BEGIN IMMEDIATE")

    def commit(self) -> None:
        """All of it is on disk when this returns."""
        self.execute("COMMIT")

    def roll_back(self) -> None:
        """Nothing of it has been; without a transaction nothing happens."""
        if self.sqlite.in_transaction:
            self.execute("ROLLBACK")

    def copy_into(self, file: Path) -> None:
        """Write all that is committed into a new SQLite file."""
        with closing(SqliteConnection.open(file, "mode=rwc")) as copy:
            try:
                self.sqlite.backup(copy.sqlite)
            except sqlite3.Error as error:
                raise _told(error) from error
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it

    def alive(self) -> None:
        """A file needs nobody to reach it."""

    def quick_check(self) -> str:
        """What SQLite finds wrong in its file; "" where nothing is."""
        try:
            rows = [str(row[0]) for row in self.rows("PRAGMA quick_check(5)")]
        except EngineError as error:
            if not error.damaged:
                raise
            return error.what
        found = [line for row in rows for line in row.splitlines() if not line.startswith("***")]
        return "" if found == ["ok"] else "; ".join(found)

    @contextmanager
    def any_text(self) -> Iterator[None]:
        """Meanwhile read text that is none as well as it can be: what is damaged may be the words that tell of it."""
        self.sqlite.text_factory = _readable
        try:
            yield
        finally:
            self.sqlite.text_factory = str

    def close(self) -> None:
        """Let go; an open transaction is lost."""
        self.sqlite.close()

    def _cursor(self, sql: str, values: Values) -> sqlite3.Cursor:
        try:
            return self.sqlite.execute(sql, values)
        except (sqlite3.Error, UnicodeDecodeError) as error:
            raise _told(error) from error


def _told(error: sqlite3.Error | UnicodeDecodeError) -> EngineError:
    """The error, with what to do about it."""
    if isinstance(error, UnicodeDecodeError):  # SQLite's own complaint has the damaged word in it
        return _damage(f"a word of it is no text ({error})", type(error).__name__)
    name = getattr(error, "sqlite_errorname", "") or type(error).__name__
    if (getattr(error, "sqlite_errorcode", 0) & 0xFF) in _DAMAGED:
        return _damage(str(error), name)
    advice = (words for names, words in _ADVICE if name.startswith(names))
    return EngineError(str(error), name, next(advice, "see that the disk is sound and has room"))


def _damage(what: str, name: str) -> EngineError:
    advice = "the database is damaged: stop drymon and run `drymon restore` with a backup"
    return EngineError(what, name, advice, damaged=True)


def _readable(text: bytes) -> str:
    return text.decode("utf-8", "replace")
