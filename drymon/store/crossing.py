"""All rows of a room from one engine into another."""

from contextlib import closing
from pathlib import Path

from drymon.store.engine import Connection
from drymon.store.opening import PAGE_SIZE, migrate
from drymon.store.sqlite import SqliteConnection


def into_file(source: Connection, file: Path) -> None:
    """Make a new SQLite file of all that `source` has: within one transaction of it, so that all is of one moment."""
    settings = (
        f"page_size = {PAGE_SIZE}",
        "journal_mode = DELETE",
        "synchronous = OFF",
    )  # it is synced when it is whole
    with closing(SqliteConnection.open(file, "mode=rwc", settings)) as target:
        migrate(target, None)
        target.begin()
        target.execute("DELETE FROM migration")
        for name, columns in tables_of(target):
            target.execute_many(inserting(name, columns), source.rows(f'SELECT {columns} FROM "{name}"'))
        target.commit()


def tables_of(file: SqliteConnection) -> list[tuple[str, str]]:
    """The tables of a file, those that others refer to first, each with its columns."""
    names = file.rows("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%'")
    return [(str(name), _columns(file, name)) for (name,) in list(names)]


def _columns(file: SqliteConnection, table: str) -> str:
    return ", ".join(f'"{name}"' for (name,) in file.rows("SELECT name FROM pragma_table_info(?)", (table,)))


def inserting(table: str, columns: str) -> str:
    """The statement that adds a row with these columns."""
    return f'INSERT INTO "{table}" ({columns}) VALUES ({", ".join("?" * len(columns.split(", ")))})'
