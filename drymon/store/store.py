"""The store of one room: everything that drymon knows, in one SQLite file."""

import sqlite3
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from drymon.errors import StoreError
from drymon.store.codec import to_us
from drymon.store.database import told
from drymon.store.opening import connect_reader, connect_writer, layout, migrate
from drymon.store.record import Recording
from drymon.store.schema import MIGRATIONS
from drymon.store.verdicts import Verdicts


class Store(Recording, Verdicts):
    """The database of one room. It belongs to the thread that opened it; others open readers.

    One store of a home may write, in one process (see `lock.HomeLock`); any number may read meanwhile.
    """

    def __init__(self, db: sqlite3.Connection, note: str | None = None) -> None:
        super().__init__(db)
        self.note = note

    @classmethod
    def open(cls, path: Path, *, readonly: bool = False, now: datetime | None = None) -> Self:
        """Open the database at `path`, made and brought up to date where it is opened for writing."""
        try:
            db = connect_reader(path) if readonly else connect_writer(path)
            if readonly:
                _check_layout(db)
            else:
                migrate(db, now)
        except sqlite3.Error as error:
            raise told(error) from error
        return cls(db)

    def close(self) -> None:
        """Close the connection; an open transaction is lost."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def mark_served(self, time: datetime) -> None:
        """Note that a service has used this home since `time`: `replay` refuses it from now on."""
        with self.transaction():
            self._set_fact("served", self._fact("served") or to_us(time))

    def was_served(self) -> bool:
        """True where a service has ever used this home."""
        return bool(self._fact("served"))


def _check_layout(db: sqlite3.Connection) -> None:
    version = layout(db)
    if version < len(MIGRATIONS):
        raise StoreError(
            f"the database has layout {version}, this drymon reads {len(MIGRATIONS)}: "
            "start `drymon serve` of this version once, it brings it up to date"
        )
