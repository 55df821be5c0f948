"""Opening the database: the connection's settings, its layout, and what to do when the file is damaged."""

import os
from collections.abc import Sequence
from contextlib import closing, suppress
from datetime import datetime
from pathlib import Path

import drymon
from drymon.errors import StoreError
from drymon.store.codec import maybe_us
from drymon.store.engine import EngineError
from drymon.store.schema import APPLICATION_ID, MIGRATION_TABLE, MIGRATIONS, Migration, check_known
from drymon.store.sqlite import SqliteConnection

PAGE_SIZE = 2048
"""Bytes, of a new database: at 20 readings a commit it writes a quarter less than 4096 (`benchmarks/store.py`)."""
_WRITING = (
    "trusted_schema = OFF",
    "foreign_keys = ON",
    f"page_size = {PAGE_SIZE}",
    "journal_mode = WAL",
    "synchronous = FULL",
    "journal_size_limit = 16777216",
)
_READING = ("query_only = ON", "trusted_schema = OFF")


def connect_writer(path: Path) -> SqliteConnection:
    """The one writing connection. WAL with synchronous FULL: a commit is on the disk when it returns."""
    keep_private(path)
    return SqliteConnection.open(path, "mode=rwc", _WRITING)


def keep_private(path: Path) -> None:
    """A database has the hashes of passwords in it: a new one is its owner's alone, an old one not everybody's. Its log
    files get the same rights.
    """
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    except FileExistsError:
        for file in (path, path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")):
            with suppress(OSError):  # not ours to change: it opens all the same
                mode = file.stat().st_mode
                if mode & 0o007:
                    file.chmod(mode & 0o770)
    except OSError:
        return  # SQLite says it better


def connect_reader(path: Path) -> SqliteConnection:
    """A connection that can neither write nor checkpoint; works with the service running or not."""
    try:
        path.stat()
    except FileNotFoundError as error:
        raise StoreError(f"no database at {path}: `drymon serve` or `drymon replay` makes it") from error
    except OSError as error:
        raise StoreError(f"cannot read {path}: {error.strerror}; see that drymon's user may read it") from error
    db = SqliteConnection.open(path, "mode=ro", _READING)
    try:
        db.row("SELECT count(*) FROM sqlite_schema")
    except EngineError as error:
        db.close()
        wal = path.with_name(path.name + "-wal")
        if error.damaged or os.access(path.parent, os.W_OK) or (wal.exists() and wal.stat().st_size):
            raise
        # A folder that we may not write to, and nobody left a log behind: the file alone is everything.
        db = SqliteConnection.open(path, "immutable=1", _READING)
    db.execute("PRAGMA cache_size = -512")  # KiB: readers scan, and the page of a small computer has several
    return db


def sound(db: SqliteConnection) -> str:
    """What `quick_check` finds wrong, and what is missing of the layout; "" where the database is sound."""
    with db.any_text():
        return db.quick_check() or _missing(db)


def _missing(db: SqliteConnection) -> str:
    """What a database of drymon's lacks of its own layout: `quick_check` does not mind a table of another name."""
    version = db.number("PRAGMA user_version")
    owner = db.number("PRAGMA application_id")
    if owner != APPLICATION_ID or version > len(MIGRATIONS):
        return ""
    with closing(SqliteConnection.in_memory()) as model:
        migrate(model, None, MIGRATIONS[:version])
        missing = sorted(_names(model) - _names(db))
    return f"it lacks {', '.join(missing)}" if missing else ""


def _names(db: SqliteConnection) -> set[str]:
    return {name for (name,) in db.rows("SELECT name FROM sqlite_schema")}


def layout(db: SqliteConnection) -> int:
    """The number of migrations the database has seen; StoreError where it is not drymon's, or is newer."""
    version = db.number("PRAGMA user_version")
    owner = db.number("PRAGMA application_id")
    tables = db.number("SELECT count(*) FROM sqlite_schema")
    if owner != APPLICATION_ID and (owner or version or tables):
        raise StoreError("the file is an SQLite database, but not one of drymon: give another home or file")
    newest = db.row("SELECT drymon FROM migration ORDER BY version DESC LIMIT 1") if version > len(MIGRATIONS) else None
    return check_known(version, *(newest or ("",)))


def migrate(db: SqliteConnection, now: datetime | None, steps: Sequence[Migration] = MIGRATIONS) -> None:
    """Bring the layout up to the last of `steps`, each step whole or not at all."""
    for version in range(layout(db) + 1, len(steps) + 1):
        _apply(db, version, steps[version - 1], now)


def _apply(db: SqliteConnection, version: int, step: Migration, now: datetime | None) -> None:
    db.begin()
    try:
        if version == 1:
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(MIGRATION_TABLE)
        for statement in step.statements.split(";\n"):
            db.execute(statement)
        row = (version, step.name, drymon.__version__, maybe_us(now))
        db.execute("INSERT INTO migration VALUES (?, ?, ?, ?)", row)
        db.execute(f"PRAGMA user_version = {version}")
        db.commit()
    except BaseException:  # raised on, whatever it is: half a migration must not stay
        db.roll_back()
        raise
