"""A room's record on a PostgreSQL server that rooms share: a schema of its own, with the tables of the file."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Self

import drymon
from drymon.errors import StoreError
from drymon.messages.settings import Server
from drymon.store.codec import maybe_us
from drymon.store.dialect import table_sql
from drymon.store.engine import Connection
from drymon.store.lock import InUse
from drymon.store.schema import MIGRATION_TABLE, MIGRATIONS, Migration, check_known

if TYPE_CHECKING:
    from drymon.store.postgres import PostgresConnection

_SIZE = """
    SELECT coalesce(sum(pg_total_relation_size(pg_class.oid)), 0) FROM pg_class
    JOIN pg_namespace ON pg_namespace.oid = relnamespace WHERE nspname = ? AND relkind = 'r'
"""
_SERVES = "hashtextextended(?, 1)"
_HOLDER = f"""
    SELECT application_name, coalesce(host(client_addr), 'this machine'), activity.pid FROM pg_locks
    JOIN pg_stat_activity AS activity ON activity.pid = pg_locks.pid
    WHERE locktype = 'advisory' AND granted AND objsubid = 1
    AND pg_locks.database = (SELECT oid FROM pg_database WHERE datname = current_database())
    AND (classid::bigint << 32 | objid::bigint) = {_SERVES}
"""

_HELD = f"""
    SELECT EXISTS (SELECT 1 FROM pg_locks WHERE locktype = 'advisory' AND granted AND objsubid = 1
    AND database = (SELECT oid FROM pg_database WHERE datname = current_database())
    AND (classid::bigint << 32 | objid::bigint) = {_SERVES})
"""


class NothingYet(StoreError):
    """The room has no tables on its server yet."""


def schema_of(room: str) -> str:
    """The name of a room's schema."""
    return f"drymon-{room}"


HALF_COPIED = "half-copied"
"""A fact that stands while a copy into the room is not whole."""


def connect(server: Server, *, readonly: bool = False) -> "PostgresConnection":
    """A connection to the room's schema, which need not be there yet. Raises EngineError, or StoreError where the
    driver is not installed.
    """
    try:
        from drymon.store.postgres import PostgresConnection
    except ImportError as error:
        raise StoreError(
            f"[store] url names a PostgreSQL server, and its driver is not installed ({error}): "
            "pip install 'drymon[postgres]'"
        ) from error
    return PostgresConnection.open(server.url, schema_of(server.room), readonly=readonly)


def open_reader(server: Server) -> "PostgresConnection":
    """A connection that cannot write."""
    db = connect(server, readonly=True)
    try:
        version = layout(db)
        if not version:
            raise NothingYet(f"no room {server.room} at {server.url} yet: `drymon serve` or `drymon replay` makes it")
        if version < len(MIGRATIONS):
            raise StoreError(
                f"the room's tables have layout {version}, this drymon reads {len(MIGRATIONS)}: "
                "start `drymon serve` of this version once, it brings them up to date"
            )
    except StoreError:
        db.close()
        raise
    return db


def open_writer(server: Server, now: datetime | None, *, alone: bool = False) -> "PostgresConnection":
    """A connection that writes; tables are made, and brought up to date.

    alone: as the one process that may; InUse where another is. It lets go when it closes, or when either end finds the
    other one gone.
    """
    db = connect(server)
    try:
        if alone:
            _elect(db)
        migrate(db, now)
    except StoreError:
        db.close()
        raise
    return db


def is_there(server: Server) -> bool:
    """Whether the room has tables on its server."""
    db = connect(server, readonly=True)
    try:
        return layout(db) > 0
    finally:
        db.close()


def is_held(server: Server) -> bool:
    """Whether a process is the one that may write to the room."""
    with Lookout(server) as lookout:
        return lookout.is_held()


def held(db: Connection, room: str) -> bool:
    """The same, asked through a connection to the server."""
    row = db.row(_HELD, (f"{schema_of(room)} serves",))
    return bool(row and row[0])


class Lookout:
    """Looks again and again whether a process may write to the room, through one connection that stays open."""

    def __init__(self, server: Server) -> None:
        self._server = server
        self._db: PostgresConnection | None = None

    def is_held(self) -> bool:
        """EngineError, gone, where the server cannot be reached; the next look connects anew."""
        self._db = self._db or connect(self._server, readonly=True)
        try:
            return held(self._db, self._server.room)
        except StoreError:
            self.close()
            raise

    def close(self) -> None:
        """Look no more, until asked again."""
        if self._db is not None:
            self._db.close()
            self._db = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@dataclass(frozen=True, slots=True)
class About:
    """What a server says of itself and of the room. version: such as `15.8`; durable: a commit is on its disk when it
    says so; size: bytes of the room's tables, None where there are none yet.
    """

    version: str
    durable: bool
    size: int | None


def about(server: Server) -> About:
    """Ask it; EngineError where it cannot be reached, StoreError where the room's tables are not this drymon's."""
    db = connect(server, readonly=True)
    try:
        version, fsync = db.row("SELECT current_setting('server_version'), current_setting('fsync')") or ("", "")
        size = db.row(_SIZE, (db.schema,)) if layout(db) else None
        return About(str(version).split()[0], fsync == "on", int(size[0]) if size else None)
    finally:
        db.close()


def set_aside(db: "PostgresConnection", now: datetime) -> str:
    """Give the room's tables another name, and begin anew; that name."""
    name = f"{db.schema}-{now:%Y%m%dT%H%M%S}"
    db.script(f'ALTER SCHEMA {db.quoted} RENAME TO "{name}"')
    migrate(db, now)
    return name


def layout(db: "PostgresConnection") -> int:
    """The number of migrations the room has seen; StoreError where its schema is not drymon's, or of a newer one."""
    tables = {
        str(name) for (name,) in db.rows("SELECT tablename::text FROM pg_tables WHERE schemaname = ?", (db.schema,))
    }
    if "migration" not in tables:
        if tables:
            raise StoreError(
                f"the schema {db.schema} of that database is not one of drymon: give the room another name"
            )
        return 0
    newest = db.row("SELECT version, drymon FROM migration ORDER BY version DESC LIMIT 1") or (0, "")
    return check_known(*newest)


def migrate(db: "PostgresConnection", now: datetime | None, steps: Sequence[Migration] = MIGRATIONS) -> None:
    """Bring the room's tables up to the last of `steps`: all of the steps, or none."""
    if layout(db) == len(steps):
        return
    db.begin()
    try:
        version = layout(db)  # another process may just have done it
        if not version:
            db.script(f"CREATE SCHEMA IF NOT EXISTS {db.quoted}", table_sql(MIGRATION_TABLE))
        for number, step in enumerate(steps[version:], version + 1):
            db.script(*map(table_sql, step.statements.strip().removesuffix(";").split(";\n")))
            row = (number, step.name, drymon.__version__, maybe_us(now))
            db.execute("INSERT INTO migration VALUES (?, ?, ?, ?)", row)
        db.commit()
    except BaseException:  # raised on, whatever it is: half a migration must not stay
        db.roll_back()
        raise


def _elect(db: "PostgresConnection") -> None:
    key = (f"{db.schema} serves",)
    (mine,) = db.row(f"SELECT pg_try_advisory_lock({_SERVES})", key) or (False,)
    if not mine:
        name, host, process = _holder(db) or ("a drymon that has just gone", "", 0)
        raise InUse(
            f"the room {db.schema.removeprefix('drymon-')} is in use by another drymon ({name} at {host}, server "
            f"process {process}): stop that one first"
        )


def _holder(db: "PostgresConnection") -> tuple[str, str, int] | None:
    row = db.row(_HOLDER, (f"{db.schema} serves",))
    return None if row is None else (str(row[0]), str(row[1]), int(row[2]))
