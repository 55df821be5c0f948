"""Roll-ups by the minute and the hour.

Each reading on record is added to its minute and its hour once, in the transaction that moves `rolled_to` beyond its
id. Sums are exact, so a row does not depend on the order or lateness of its readings, and a late one is added to a row
whose other readings have been cleared away. What makes a reading a repeat is decided before, where it is recorded.
Doubted readings, and retained ones of unknown age, are in no roll-up.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from drymon.shop.facts.sensor_state import SensorState
from drymon.store.buckets import HOUR, MINUTE, Bucket, Heap, Key, by_hour, gathered
from drymon.store.codec import from_us, to_us, within
from drymon.store.engine import Connection, Row
from drymon.store.flags import COUNTED, RETAINED, TIMED
from drymon.store.history import ROLLED_TO, UNDOUBTED, Channel, History

ROLL_AT_ONCE = 5_000

CLEARED_TO = "tidied_to"
"""Fact: readings measured before it may be cleared away; a whole hour."""
GONE_BEFORE: Mapping[str, str] = {"minute": "minutes_to", "hour": "hours_to"}
"""Facts: rows of a table of roll-ups that begin before it count as cleared away; a whole hour."""

_EVIDENCE = f"(reading.flags & {RETAINED} = 0 OR reading.flags & {TIMED} <> 0) AND {UNDOUBTED}"
_COLUMNS = "low, mean, high, count, rest"
_INSERT = f"INSERT INTO %s (channel, start, {_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)"
_INSTEAD = (
    "ON CONFLICT (channel, start) DO UPDATE SET low = excluded.low, mean = excluded.mean, "
    "high = excluded.high, count = excluded.count, rest = excluded.rest"
)
_FOLD = "min(low), sum(mean * count) / sum(count), max(high), sum(count)"


class RollUps(History):
    """The part of the store that condenses."""

    def __init__(self, db: Connection) -> None:
        super().__init__(db)
        self._known_cleared_to: int | None = None

    def roll_up(self, now: datetime) -> None:
        """Take all readings that arrived before the current minute into the roll-ups."""
        upto = self._first_arrived("reading", from_us(to_us(now) // MINUTE * MINUTE)) - 1
        if upto < 0:  # the clock has stepped back at some time, so arrival says nothing
            upto = (self._row("SELECT coalesce(max(id), 0) FROM reading") or (0,))[0]
        done = self._fact(ROLLED_TO)
        while done < upto:
            with self.transaction():
                last, done = done, min(done + ROLL_AT_ONCE, upto)
                self._roll(last, done)
                self._set_fact(ROLLED_TO, done)

    def series(self, channel: Channel, from_: datetime, to: datetime, step: timedelta) -> Iterator[Bucket]:
        """Buckets of `step`, aligned to 1970, that begin in from_ <= start < to (the first may begin before from_).

        Read from the hours or minutes where `step` is a multiple of them, and for readings younger than the last
        roll-up, or a finer step, from the readings themselves.
        """
        width = step // timedelta(microseconds=1)
        if width <= 0:
            raise ValueError(f"step {step}: give a positive one")
        found = self._row("SELECT id FROM channel WHERE place = ? AND quantity = ? AND sensor = ?", channel)
        if found is None:
            return iter(())
        low, high = to_us(from_) // width * width, to_us(to)
        table = "hour" if width % HOUR == 0 else "minute" if width % MINUTE == 0 else ""
        rows = self._folded(table, {"channel": found[0], "low": low, "high": high, "width": width})
        return (Bucket(from_us(row[0]), *row[1:]) for row in rows)

    def rolled_up(
        self, hours: bool, from_: datetime | None = None, to: datetime | None = None
    ) -> Iterator[tuple[Channel, Bucket]]:
        """The roll-ups by the hour, or by the minute, with from_ <= start < to: channel by channel, by time."""
        table = "hour" if hours else "minute"
        where, values = within("start", from_, to)
        query = f"SELECT start, low, mean, high, count FROM {table} WHERE channel = ? AND start >= ? AND {where}"
        numbered = list(self._rows("SELECT id, place, quantity, sensor FROM channel ORDER BY place, quantity, sensor"))
        since = self._fact(GONE_BEFORE[table])
        for number, *names in numbered:
            channel = Channel(*names)
            for start, *seen in self._rows(f"{query} ORDER BY start", [number, since, *values]):
                yield channel, Bucket(from_us(start), *seen)

    def finest_step(self, at: datetime) -> timedelta:
        """The finest step in which the air of that time can still be read: a minute, or once those are gone an hour."""
        return timedelta(hours=1) if to_us(at) < self._fact(GONE_BEFORE["minute"]) else timedelta(minutes=1)

    def flag_readings(self, channel: Channel, first: datetime, last: datetime, code: SensorState) -> None:
        """Doubt the channel's readings from first to last, ends included; they leave the roll-ups, but for those that
        have been cleared away.

        Spans of one code that meet become one.
        """
        start, end = to_us(first), to_us(last)
        with self.transaction():
            number = self._channel_id(*channel)
            of_span = "FROM doubt WHERE channel = ? AND code = ? AND last >= ? AND first <= ?"
            values = (number, code, start, end)
            spans = list(self._rows(f"SELECT first, last {of_span}", values))
            if any(known[0] <= start and end <= known[1] for known in spans):
                return
            self._db.execute(f"DELETE {of_span}", values)
            union = min([start, *(first for first, _ in spans)]), max([end, *(last for _, last in spans)])
            self._db.execute(
                "INSERT INTO doubt (channel, code, first, last) VALUES (?, ?, ?, ?)", (*values[:2], *union)
            )
            # A sensor that stays stuck extends its span again and again: only the new part needs rolling.
            start = max([start, *(last for first, last in spans if first <= start)])
            self._roll_again(number, start, end)

    def _cleared_to(self) -> int:
        """Readings measured before it may have been cleared away. Asked for each reading that comes, so remembered."""
        if self._known_cleared_to is None:
            self._known_cleared_to = self._fact(CLEARED_TO)
        return self._known_cleared_to

    def _forget(self) -> None:
        super()._forget()
        self._known_cleared_to = None

    def _folded(self, table: str, values: dict[str, Any]) -> list[Row]:
        """Rows of start, low, mean, high, count. Asked again where a roll-up came between its two questions."""
        while True:
            gone, rolled = (self._fact(GONE_BEFORE[table]), self._fact(ROLLED_TO)) if table else (0, 0)
            # The plus keeps the index on time out of it: of a long span it would find nearly all readings there are.
            time = "+reading.time" if table else "reading.time"
            parts = (
                "SELECT reading.time AS start, value AS low, value AS mean, value AS high, 1 AS count FROM reading "
                f"WHERE channel = :channel AND reading.id > :rolled_to AND {time} >= :low AND {time} < :high "
                f"AND reading.flags & {COUNTED if table else 0} = 0 AND {_EVIDENCE}"
            )
            if table:
                rolled_up = f"SELECT start, low, mean, high, count FROM {table} WHERE channel = :channel"
                parts = f"{rolled_up} AND start >= :since AND start < :high UNION ALL {parts}"
            rows = self._rows(
                f"SELECT start / :width * :width AS bucket, {_FOLD} FROM ({parts}) AS part "
                "GROUP BY bucket ORDER BY bucket",
                {**values, "rolled_to": rolled, "since": max(values["low"], gone)},
            )
            found = list(rows)
            if not table or rolled == self._fact(ROLLED_TO):
                return found

    def _roll(self, after: int, upto: int) -> None:
        new = self._minutes_of(f"reading.id > ? AND reading.id <= ? AND reading.flags & {COUNTED} = 0", (after, upto))
        for table, heaps in (("hour", by_hour(new)), ("minute", new)):
            self._add_to(table, heaps)
        self._db.execute(
            "UPDATE channel SET latest = new.time FROM (SELECT channel, max(time) AS time FROM reading "
            "WHERE id > :after AND id <= :upto GROUP BY channel) AS new "
            "WHERE channel.id = new.channel AND new.time > channel.latest",
            {"after": after, "upto": upto},
        )

    def _roll_again(self, channel: int, first: int, last: int) -> None:
        """The buckets of one channel from first to last, made anew without what is doubted now."""
        begin, end = max(first // MINUTE * MINUTE, self._cleared_to()), last // MINUTE * MINUTE + MINUTE
        if begin >= end:
            return
        rolled = f"(reading.id <= ? OR reading.flags & {COUNTED} <> 0)"
        mine = "reading.channel = ? AND reading.time >= ? AND reading.time < ?"
        minutes = self._minutes_of(f"{mine} AND {rolled}", (channel, begin, end, self._fact(ROLLED_TO)))
        self._replace("minute", (channel, begin, end), minutes)
        hours = channel, begin // HOUR * HOUR, -(-end // HOUR) * HOUR
        query = f"SELECT start, {_COLUMNS} FROM minute WHERE channel = ? AND start >= ? AND start < ?"
        minutes = {(channel, start): Heap.of_row(*row) for start, *row in self._rows(query, hours)}
        self._replace("hour", hours, by_hour(minutes))

    def _minutes_of(self, where: str, values: Sequence[Any]) -> dict[Key, Heap]:
        return gathered(
            self._rows(
                f"SELECT reading.channel, time / {MINUTE} * {MINUTE}, value FROM reading WHERE {where} AND {_EVIDENCE}",
                values,
            )
        )

    def _add_to(self, table: str, heaps: Mapping[Key, Heap]) -> None:
        """Add to the rows that are there. Those that count as cleared away would begin anew, without the rest."""
        since = self._fact(GONE_BEFORE[table])
        kept = {key: heap for key, heap in heaps.items() if key[1] >= since}
        for key, heap in kept.items():
            row = self._row(f"SELECT {_COLUMNS} FROM {table} WHERE channel = ? AND start = ?", key)
            if row is not None:
                heap.add(Heap.of_row(*row))
        self._write(table, kept, _INSTEAD)

    def _replace(self, table: str, span: tuple[int, int, int], heaps: Mapping[Key, Heap]) -> None:
        self._db.execute(f"DELETE FROM {table} WHERE channel = ? AND start >= ? AND start < ?", span)
        self._write(table, heaps)

    def _write(self, table: str, heaps: Mapping[Key, Heap], instead: str = "") -> None:
        rows: Iterable[Row] = ((*key, *heap.row()) for key, heap in heaps.items())
        self._db.execute_many(f"{_INSERT % table} {instead}".rstrip(), rows)
