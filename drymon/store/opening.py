"""Opening the database: the connection's settings, its layout, and what to do when the file is damaged."""

import os
import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from datetime import datetime
from pathlib import Path

import drymon
from drymon.errors import StoreError
from drymon.store.codec import maybe_us
from drymon.store.schema import APPLICATION_ID, MIGRATIONS, Migration

BUSY_S = 10.0
PAGE_SIZE = 2048
"""Bytes, of a new database: at 20 readings a commit it writes a quarter less than 4096 (`benchmarks/store.py`)."""
_DAMAGED = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})


def is_damage(error: sqlite3.Error) -> bool:
    """True where the file itself is broken; a full disk or a locked file is no damage."""
    return (getattr(error, "sqlite_errorcode", 0) & 0xFF) in _DAMAGED


def connect_writer(path: Path) -> sqlite3.Connection:
    """The one writing connection. WAL with synchronous FULL: a commit is on the disk when it returns."""
    keep_private(path)
    db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rwc", uri=True, timeout=BUSY_S, isolation_level=None)
    try:
        for setting in (
            "trusted_schema = OFF",
            "foreign_keys = ON",
            f"page_size = {PAGE_SIZE}",
            "journal_mode = WAL",
            "synchronous = FULL",
            "journal_size_limit = 16777216",
        ):
            db.execute(f"PRAGMA {setting}")
    except sqlite3.Error:
        db.close()
        raise
    return db


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


def connect_reader(path: Path) -> sqlite3.Connection:
    """A connection that can neither write nor checkpoint; works with the service running or not."""
    try:
        path.stat()
    except FileNotFoundError as error:
        raise StoreError(f"no database at {path}: `drymon serve` or `drymon replay` makes it") from error
    except OSError as error:
        raise StoreError(f"cannot read {path}: {error.strerror}; see that drymon's user may read it") from error
    db = _connect_reading(path, "mode=ro")
    try:
        db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.OperationalError:
        db.close()
        wal = path.with_name(path.name + "-wal")
        if os.access(path.parent, os.W_OK) or (wal.exists() and wal.stat().st_size):
            raise
        # A folder that we may not write to, and nobody left a log behind: the file alone is everything.
        db = _connect_reading(path, "immutable=1")
    except sqlite3.Error:
        db.close()
        raise
    db.execute("PRAGMA cache_size = -512")  # KiB: readers scan, and the page of a small computer has several
    return db


def _connect_reading(path: Path, how: str) -> sqlite3.Connection:
    db = sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True, timeout=BUSY_S, isolation_level=None)
    db.execute("PRAGMA query_only = ON")
    db.execute("PRAGMA trusted_schema = OFF")
    return db


def sound(db: sqlite3.Connection) -> str:
    """What `quick_check` finds wrong, and what is missing of the layout; "" where the database is sound."""
    db.text_factory = _readable  # what is damaged may be the very words that tell of it
    try:
        rows = [str(row[0]) for row in db.execute("PRAGMA quick_check(5)")]
        found = [line for row in rows for line in row.splitlines() if not line.startswith("***")]
        return _missing(db) if found == ["ok"] else "; ".join(found)
    except sqlite3.DatabaseError as error:
        if not is_damage(error):
            raise
        return str(error)
    except UnicodeDecodeError as error:  # SQLite's own complaint has the damaged word in it
        return f"its layout has a word that is no text ({error})"
    finally:
        db.text_factory = str


def _readable(text: bytes) -> str:
    return text.decode("utf-8", "replace")


def _missing(db: sqlite3.Connection) -> str:
    """What a database of drymon's lacks of its own layout: `quick_check` does not mind a table of another name."""
    version = int(db.execute("PRAGMA user_version").fetchone()[0])
    owner = int(db.execute("PRAGMA application_id").fetchone()[0])
    if owner != APPLICATION_ID or version > len(MIGRATIONS):
        return ""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as model:
        migrate(model, None, MIGRATIONS[:version])
        missing = sorted(_names(model) - _names(db))
    return f"it lacks {', '.join(missing)}" if missing else ""


def _names(db: sqlite3.Connection) -> set[str]:
    return {name for (name,) in db.execute("SELECT name FROM sqlite_schema")}


def layout(db: sqlite3.Connection) -> int:
    """The number of migrations the database has seen; StoreError where it is not drymon's, or is newer."""
    version = int(db.execute("PRAGMA user_version").fetchone()[0])
    owner = int(db.execute("PRAGMA application_id").fetchone()[0])
    tables = int(db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0])
    if owner != APPLICATION_ID and (owner or version or tables):
        raise StoreError("the file is an SQLite database, but not one of drymon: give another home or file")
    if version > len(MIGRATIONS):
        maker = db.execute("SELECT drymon FROM migration ORDER BY version DESC LIMIT 1").fetchone()[0]
        raise StoreError(
            f"the database has layout {version}, made by drymon {maker}; "
            f"this is drymon {drymon.__version__}, which knows layouts up to {len(MIGRATIONS)}: "
            f"install drymon {maker} or newer, "
            "or restore a backup from before"
        )
    return version


def migrate(db: sqlite3.Connection, now: datetime | None, steps: Sequence[Migration] = MIGRATIONS) -> None:
    """Bring the layout up to the last of `steps`, each step whole or not at all."""
    for version in range(layout(db) + 1, len(steps) + 1):
        _apply(db, version, steps[version - 1], now)


def _apply(db: sqlite3.Connection, version: int, step: Migration, now: datetime | None) -> None:
    db.execute("BEGIN IMMEDIATE")
    try:
        if version == 1:
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(
                "CREATE TABLE migration (version INTEGER PRIMARY KEY, name TEXT NOT NULL, "
                "drymon TEXT NOT NULL, applied INTEGER) STRICT"
            )
        for statement in step.statements.split(";\n"):
            db.execute(statement)
        row = (version, step.name, drymon.__version__, maybe_us(now))
        db.execute("INSERT INTO migration VALUES (?, ?, ?, ?)", row)
        db.execute(f"PRAGMA user_version = {version}")
        db.execute("COMMIT")
    except BaseException:  # raised on, whatever it is: half a migration must not stay
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise
