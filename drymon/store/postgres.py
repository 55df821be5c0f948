"""PostgreSQL behind the store: the only module that knows its library. Imported only where room.toml asks for it."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Self

import psycopg
from psycopg import ClientCursor, Cursor
from psycopg.adapt import AdaptersMap
from psycopg.conninfo import conninfo_to_dict, make_conninfo
from psycopg.pq import TransactionStatus
from psycopg.sql import Identifier
from psycopg.types.numeric import Int8Dumper
from psycopg.types.string import StrDumperUnknown, TextLoader

from drymon.store.dialect import escaped, psycopg_sql, unescaped
from drymon.store.engine import EngineError, Row, Values
from drymon.store.server_words import LOST, failed, refused

CHUNK = 1000
BUSY_S = 10
STATEMENTS = 500
"""Prepared at most: more than the store has."""
UNSENT = 500
"""Statements that are gathered at most, to go over the wire together."""
LOST_AFTER_S = 10
"""Seconds after which this end gives up a server that is silent."""
GIVEN_UP_AFTER_S = 18
"""Seconds after which the server gives up this end, and with it the room: later, so that whoever served has stopped."""

_CONNECTING: dict[str, Any] = {
    "connect_timeout": 10,
    "keepalives": 1,
    "keepalives_idle": 4,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": LOST_AFTER_S * 1000,
    "client_encoding": "UTF8",
}
_SETTINGS = (
    "SET synchronous_commit = on",
    f"SET lock_timeout = '{BUSY_S}s'",
    "SET idle_in_transaction_session_timeout = 0",
    "SET statement_timeout = 0",
    "SET tcp_keepalives_idle = 6",
    "SET tcp_keepalives_interval = 4",
    "SET tcp_keepalives_count = 3",
    f"SET tcp_user_timeout = {GIVEN_UP_AFTER_S * 1000}",
)
_NUMBERED = """
    SELECT relname::text, attname::text FROM pg_attribute JOIN pg_class ON pg_class.oid = attrelid
    JOIN pg_namespace ON pg_namespace.oid = relnamespace WHERE nspname = ? AND attidentity <> ''
"""
_SMALLEST, _LARGEST = -(2**63), 2**63 - 1


class _Whole(Int8Dumper):
    """Every whole number is of 64 bits, so that equal statements are prepared once; larger ones are refused here."""

    def dump(self, obj: Any) -> bytes:
        if not _SMALLEST <= obj <= _LARGEST:
            raise OverflowError(f"whole number {obj} is too large for a database")
        return b"%d" % obj


class _Text(StrDumperUnknown):
    def dump(self, obj: Any) -> Any:
        return super().dump(escaped(obj))


class _ReadText(TextLoader):
    def load(self, data: Any) -> str:
        return unescaped(str(data, "utf-8"))


class _ReadSum(TextLoader):
    """A sum of whole numbers, which PostgreSQL gives more room than they have."""

    def load(self, data: Any) -> Any:
        text = str(data, "ascii")
        return int(text) if text.lstrip("-").isdigit() else float(text)


def _adapters() -> AdaptersMap:
    adapters = AdaptersMap(psycopg.adapters)
    for whole in (int, bool):
        adapters.register_dumper(whole, _Whole)
    adapters.register_dumper(str, _Text)
    adapters.register_loader("text", _ReadText)
    adapters.register_loader("numeric", _ReadSum)
    return adapters


class _Rows:
    """What is left of a query: a cursor on the server, or, once its transaction had to end, the rows themselves."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.left: list[Row] | None = None
        self.undone = False


class PostgresConnection:
    """One connection to one room's schema; `pg` is the library's own. Where it is lost it stays so: open another."""

    def __init__(self, pg: "psycopg.Connection[Row]", schema: str) -> None:
        self.pg, self.schema = pg, schema
        self._writing = False
        self._unsent: list[tuple[bytes, Values]] = []
        self._numbers_astray = True
        self._reading: dict[str, _Rows] = {}
        self._names = 0

    @classmethod
    def open(cls, url: str, schema: str, *, readonly: bool = False) -> Self:
        """Connect. url: libpq's; a password comes from ~/.pgpass or the file that PGPASSFILE names."""
        try:
            given = conninfo_to_dict(url)
            info = make_conninfo(url, **{key: value for key, value in _CONNECTING.items() if key not in given})
            name = str(given.get("application_name") or schema)
            pg = psycopg.connect(info, autocommit=True, context=_Context(), prepare_threshold=2, application_name=name)
        except psycopg.Error as error:
            raise _refused(error, url) from error
        pg.prepared_max = STATEMENTS
        made = cls(pg, schema)
        try:
            made.script(*_SETTINGS, f"SET search_path = {made.quoted}")
            if readonly:
                made.script("SET default_transaction_read_only = on")
            encoding = (made.row("SHOW server_encoding") or ("",))[0]
            if encoding != "UTF8":
                what = f"the database keeps text as {encoding}"
                raise EngineError(
                    what, "server_encoding", "make it anew with createdb --encoding=UTF8 --template=template0"
                )
        except EngineError:
            made.close()
            raise
        return made

    @property
    def quoted(self) -> str:
        """The schema's name, as a statement has it."""
        return Identifier(self.schema).as_string(self.pg)

    def script(self, *statements: str) -> None:
        """Carry out statements without values, as they are."""
        self._send_on()
        try:
            self.pg.execute("; ".join(statements).encode())
        except psycopg.Error as error:
            raise self._told(error) from error

    def execute(self, sql: str, values: Values = ()) -> int:
        """Carry out one statement; how many rows it changed."""
        return self._run(sql, values).rowcount

    def send(self, sql: str, values: Values = ()) -> None:
        """Carry out one statement of a transaction, with others that nobody needs an answer to: a message's way to the
        server and back would else be gone for each. They go before the next statement that is answered.
        """
        self._unsent.append((psycopg_sql(sql).encode(), values))
        if not self._writing or len(self._unsent) >= UNSENT:
            self._send_on()

    def execute_many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        """Carry out one statement for each row of values."""
        self._send_on()
        try:
            with self.pg.cursor() as cursor:
                cursor.executemany(psycopg_sql(sql).encode(), rows)
        except psycopg.Error as error:
            raise self._told(error) from error

    def insert(self, sql: str, values: Values = ()) -> int:
        """Add one row to a table that numbers its rows; the number it got."""
        row = self.row(f"{sql} RETURNING id", values)
        return int(row[0]) if row else 0

    def rows(self, sql: str, values: Values = ()) -> Iterator[Row]:
        """The rows that a query finds, fetched in chunks: a year of readings never sits in memory."""
        self._names += 1
        rows = _Rows(f"rows_{self._names}")
        alone = self.pg.info.transaction_status == TransactionStatus.IDLE
        begin = "BEGIN READ ONLY; " if alone else ""
        declare = f"DECLARE {rows.name} NO SCROLL CURSOR FOR {psycopg_sql(sql)}; FETCH {CHUNK} FROM {rows.name}"
        chunk = self._fetched(begin + declare, values)
        self._reading[rows.name] = rows
        try:
            while len(chunk) == CHUNK:
                yield from chunk
                chunk = self._next(rows)
        finally:
            self._end(rows)
        yield from chunk

    def row(self, sql: str, values: Values = ()) -> Row | None:
        """The first row that a query finds."""
        return self._run(sql, values).fetchone()

    def begin(self) -> None:
        """Begin a transaction that may write, or wait until no other of this room does."""
        if self._reading:
            self._let_go_of_readers()
        self._run("BEGIN", ())
        self._writing = True
        try:
            self._run("SELECT pg_advisory_xact_lock(hashtextextended(?, 0))", (f"{self.schema} writes",))
            if self._numbers_astray:
                self._number_on()
        except EngineError:
            self.roll_back()
            raise

    def commit(self) -> None:
        """All of it is on disk when this returns."""
        if self._reading:
            self._fetch_what_is_left()
        done = self._run("COMMIT", ()).statusmessage
        self._writing = False
        if done != "COMMIT":
            raise EngineError("an earlier statement failed", str(done), "nothing of the transaction is stored")

    def roll_back(self) -> None:
        """Nothing of it has been; without a transaction nothing happens."""
        for rows in self._reading.values():
            rows.undone = True
        self._reading.clear()
        self._unsent.clear()
        self._writing, self._numbers_astray = False, True
        if not self.pg.closed and self.pg.info.transaction_status != TransactionStatus.IDLE:
            with suppress(psycopg.Error):  # a connection that is lost has undone it
                self.pg.execute(b"ROLLBACK")

    def copy_into(self, file: Path) -> None:
        """Write all that is committed into a new SQLite file."""
        from drymon.store.crossing import into_file

        self._run("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY", ())
        try:
            into_file(self, file)
        finally:
            self.roll_back()

    def alive(self) -> None:
        """EngineError, gone, where the server no longer answers on this connection."""
        self._run("SELECT 1", ())

    def close(self) -> None:
        """Let go; an open transaction is lost."""
        self.pg.close()

    def _number_on(self) -> None:
        """Rows are numbered on from the last one there is: sequences go on through what is undone, and the numbers of
        rows count them.
        """
        found = self._run(_NUMBERED, (self.schema,)).fetchall()
        for table, column in found:
            name = f"{self.quoted}.{Identifier(table).as_string(self.pg)}"
            newest = f"(SELECT coalesce(max({column}), 0) + 1 FROM {name})"
            self._run(f"SELECT setval(pg_get_serial_sequence(?, ?), {newest}, false)", (name, column))
        self._numbers_astray = False

    def _send_on(self) -> None:
        """Send what was gathered, in its order, and take the answers in together."""
        if not self._unsent:
            return
        unsent, self._unsent = self._unsent, []
        try:
            with self.pg.pipeline():
                for statement, values in unsent:
                    self.pg.execute(statement, values)
        except psycopg.Error as error:
            raise self._told(error) from error

    def _run(self, sql: str, values: Values) -> "Cursor[Row]":
        self._send_on()
        try:
            return self.pg.execute(psycopg_sql(sql).encode(), values)
        except psycopg.Error as error:
            raise self._told(error) from error

    def _fetched(self, script: str, values: Values) -> list[Row]:
        """The rows that the last statement of a script finds; none of it stays half-done."""
        self._send_on()
        cursor = ClientCursor(self.pg)
        try:
            cursor.execute(script.encode(), values)
            while cursor.nextset():
                pass
            return cursor.fetchall()
        except psycopg.Error as error:
            told = self._told(error)
            if not self._writing:
                self.roll_back()
            raise told from error

    def _next(self, rows: _Rows) -> list[Row]:
        if rows.undone:
            raise EngineError("the transaction that these rows were read in was undone", "ROLLBACK", "read them again")
        if rows.left is not None:
            chunk, rows.left = rows.left[:CHUNK], rows.left[CHUNK:]
            return chunk
        return self._fetched(f"FETCH {CHUNK} FROM {rows.name}", ())

    def _end(self, rows: _Rows) -> None:
        if self._reading.pop(rows.name, None) is None or self.pg.closed:
            return
        last = not self._writing and not self._reading
        with suppress(psycopg.Error):
            self.pg.execute(b"COMMIT" if last else f"CLOSE {rows.name}".encode())

    def _fetch_what_is_left(self) -> None:
        """Whoever reads while a transaction ends reads on: from memory, what is left."""
        for rows in self._reading.values():
            rows.left = self._fetched(f"FETCH ALL FROM {rows.name}", ())
        self._reading.clear()

    def _let_go_of_readers(self) -> None:
        self._fetch_what_is_left()
        self._run("COMMIT", ())

    def _told(self, error: psycopg.Error) -> EngineError:
        """The error, with what to do about it."""
        gone = self.pg.closed
        return failed(error.sqlstate or (LOST if gone else type(error).__name__), str(error), gone=gone)


class _Context:
    """Hands the connection its way with types."""

    def __init__(self) -> None:
        self.adapters, self.connection = _ADAPTERS, None


_ADAPTERS = _adapters()


def _refused(error: psycopg.Error, url: str) -> EngineError:
    """Why there is no connection."""
    return refused(url, error.sqlstate, str(error) or type(error).__name__)
