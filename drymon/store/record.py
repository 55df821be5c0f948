"""Recording: the raw message, what it said, and what could not be understood; each fact once."""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import fields, replace
from hashlib import blake2b

from drymon.messages.complaints import gathered
from drymon.messages.message import Message
from drymon.messages.payload import Number
from drymon.messages.times import stamp
from drymon.shop.facts.events import LogEvent
from drymon.shop.facts.reading import Reading
from drymon.store.codec import clean, event_row, from_us, to_us
from drymon.store.engine import Connection, Row
from drymon.store.flags import COUNTED, DUP, QOS_SHIFT, RETAIN, RETAINED, TIMED
from drymon.store.history import REFUSED_TEXT, ROLLED_TO
from drymon.store.nodes import Nodes
from drymon.store.rollups import RollUps

REDELIVERY_MEMORY = 5000
"""Messages among which a redelivery is recognised; packet identifiers come round after 65,535."""
REFUSED_KEPT = 10_000
REFUSED_PREFIX = 4096
"""Bytes of a refused message's payload: with REFUSED_TEXT and the one above it bounds what all of them take, 61 MB."""
RAW_LIMIT = 1 << 20
"""A longer payload is no message of a sensor; the inbox does not keep it."""
_INTEGER = 1 << 62
_RETAINED_NUMBERS = "retained_numbers"
"""Fact: a numbered reading has come as a retained value."""

_Wire = tuple[int, int, bytes]


class Recording(RollUps, Nodes):
    """The part of the store that takes messages in."""

    def __init__(self, db: Connection) -> None:
        super().__init__(db)
        self._wire: deque[_Wire] | None = None
        self._wire_set: set[_Wire] = set()
        self._latest_arrival: int | None = None
        self._retained_numbers: bool | None = None

    def record(
        self,
        message: Message,
        items: Sequence[Reading | LogEvent],
        refusals: Sequence[str] = (),
        number: Number | None = None,
    ) -> list[Reading | LogEvent]:
        """Store the message, its readings and log events, and why parts of it were refused.

        `number` is a node's own for a message that was refused: kept with its reason, it is on disk like any other.

        Returns the items that are new, in their order: [] for a redelivery of a stored message, which leaves
        no trace. An item that no database could hold (NaN, a huge number, broken Unicode) is refused, not raised; and
        so is a reading so old that it may be a repeat of one that was cleared away.
        """
        with self.transaction():
            topic = self._topic_id(clean(message.topic))
            if self._is_redelivery(message, topic):
                return []
            self._keep_message(message, topic)
            why_not = [(item, _unstorable(item) or self._unknowable(item)) for item in items]
            reasons = [*refusals, *(why for _, why in why_not if why)]
            if reasons:
                self._refuse(message, gathered(reasons))
            self._cover(message, number)
            decided: dict[Number, bool] = {}
            kept = (self._keep(item, decided) for item, why in why_not if not why)
            return [item for item in kept if item is not None]

    def refuse(self, message: Message, reason: str, number: Number | None = None) -> None:
        """Count a message as refused, with its reason; it is not kept among those that a replay plays."""
        with self.transaction():
            self._refuse(message, reason)
            self._cover(message, number)

    def _keep_message(self, message: Message, topic: int) -> None:
        arrived = to_us(message.arrived)
        if self._latest_arrival is None:
            row = self._row("SELECT arrived FROM message ORDER BY id DESC LIMIT 1")
            self._latest_arrival = arrived if row is None else int(row[0])
        if arrived < self._latest_arrival:
            self._set_fact("arrivals_out_of_order", 1)
        self._latest_arrival = arrived
        if len(message.payload) > RAW_LIMIT:
            return
        flags = (RETAIN if message.retain else 0) | (DUP if message.dup else 0) | message.qos << QOS_SHIFT
        self._db.send(
            "INSERT INTO message (arrived, topic, payload, flags, mid, expiry_s) VALUES (?, ?, ?, ?, ?, ?)",
            (arrived, topic, message.payload, flags, message.mid, message.expiry_s),
        )

    def _is_redelivery(self, message: Message, topic: int) -> bool:
        """Sent again by the broker (DUP), with identifier, topic and payload of a message stored lately."""
        if message.mid is None:
            return False
        key = (message.mid, topic, blake2b(message.payload, digest_size=16).digest())
        wire = self._recent_wire()
        if message.dup and key in self._wire_set:
            return True
        if len(wire) == REDELIVERY_MEMORY:
            self._wire_set.discard(wire.popleft())
        wire.append(key)
        self._wire_set.add(key)
        return False

    def _recent_wire(self) -> deque[_Wire]:
        if self._wire is None:
            rows = self._rows(
                "SELECT mid, topic, payload FROM message WHERE id > (SELECT max(id) FROM message) - ? "
                "AND mid IS NOT NULL ORDER BY id",
                (REDELIVERY_MEMORY,),
            )
            self._wire = deque((mid, topic, blake2b(raw, digest_size=16).digest()) for mid, topic, raw in rows)
            self._wire_set = set(self._wire)
        return self._wire

    def _refuse(self, message: Message, reason: str) -> None:
        texts = (_cut(message.topic), _cut(reason))
        row = (to_us(message.arrived), *texts, message.payload[:REFUSED_PREFIX])
        newest = self._db.insert(
            "INSERT INTO refused (time, topic, reason, payload, size) VALUES (?, ?, ?, ?, ?)",
            (*row, len(message.payload)),
        )
        # AUTOINCREMENT never gives an id twice: the highest one is the count for ever.
        self._db.send("DELETE FROM refused WHERE id <= ?", (newest - REFUSED_KEPT,))

    def _cover(self, message: Message, number: Number | None) -> None:
        """The number of a message that is refused: else its node would send it for ever."""
        if number is not None and number.seq < _INTEGER and number.boot == clean(number.boot):
            self._count_number(number, to_us(message.arrived), retained=message.retain)

    def _keep(self, item: Reading | LogEvent, decided: dict[Number, bool]) -> Reading | LogEvent | None:
        """The item as it is on record; None where it was there before."""
        if isinstance(item, Reading):
            return item if self._keep_reading(item, decided) else None
        return self._keep_event(item)

    def _keep_event(self, event: LogEvent) -> LogEvent | None:
        if event.id and self._row("SELECT 1 FROM event WHERE event_id = ?", (event.id,)):
            return None
        made = self._db.insert(
            "INSERT INTO event (time, arrived, kind, tree, event_id, who, body, after_reading) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, coalesce((SELECT max(id) FROM reading), 0))",
            event_row(event),
        )
        return replace(event, place=float(made))

    def _keep_reading(self, reading: Reading, decided: dict[Number, bool]) -> bool:
        channel = self._channel_id(reading.place, reading.quantity.value, reading.sensor)
        time, node, same = to_us(reading.time), None, None
        if (number := _number_of(reading)) is not None:
            # One number may cover all readings of one message.
            if number not in decided:
                decided[number] = self._count_number(number, to_us(reading.arrived), retained=reading.retained)
            if not decided[number]:
                return False
            node = self._nodes[number[:2]].id if number[:2] in self._nodes else None
            same = self._same_retained(channel, time, reading)
        elif reading.timed:
            same = self._same_timed(channel, time, reading.value)
        if reading.retained and (same is not None or (reading.timed and time < self._cleared_to())):
            return False
        if same is not None and not same[1] & RETAINED:
            return False
        # What was known only as a retained value and now comes live is evidence from here on, so it is new. It
        # is written anew at the end, for rows stand in order of arrival, before the old one goes: no id comes twice.
        self._add_reading(reading, channel, node, counted=same is not None and same[0] <= self._fact(ROLLED_TO))
        if same is not None:
            self._db.send("DELETE FROM reading WHERE id = ?", (same[0],))
        return True

    def _add_reading(self, reading: Reading, channel: int, node: int | None, *, counted: bool) -> None:
        flags = (TIMED if reading.timed else 0) | (RETAINED if reading.retained else 0) | (COUNTED if counted else 0)
        self._db.send(
            "INSERT INTO reading (time, arrived, channel, value, flags, node, seq) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (to_us(reading.time), to_us(reading.arrived), channel, reading.value, flags, node, reading.seq),
        )
        if reading.retained and reading.timed and reading.seq is not None and not self._has_retained_numbers():
            self._set_fact(_RETAINED_NUMBERS, 1)
            self._retained_numbers = True

    def _same_timed(self, channel: int, time: int, value: float) -> Row | None:
        return self._row(
            "SELECT id, flags FROM reading WHERE time = ? AND channel = ? AND value = ? AND seq IS NULL "
            f"AND flags & {TIMED} <> 0",
            (time, channel, value),
        )

    def _same_retained(self, channel: int, time: int, reading: Reading) -> Row | None:
        """The numbered reading as a retained value, whose number does not count yet."""
        if not reading.timed or not self._has_retained_numbers():
            return None
        return self._row(
            "SELECT id, flags FROM reading WHERE time = ? AND channel = ? AND value = ? AND seq = ? "
            f"AND flags & {RETAINED} <> 0",
            (time, channel, reading.value, reading.seq),
        )

    def _has_retained_numbers(self) -> bool:
        """Nearly no sensor retains numbered readings: where none ever did, none is looked for."""
        if self._retained_numbers is None:
            self._retained_numbers = bool(self._fact(_RETAINED_NUMBERS))
        return self._retained_numbers

    def _unknowable(self, item: Reading | LogEvent) -> str:
        """Why nobody can know whether the item is a repeat; "" where it can be known."""
        if not isinstance(item, Reading) or not item.timed or item.retained or _number_of(item) is not None:
            return ""
        since = self._cleared_to()
        if to_us(item.time) >= since:
            return ""
        return (
            f"time: received {stamp(item.time)}; readings from before {stamp(from_us(since))} are cleared away, so "
            "this may be a repeat of one that was counted, and is not counted: let the sensor number its readings "
            "(device, boot, seq), then late ones are told from repeats"
        )

    def _forget(self) -> None:
        super()._forget()
        self._wire = None
        self._latest_arrival = None
        self._retained_numbers = None


def _number_of(reading: Reading) -> Number | None:
    """A node's number of the reading, where it has a whole one."""
    if reading.device is None or reading.boot is None or reading.seq is None:
        return None
    return Number(reading.device, reading.boot, reading.seq)


def _cut(text: str) -> str:
    """Its beginning, in whole characters."""
    return clean(text[:REFUSED_TEXT]).encode()[:REFUSED_TEXT].decode("utf-8", "ignore")


def _unstorable(item: Reading | LogEvent) -> str:
    """Why no row can hold the item; "" where one can. Whoever sends such a thing must not stop the service."""
    if isinstance(item, Reading):
        if not math.isfinite(item.value):
            return f"value {item.value} is no finite number"
        held: Sequence[object] = (item.seq, item.place, item.sensor, item.device, item.boot)
    else:
        held = [getattr(item, part.name) for part in fields(item)]
    for value in held:
        if isinstance(value, int) and abs(value) >= _INTEGER:
            return f"number {value} is too large: use whole numbers from 0 up, below 2^62"
        if isinstance(value, str) and value != clean(value):
            return f"text {clean(value)!r} is no valid Unicode"
    return ""
