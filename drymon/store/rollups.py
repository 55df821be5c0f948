"""Roll-ups by the minute and the hour, doubts, and what is cleared away when.

A roll-up is computed anew from the readings of its bucket whenever one of them is new or newly doubted, so rolling up
twice changes nothing. Doubted readings, and retained ones of unknown age, are in no roll-up.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from drymon.shop.facts.sensor_state import SensorState
from drymon.store.codec import from_us, to_us
from drymon.store.history import UNDOUBTED, Channel, History
from drymon.store.record import RETAINED, TIMED

KEEP_MESSAGES = timedelta(days=30)
KEEP_READINGS = timedelta(days=90)
KEEP_REPEATS = timedelta(days=90)
"""Verdicts that repeat the state before; changes of state stay for ever, as do log events, alarms and roll-ups."""
ROLL_AT_ONCE = 20_000
_MANY_TOPICS = 10_000

_MINUTE = 60_000_000
_HOUR = 60 * _MINUTE
_COUNTS = f"(reading.flags & {RETAINED} = 0 OR reading.flags & {TIMED} <> 0) AND {UNDOUBTED}"
_OF_READINGS = "min(value), avg(value), max(value), count(*)"
_INSTEAD = (
    "ON CONFLICT (channel, start) DO UPDATE "
    "SET low = excluded.low, mean = excluded.mean, high = excluded.high, count = excluded.count"
)
_FOLD = "min(low), sum(mean * count) / sum(count), max(high), sum(count)"


@dataclass(frozen=True, slots=True)
class Bucket:
    """Lowest, mean and highest value of the `count` readings from `start` on."""

    start: datetime
    low: float
    mean: float
    high: float
    count: int


class RollUps(History):
    """The part of the store that condenses, and clears away."""

    def roll_up(self, now: datetime) -> None:
        """Take all readings that arrived before the current minute into the roll-ups."""
        upto = self._first_arrived("reading", from_us(to_us(now) // _MINUTE * _MINUTE)) - 1
        if upto < 0:  # the clock has stepped back at some time, so arrival says nothing
            upto = (self._row("SELECT coalesce(max(id), 0) FROM reading") or (0,))[0]
        done = self._fact("rolled_to")
        while done < upto:
            with self.transaction():
                last, done = done, min(done + ROLL_AT_ONCE, upto)
                self._roll(last, done)
                self._set_fact("rolled_to", done)

    def series(self, channel: Channel, from_: datetime, to: datetime, step: timedelta) -> Iterator[Bucket]:
        """Buckets of `step`, aligned to 1970, that begin in from_ <= start < to (the first may begin before from_).

        Read from the hours or minutes where `step` is a multiple of them, and for readings younger than the last
        roll-up, or a finer step, from the readings themselves.
        """
        width = step // timedelta(microseconds=1)
        if width <= 0:
            raise ValueError(f"step {step}: give a positive one")
        low, high = to_us(from_) // width * width, to_us(to)
        table = "hour" if width % _HOUR == 0 else "minute" if width % _MINUTE == 0 else ""
        found = self._row("SELECT id FROM channel WHERE place = ? AND quantity = ? AND sensor = ?", channel)
        if found is None:
            return iter(())
        rolled = f"SELECT start, low, mean, high, count FROM {table} WHERE channel = :channel " if table else ""
        raw = (
            "SELECT reading.time AS start, value AS low, value AS mean, value AS high, 1 AS count FROM reading "
            "WHERE channel = :channel AND reading.id > :rolled_to "
            f"AND reading.time >= :low AND reading.time < :high AND {_COUNTS}"
        )
        union = f"{rolled} AND start >= :low AND start < :high UNION ALL {raw}" if table else raw
        values = {
            "channel": found[0],
            "rolled_to": self._fact("rolled_to") if table else 0,
            "low": low,
            "high": high,
            "width": width,
        }
        rows = self._rows(
            f"SELECT start / :width * :width AS bucket, {_FOLD} FROM ({union}) AS part GROUP BY bucket ORDER BY bucket",
            values,
        )
        return (Bucket(from_us(row[0]), *row[1:]) for row in rows)

    def flag_readings(self, channel: Channel, first: datetime, last: datetime, code: SensorState) -> None:
        """Doubt the channel's readings from first to last, ends included; they leave the roll-ups.

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

    def tidy(self, now: datetime, chunk: int = 2000) -> bool:
        """Clear away one chunk of what is older than it is kept; True where more is left, so call again later."""
        self.roll_up(now)
        with self.transaction():
            # Whole hours, so that no bucket is ever computed anew from half of its readings.
            cut = max(to_us(now - KEEP_READINGS) // _HOUR * _HOUR, self._fact("tidied_to"))
            self._set_fact("tidied_to", cut)
            gone = [
                self._clear("message", f"arrived < {to_us(now - KEEP_MESSAGES)}", "id", chunk, scan=True),
                self._clear("reading", f"time < {cut}", "time", chunk),
                self._clear("doubt", f"last < {cut}", "id", chunk),
                self._clear("verdict", f"changed = 0 AND time < {to_us(now - KEEP_REPEATS)}", "id", chunk),
                self._clear("outbox", f"delivered_at < {to_us(now - KEEP_REPEATS)}", "id", chunk),
            ]
            if (self._row("SELECT count(*) FROM topic") or (0,))[0] > _MANY_TOPICS:
                self._db.execute("DELETE FROM topic WHERE id NOT IN (SELECT topic FROM message)")
                self._topics.clear()
        return max(gone) >= chunk

    def _clear(self, table: str, old: str, order: str, chunk: int, *, scan: bool = False) -> int:
        """Delete up to `chunk` old rows. `scan`: look at the first rows only; no index finds the old ones.

        The last row always stays: its id must not be given again, for roll-ups go by ids.
        """
        first = f"(SELECT * FROM {table} ORDER BY {order} LIMIT {chunk}) AS oldest" if scan else table
        which = f"SELECT id FROM {first} WHERE {old} AND id < (SELECT max(id) FROM {table}) "
        limit = "" if scan else f"ORDER BY {order} LIMIT {chunk}"
        return self._db.execute(f"DELETE FROM {table} WHERE id IN ({which} {limit})")

    def _roll(self, after: int, upto: int) -> None:
        values = {"after": after, "upto": upto, "kept": self._fact("tidied_to")}
        new = "FROM reading WHERE id > :after AND id <= :upto AND time >= :kept"
        self._db.execute(
            "INSERT INTO minute (channel, start, low, mean, high, count) "
            f"WITH touched(start) AS (SELECT DISTINCT time / {_MINUTE} * {_MINUTE} {new}) "
            f"SELECT reading.channel, start, {_OF_READINGS} FROM touched CROSS JOIN reading "
            f"WHERE reading.time >= start AND reading.time < start + {_MINUTE} AND reading.id <= :upto "
            f"AND {_COUNTS} GROUP BY reading.channel, start {_INSTEAD}",
            values,
        )
        self._db.execute(
            "INSERT INTO hour (channel, start, low, mean, high, count) "
            f"WITH touched(channel, begin) AS (SELECT DISTINCT channel, time / {_HOUR} * {_HOUR} {new}) "
            f"SELECT minute.channel, begin, {_FOLD} FROM touched CROSS JOIN minute "
            f"WHERE minute.channel = touched.channel AND minute.start >= begin AND minute.start < begin + {_HOUR} "
            f"GROUP BY minute.channel, begin {_INSTEAD}",
            values,
        )
        self._db.execute(
            "UPDATE channel SET latest = new.time FROM (SELECT channel, max(time) AS time FROM reading "
            "WHERE id > :after AND id <= :upto GROUP BY channel) AS new "
            "WHERE channel.id = new.channel AND new.time > channel.latest",
            {"after": after, "upto": upto},
        )

    def _roll_again(self, channel: int, first: int, last: int) -> None:
        """The buckets of one channel from first to last, computed anew without what is doubted now."""
        values = {
            "channel": channel,
            "upto": self._fact("rolled_to"),
            "minute": max(first // _MINUTE * _MINUTE, self._fact("tidied_to")),
            "after_minute": last // _MINUTE * _MINUTE + _MINUTE,
            "hour": first // _HOUR * _HOUR,
            "after_hour": last // _HOUR * _HOUR + _HOUR,
        }
        mine = "channel = :channel AND start >= :minute AND start < :after_minute"
        self._db.execute(f"DELETE FROM minute WHERE {mine}", values)
        self._db.execute(
            f"INSERT INTO minute SELECT channel, time / {_MINUTE} * {_MINUTE} AS bucket, {_OF_READINGS} FROM reading "
            "WHERE channel = :channel AND time >= :minute AND time < :after_minute AND id <= :upto "
            f"AND {_COUNTS} GROUP BY channel, bucket",
            values,
        )
        mine = "channel = :channel AND start >= :hour AND start < :after_hour"
        self._db.execute(f"DELETE FROM hour WHERE {mine}", values)
        self._db.execute(
            f"INSERT INTO hour SELECT channel, start / {_HOUR} * {_HOUR} AS bucket, {_FOLD} FROM minute "
            f"WHERE {mine} GROUP BY channel, bucket",
            values,
        )
