"""Which SQLite stands behind the store, and what is known about that version."""

import sqlite3

WAL_RESET_MENDED = (3, 51, 3)
"""Before, two connections that write or checkpoint at the same moment could lose commits (sqlite.org/wal.html)."""


def sqlite_version() -> str:
    """The version of the SQLite library, such as `3.46.1`."""
    return sqlite3.sqlite_version


def has_wal_reset_fault() -> bool:
    """This SQLite is older than the mend of the WAL-reset fault."""
    return sqlite3.sqlite_version_info < WAL_RESET_MENDED
