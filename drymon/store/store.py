"""The store of one room: everything that drymon knows, in a file or on a server."""

from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from drymon.errors import StoreError
from drymon.messages.settings import Server, Where
from drymon.store.alarm_rows import Alarms
from drymon.store.backup import backups_folder, copy_out, damage, rescue
from drymon.store.calibrations import Calibrations
from drymon.store.codec import from_us, to_us
from drymon.store.engine import Connection
from drymon.store.images import Images
from drymon.store.opening import connect_reader, connect_writer, layout, migrate
from drymon.store.people import People
from drymon.store.retention import Retention
from drymon.store.schema import MIGRATIONS
from drymon.store.server import HALF_COPIED, held, open_reader, open_writer
from drymon.store.sessions import Sessions
from drymon.store.sqlite import SqliteConnection
from drymon.store.verdicts import Verdicts


class Store(Retention, Verdicts, Alarms, People, Calibrations, Sessions, Images):
    """The database of one room. It belongs to the thread that opened it; others open readers.

    One store of a room may write, in one process (see `alone.only_writer`); any number may read meanwhile.
    note: what opening had to do about a damaged file, for an alarm; None where all was well.
    """

    def __init__(self, db: Connection, note: str | None = None) -> None:
        super().__init__(db)
        self.note = note

    @classmethod
    def open(cls, where: Where, *, readonly: bool = False, now: datetime | None = None, alone: bool = False) -> Self:
        """Open the database in a file, or the room's on a server; for writing it is made, checked, rescued and brought
        up to date as needed.

        now: stamps what opening does. alone: on a server, as the one process that may write to the room.
        Raises StoreError where a file is damaged and no backup is sound, a server cannot be reached or lets nobody in,
        or the database is not drymon's, or is of a newer drymon; InUse where another process is the one.
        """
        if isinstance(where, Server):
            return cls(open_reader(where) if readonly else open_writer(where, now, alone=alone))
        if readonly:
            return cls(_current(connect_reader(where)))
        wrong = damage(where)
        note = rescue(where, wrong, now) if wrong else None
        return cls(_up_to_date(where, now), note)

    def check_reached(self) -> None:
        """StoreError, `gone`, where the database's server can no longer be reached through this store."""
        self._db.alive()

    def is_held(self, server: Server) -> bool:
        """Whether a process is the one that may write to this room, which is on that server; asked through this very
        connection.
        """
        return held(self._db, server.room)

    def let_go(self) -> None:
        """End what is half read; what is half written is lost."""
        self._db.roll_back()

    def close(self) -> None:
        """Close the connection; an open transaction is lost."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def backup(self, target: Path) -> None:
        """Copy the database, as last committed, to `target`: whole and checked, or StoreError and no file."""
        if self._depth:
            raise StoreError("a backup inside a transaction would hold what may yet be undone: end it first")
        copy_out(self._db, target)

    def check_whole(self) -> None:
        """StoreError where a copy of another record into this one was begun and did not come to its end."""
        if self._fact(HALF_COPIED):
            raise StoreError(
                "a copy into this room was begun and is not whole: run the same `drymon backup --to` again"
            )

    def mark_served(self, time: datetime) -> None:
        """Note that a service has used this home since `time`: `replay` refuses it from now on."""
        with self.transaction():
            self._set_fact("served", self._fact("served") or to_us(time))

    def served_since(self) -> datetime | None:
        """When a service first used this home."""
        return from_us(first) if (first := self._fact("served")) else None

    def was_served(self) -> bool:
        """True where a service has ever used this home."""
        return self.served_since() is not None


def _current(db: SqliteConnection) -> SqliteConnection:
    try:
        version = layout(db)
    except StoreError:
        db.close()
        raise
    if version < len(MIGRATIONS):
        db.close()
        raise StoreError(
            f"the database has layout {version}, this drymon reads {len(MIGRATIONS)}: "
            "start `drymon serve` of this version once, it brings it up to date"
        )
    return db


def _up_to_date(path: Path, now: datetime | None) -> SqliteConnection:
    db = connect_writer(path)
    try:
        before = layout(db)
        if 0 < before < len(MIGRATIONS):
            copy_out(db, backups_folder(path) / f"before-layout-{len(MIGRATIONS)}.db")
        migrate(db, now)
    except StoreError:
        db.close()
        raise
    return db
