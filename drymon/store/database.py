"""What all parts of the store stand on: the connection and its transactions."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from drymon.errors import StoreError
from drymon.store.engine import Connection, Row, Values, upsert


class Database:
    """One connection with its transactions. Belongs to the thread that opened it."""

    def __init__(self, db: Connection) -> None:
        self._db = db
        self._depth = 0
        self._spoiled = False
        self._topics: dict[str, int] = {}
        self._channels: dict[tuple[str, str, str], int] = {}

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing, on disk when it ends. Inside another it joins it; a failure inside spoils all.

        Raises StoreError where the commit fails; nothing of the transaction is stored then.
        """
        if self._depth:
            try:
                yield
            except BaseException:  # raised on, whatever it is: the outer transaction must not commit half of it
                self._spoiled = True
                raise
            return
        self._db.begin()
        self._depth, self._spoiled = 1, False
        try:
            yield
            if self._spoiled:
                raise StoreError("a step of this transaction failed, so nothing of it is stored: begin it again")
            self._flush()
            self._db.commit()
            self._settle()
        except BaseException:  # raised on, whatever it is: half a transaction must not stay
            self._roll_back()
            raise
        finally:
            self._depth = 0

    def _flush(self) -> None:
        """What is gathered during a transaction and written once, at its end."""

    def _settle(self) -> None:
        """What may be told once the transaction is on disk."""

    def _forget(self) -> None:
        """What was remembered of the database may be untrue after a roll-back."""
        self._topics.clear()
        self._channels.clear()

    def _roll_back(self) -> None:
        self._forget()
        self._db.roll_back()

    def _rows(self, sql: str, values: Values = ()) -> Iterator[Row]:
        return self._db.rows(sql, values)

    def _row(self, sql: str, values: Values = ()) -> Row | None:
        return self._db.row(sql, values)

    def _fact(self, name: str, default: int = 0) -> int:
        row = self._row("SELECT value FROM fact WHERE name = ?", (name,))
        return default if row is None else int(row[0])

    def _set_fact(self, name: str, value: int) -> None:
        self._db.send(upsert("fact", "name, value", "name"), (name, value))

    def _topic_id(self, name: str) -> int:
        known = self._topics.get(name)
        if known is None:
            known = self._named("topic", ("name",), (name,))
            if len(self._topics) > 10_000:
                self._topics.clear()
            self._topics[name] = known
        return known

    def _channel_id(self, place: str, quantity: str, sensor: str) -> int:
        key = (place, quantity, sensor)
        known = self._channels.get(key)
        if known is None:
            known = self._channels[key] = self._named("channel", ("place", "quantity", "sensor"), key)
        return known

    def _named(self, table: str, columns: Sequence[str], key: Sequence[str]) -> int:
        """The id of the row with this key, made where there is none yet."""
        where = " AND ".join(f"{column} = ?" for column in columns)
        row = self._row(f"SELECT id FROM {table} WHERE {where}", key)
        if row is None:
            holes = ", ".join("?" * len(columns))
            return self._db.insert(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({holes})", key)
        return int(row[0])
