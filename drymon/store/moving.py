"""A room's record from a file into the database that rooms share. What was stopped on the way goes on from there."""

import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from datetime import datetime
from itertools import islice
from pathlib import Path

from drymon.errors import StoreError
from drymon.messages.settings import Server
from drymon.store.backup import check_fit
from drymon.store.crossing import inserting, tables_of
from drymon.store.engine import Connection
from drymon.store.opening import connect_reader, connect_writer, layout, migrate
from drymon.store.schema import MIGRATIONS
from drymon.store.server import HALF_COPIED, open_writer, set_aside
from drymon.store.sqlite import SqliteConnection

AT_ONCE = 5000
"""Rows a transaction."""
GROWING = ("topic", "message", "reading", "refused", "verdict", "alert", "alarm_log", "event", "audit", "calibration")
"""Tables whose rows stay as they are: they go on from the last one that is there. The others are replaced."""

Say = Callable[[str], None]


def move(file: Path, server: Server, now: datetime, say: Say) -> Mapping[str, int]:
    """Copy the record in `file`, which nobody writes to, into the room's place on the server; rows by table, compared.

    say: how far it is, in words. StoreError where the room has a record of its own there; InUse where it is served.
    """
    with _opened(file) as source, closing(open_writer(server, now, alone=True)) as target:
        half = "SELECT 1 FROM fact WHERE name = ?"
        if not target.row(half, (HALF_COPIED,)):
            if _has_record(source, target):
                raise StoreError(
                    f"the room {server.room} at {server.url} has a record of its own, which is left alone: to put a "
                    "backup in its place use `drymon restore` with a home whose [store] names it"
                )
            target.execute("INSERT INTO fact VALUES (?, 1)", (HALF_COPIED,))
        return _copied(source, target, say)


def put_in_place(file: Path, server: Server, now: datetime, say: Say) -> str | None:
    """Put the record in `file` in the place of the room's on the server, which stays there under another name; that
    name, None where there was nothing.
    """
    with _opened(file) as source, closing(open_writer(server, now, alone=True)) as target:
        # On one connection, which holds the room: who stands by must not find it free meanwhile.
        aside = set_aside(target, now) if _has_record(source, target) else None
        target.execute("INSERT INTO fact VALUES (?, 1)", (HALF_COPIED,))
        _copied(source, target, say)
    return aside


@contextmanager
def _opened(file: Path) -> Iterator[SqliteConnection]:
    """A sound record of this layout, for reading; of one of an older layout a copy that is brought up to date."""
    check_fit(file)
    with closing(connect_reader(file)) as source:
        if layout(source) == len(MIGRATIONS):
            yield source
            return
    with tempfile.TemporaryDirectory(dir=file.parent) as folder:
        copy = Path(folder) / file.name
        with closing(connect_reader(file)) as source:
            source.copy_into(copy)
        with closing(connect_writer(copy)) as source:
            migrate(source, None)
            yield source


def _has_record(source: SqliteConnection, target: Connection) -> bool:
    names = (name for name, _ in tables_of(source) if name != "migration")
    return any(target.row(f'SELECT 1 FROM "{name}" LIMIT 1') for name in names)


def _copied(source: SqliteConnection, target: Connection, say: Say) -> Mapping[str, int]:
    tables = {name: columns for name, columns in tables_of(source) if name != "migration"}
    for name in GROWING:
        _append(source, target, name, tables[name], say)
    _replace(source, target, {name: columns for name, columns in tables.items() if name not in GROWING}, say)
    for name in _unlike(source, target, GROWING):  # what was there before has been cleared away at the source since
        target.execute(f'DELETE FROM "{name}"')
        _append(source, target, name, tables[name], say)
    if unlike := _unlike(source, target, tables):
        raise StoreError(f"the copy has other rows than its source in {', '.join(unlike)}: run the same command again")
    return {name: _count(source, name) for name in tables}


def _append(source: Connection, target: Connection, name: str, columns: str, say: Say) -> None:
    last = (target.row(f'SELECT coalesce(max(id), 0) FROM "{name}"') or (0,))[0]
    rows = source.rows(f'SELECT {columns} FROM "{name}" WHERE id > ? ORDER BY id', (last,))
    done = 0
    while some := list(islice(rows, AT_ONCE)):
        target.begin()
        try:
            target.execute_many(inserting(name, columns), some)
            target.commit()
        except BaseException:  # raised on, whatever it is: what is not whole must not stay
            target.roll_back()
            raise
        done += len(some)
        say(f"{name}: {done} rows")


def _replace(source: Connection, target: Connection, tables: Mapping[str, str], say: Say) -> None:
    """All in one transaction, for they refer to each other; among them goes the mark that the copy is not whole."""
    target.begin()
    try:
        for name in reversed(list(tables)):
            target.execute(f'DELETE FROM "{name}"')
        for name, columns in tables.items():
            target.execute_many(inserting(name, columns), source.rows(f'SELECT {columns} FROM "{name}"'))
            say(f"{name}: copied")
        target.commit()
    except BaseException:  # raised on, whatever it is: half of them would contradict the rest
        target.roll_back()
        raise


def _unlike(source: Connection, target: Connection, names: "Mapping[str, str] | tuple[str, ...]") -> list[str]:
    return [name for name in names if _count(source, name) != _count(target, name)]


def _count(db: Connection, name: str) -> int:
    return int((db.row(f'SELECT count(*) FROM "{name}"') or (0,))[0])
