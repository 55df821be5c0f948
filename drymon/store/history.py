"""What was recorded, read back as drymon's own types. Everything is streamed; nothing here writes but the doubts."""

import heapq
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.shop.facts.events import LogEvent, TankEvent
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.sensor_state import AS_MEASURED, SensorState
from drymon.store.codec import event_of, from_us, to_us, within
from drymon.store.database import Database
from drymon.store.engine import Row
from drymon.store.flags import DUP, QOS_SHIFT, RETAIN, RETAINED, TIMED

ROLLED_TO = "rolled_to"
"""Fact: the id of the last reading that is in the roll-ups."""
REFUSED_TEXT = 1000
"""Bytes of a refused message's topic, and of its reason."""

_READING = (
    "SELECT reading.time, reading.arrived, place, quantity, value, sensor, flags, device, boot, seq, reading.id "
    "FROM reading JOIN channel ON channel.id = reading.channel LEFT JOIN node ON node.id = reading.node"
)
UNDOUBTED = (  # what is only too dry was measured all the same
    "NOT EXISTS (SELECT 1 FROM doubt AS d WHERE d.channel = reading.channel "
    f"AND d.last >= reading.time AND d.first <= reading.time AND d.code NOT IN {tuple(map(str, AS_MEASURED))})"
)
_EVENT = "SELECT time, arrived, kind, tree, event_id, who, body, id, after_reading FROM event"


class Channel(NamedTuple):
    """One sensor's one quantity at one place; `sensor` is "" where the topic names none."""

    place: str
    quantity: str
    sensor: str = ""


@dataclass(frozen=True, slots=True)
class Refused:
    """A message that was not understood. `payload` is its beginning, `size` its length in bytes."""

    time: datetime
    topic: str
    reason: str
    payload: bytes
    size: int


@dataclass(frozen=True, slots=True)
class DoubtedSpan:
    """A span, ends included, in which a channel's readings are not to be believed: too-fast, stuck, ..."""

    channel: Channel
    code: SensorState
    first: datetime
    last: datetime


class History(Database):
    """The part of the store that answers what was."""

    def readings(
        self,
        from_: datetime | None = None,
        to: datetime | None = None,
        place: str | None = None,
        quantity: str | None = None,
        sensor: str | None = None,
        *,
        doubted: bool = True,
    ) -> Iterator[Reading]:
        """Readings with from_ <= time < to, by time; None leaves a side or a name open.

        doubted: False leaves out what `flag_readings` has marked.
        """
        where, values = within("reading.time", from_, to)
        for column, name in (("place", place), ("quantity", quantity), ("sensor", sensor)):
            if name is not None:
                where, values = f"{where} AND {column} = ?", [*values, str(name)]
        if not doubted:
            where = f"{where} AND {UNDOUBTED}"
        rows = self._rows(f"{_READING} WHERE {where} ORDER BY reading.time, reading.id", values)
        return (_reading_of(row) for row in rows)

    def events(
        self, from_: datetime | None = None, to: datetime | None = None, tree: str | None = None
    ) -> Iterator[LogEvent]:
        """Log events with from_ <= time < to, by time."""
        where, values = within("time", from_, to)
        if tree is not None:
            where, values = f"{where} AND tree = ?", [*values, tree]
        return (event_of(row[:8]) for row in self._rows(f"{_EVENT} WHERE {where} ORDER BY time, id", values))

    def tank_events(self) -> Iterator[TankEvent]:
        """What was said of tanks of slurry, what was taken back too, by time."""
        rows = self._rows(f"{_EVENT} WHERE kind IN ('slurry', 'slurry-undo') ORDER BY time, id")
        return (event for row in rows if isinstance(event := event_of(row[:8]), TankEvent))

    def facts(self, since: datetime | None = None) -> Iterator[Reading | LogEvent]:
        """Readings and log events that arrived at or after `since`, in the very order of their arrival."""
        where, values = within("arrived", since, None)
        start = self._first_arrived("reading", since)
        of_reading = f"reading.id >= ? AND {where.replace('arrived', 'reading.arrived')}"
        return self._merged(of_reading, [start, *values], where, values)

    def _merged(
        self, of_reading: str, reading_values: list[Any], of_event: str, event_values: list[Any]
    ) -> Iterator[Reading | LogEvent]:
        """Those readings and log events, in the very order of their arrival."""
        readings = self._rows(f"{_READING} WHERE {of_reading} ORDER BY reading.id", reading_values)
        events = self._rows(f"{_EVENT} WHERE {of_event} ORDER BY id", event_values)
        placed: Iterable[tuple[tuple[int, int], Reading | LogEvent]] = heapq.merge(
            (((row[10], 0), _reading_of(row)) for row in readings),
            (((row[8], row[7]), event_of(row[:8])) for row in events),
            key=lambda pair: pair[0],
        )
        return (fact for _, fact in placed)

    def messages(self, from_: datetime | None = None, to: datetime | None = None) -> Iterator[Message]:
        """The raw messages with from_ <= arrived < to, by time: what a replay plays."""
        where, values = within("arrived", from_, to)
        start = self._first_arrived("message", from_)
        # Where the clock never stepped back, order of arrival is order of time and nothing needs sorting.
        order = "arrived, message.id" if self._fact("arrivals_out_of_order") else "message.id"
        return self._messages(f"message.id >= ? AND {where}", [start, *values], order)

    def _messages(self, where: str, values: list[Any], order: str) -> Iterator[Message]:
        rows = self._rows(
            "SELECT arrived, name, payload, flags, mid, expiry_s FROM message JOIN topic ON topic.id = message.topic "
            f"WHERE {where} ORDER BY {order}",
            values,
        )
        return (_message_of(row) for row in rows)

    def latest_readings(self) -> list[Reading]:
        """The last reading of every channel, by place, quantity and sensor."""
        channels = list(self._rows("SELECT id, latest FROM channel ORDER BY place, quantity, sensor"))
        rolled = self._fact(ROLLED_TO)
        rows = [self._latest(channel, latest, rolled) for channel, latest in channels]
        return [_reading_of(row) for row in rows if row is not None]

    def _latest(self, channel: int, latest: int, rolled: int) -> Row | None:
        """A channel's last reading. latest: the time of the last that is rolled up; 0: none is.

        Of a sensor that has long been silent not all that others said since is looked through.
        """
        newest = f"{_READING} WHERE reading.channel = ?"
        if not latest:
            return self._row(f"{newest} ORDER BY reading.time DESC, reading.id DESC LIMIT 1", (channel,))
        # The plus keeps the order from being looked for in the index on time.
        last = "ORDER BY +reading.time DESC, reading.id DESC LIMIT 1"
        return self._row(f"{newest} AND (reading.id > ? OR reading.time = ?) {last}", (channel, rolled, latest))

    def channels(self) -> list[Channel]:
        """Every channel that was ever heard, by place, quantity and sensor; of some the roll-ups alone are left."""
        rows = self._rows("SELECT place, quantity, sensor FROM channel ORDER BY place, quantity, sensor")
        return [Channel(*row) for row in rows]

    def last_arrival(self) -> datetime | None:
        """When the last message came; None before the first."""
        row = self._row("SELECT arrived FROM message ORDER BY id DESC LIMIT 1")
        return None if row is None else from_us(row[0])

    def tree_names(self) -> list[str]:
        """Every tree that the log names, by name."""
        return [row[0] for row in self._rows("SELECT DISTINCT tree FROM event WHERE tree IS NOT NULL ORDER BY tree")]

    def refused_count(self) -> int:
        """How many messages were refused since the database was made."""
        row = self._row("SELECT max(id) FROM refused")  # the newest stays, and no id is given twice
        return int((row and row[0]) or 0)

    def latest_refused(self, n: int = 20) -> list[Refused]:
        """The last n refused messages, newest first. Older databases have reasons of any length."""
        query = f"SELECT time, topic, substr(reason, 1, {REFUSED_TEXT}), payload, size FROM refused"
        rows = self._rows(f"{query} ORDER BY id DESC LIMIT ?", (n,))
        return [Refused(from_us(row[0]), *row[1:]) for row in rows]

    def doubts(self, from_: datetime | None = None, to: datetime | None = None) -> Iterator[DoubtedSpan]:
        """The doubted spans that overlap from_ <= time < to, by their beginning."""
        low, low_value = within("last", from_, None)
        high, high_value = within("first", None, to)
        rows = self._rows(
            "SELECT place, quantity, sensor, code, first, last FROM doubt JOIN channel ON channel.id = doubt.channel "
            f"WHERE {low} AND {high} ORDER BY first, doubt.id",
            [*low_value, *high_value],
        )
        return (DoubtedSpan(Channel(*row[:3]), SensorState(row[3]), from_us(row[4]), from_us(row[5])) for row in rows)

    def _first_arrived(self, table: str, since: datetime | None) -> int:
        """The lowest row id from which on to look for arrivals at or after `since`: bisection instead of an index."""
        if since is None or self._fact("arrivals_out_of_order"):
            return 0
        return self._boundary(table, "arrived", to_us(since))

    def _boundary(self, table: str, column: str, cut: int) -> int:
        """A row id before which the last row is from before `cut`: the only such, where the column never falls."""
        # Asked for together, the lowest and the highest would be looked for in all rows.
        ends = f"coalesce((SELECT min(id) FROM {table}), 0), coalesce((SELECT max(id) FROM {table}), 0) + 1"
        low, high = self._row(f"SELECT {ends}") or (0, 0)
        while low < high:
            middle = (low + high) // 2
            row = self._row(f"SELECT {column} FROM {table} WHERE id >= ? ORDER BY id LIMIT 1", (middle,))
            if row is None or row[0] >= cut:
                high = middle
            else:
                low = middle + 1
        return int(low)


def _reading_of(row: Sequence[Any]) -> Reading:
    time, arrived, place, quantity, value, sensor, flags, device, boot, seq = row[:10]
    return Reading(
        time=from_us(time),
        arrived=from_us(arrived),
        place=place,
        quantity=Quantity(quantity),
        value=value,
        sensor=sensor,
        timed=bool(flags & TIMED),
        device=device,
        boot=boot,
        seq=None if device is None else seq,
        retained=bool(flags & RETAINED),
    )


def _message_of(row: Sequence[Any]) -> Message:
    arrived, topic, payload, flags, mid, expiry_s = row
    return Message(
        arrived=from_us(arrived),
        topic=topic,
        payload=payload,
        retain=bool(flags & RETAIN),
        qos=flags >> QOS_SHIFT,
        dup=bool(flags & DUP),
        mid=mid,
        expiry_s=expiry_s,
    )
