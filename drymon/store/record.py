"""Recording: the raw message, what it said, and what could not be understood; each fact once."""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from hashlib import blake2b

from drymon.messages.complaints import gathered
from drymon.messages.message import Message
from drymon.messages.payload import Number
from drymon.shop.facts.events import LogEvent
from drymon.shop.facts.reading import Reading
from drymon.store.codec import clean, event_row, to_us
from drymon.store.database import Database
from drymon.store.engine import Connection, Row
from drymon.store.numbering import Numbering

RETAIN, DUP, QOS_SHIFT = 1, 2, 2
"""Flags of a message row."""
TIMED, RETAINED = 1, 2
"""Flags of a reading row."""

REDELIVERY_MEMORY = 5000
"""Messages among which a redelivery is recognised; packet identifiers come round after 65,535."""
REFUSED_KEPT = 10_000
REFUSED_PREFIX = 4096
REFUSED_TEXT = 1000
"""Bytes of a refused message's topic, and of its reason: with the two above it bounds what all of them take, 61 MB."""
RAW_LIMIT = 1 << 20
"""A longer payload is no message of a sensor; the inbox does not keep it."""
_INTEGER = 1 << 62

_Wire = tuple[int, int, bytes]


@dataclass(frozen=True, slots=True)
class Mark:
    """Everything that `device` sent since `boot`, up to `seq`, is on disk."""

    device: str
    boot: str
    seq: int


@dataclass(slots=True)
class _Node:
    id: int
    numbering: Numbering
    heard: int
    stored_gaps: frozenset[tuple[int, int]]


class Recording(Database):
    """The part of the store that takes messages in."""

    def __init__(self, db: Connection) -> None:
        super().__init__(db)
        self._nodes: dict[tuple[str, str], _Node] = {}
        self._touched: dict[tuple[str, str], None] = {}
        self._heard_now: dict[tuple[str, str], None] = {}
        self._wire: deque[_Wire] | None = None
        self._wire_set: set[_Wire] = set()
        self._latest_arrival: int | None = None

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
        no trace. An item that no database could hold (NaN, a huge number, broken Unicode) is refused, not raised.
        """
        with self.transaction():
            topic = self._topic_id(clean(message.topic))
            if self._is_redelivery(message, topic):
                return []
            self._keep_message(message, topic)
            why_not = [(item, _unstorable(item)) for item in items]
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

    def received_marks(self) -> list[Mark]:
        """For every device, of the boot heard last, the highest number up to which everything is on disk."""
        rows = self._rows(
            "SELECT device, boot, "
            "coalesce((SELECT min(gap.first) - 1 FROM gap WHERE gap.node = node.id), highest) FROM node "
            "WHERE id = (SELECT id FROM node AS same WHERE same.device = node.device "
            "ORDER BY heard DESC, id DESC LIMIT 1) ORDER BY device"
        )
        return [Mark(*row) for row in rows]

    def take_touched_marks(self) -> list[Mark]:
        """The marks of devices and boots heard in committed transactions since the last call, with repeats.

        A node that sends its readings again has missed the mark, so it is due even where nothing is new.
        """
        keys, self._touched = list(self._touched), {}
        return [Mark(*key, node.numbering.mark) for key in keys if (node := self._node(*key)) is not None]

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
        self._db.execute(
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
        self._db.execute("DELETE FROM refused WHERE id <= ?", (newest - REFUSED_KEPT,))

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
        time = to_us(reading.time)
        node = None
        if reading.device is not None and reading.boot is not None and reading.seq is not None:
            # One number may cover all readings of one message.
            number = Number(reading.device, reading.boot, reading.seq)
            if number not in decided:
                decided[number] = self._count_number(number, to_us(reading.arrived), retained=reading.retained)
            if not decided[number]:
                return False
            node = self._nodes[number[:2]].id if number[:2] in self._nodes else None
        elif reading.timed and (row := self._same_timed(channel, time, reading.value)) is not None:
            return self._freshen(row, reading)
        flags = (TIMED if reading.timed else 0) | (RETAINED if reading.retained else 0)
        self._db.execute(
            "INSERT INTO reading (time, arrived, channel, value, flags, node, seq) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (time, to_us(reading.arrived), channel, reading.value, flags, node, reading.seq),
        )
        return True

    def _same_timed(self, channel: int, time: int, value: float) -> Row | None:
        return self._row(
            "SELECT id, flags FROM reading WHERE time = ? AND channel = ? AND value = ? AND seq IS NULL "
            f"AND flags & {TIMED} <> 0",
            (time, channel, value),
        )

    def _freshen(self, stored: Row, reading: Reading) -> bool:
        """What was known only as a retained value and now comes live is evidence from here on, so it is new."""
        row, flags = stored
        if reading.retained or not flags & RETAINED:
            return False
        # Written anew at the end, for rows stand in order of arrival; the copy first, so that no id comes twice.
        self._db.execute(
            "INSERT INTO reading (time, arrived, channel, value, flags) SELECT time, ?, channel, value, ? "
            "FROM reading WHERE id = ?",
            (to_us(reading.arrived), TIMED, row),
        )
        self._db.execute("DELETE FROM reading WHERE id = ?", (row,))
        return True

    def _count_number(self, number: Number, arrived: int, *, retained: bool) -> bool:
        """True where the number is new. A retained value is no proof that the live one has come."""
        device, boot, seq = number
        node = self._node(device, boot)
        if node is not None and seq in node.numbering:
            self._note(node, number, arrived)
            return False
        if retained:
            return True
        if node is None:
            made = self._db.insert(
                "INSERT INTO node (device, boot, first, highest, heard) VALUES (?, ?, ?, ?, ?)",
                (device, boot, seq, seq, arrived),
            )
            node = _Node(made, Numbering(seq, seq), 0, frozenset())
            self._nodes[device, boot] = node
        else:
            node.numbering.add(seq)
        self._note(node, number, arrived)
        return True

    def _note(self, node: _Node, number: Number, arrived: int) -> None:
        node.heard = arrived
        self._heard_now[number.device, number.boot] = None

    def _node(self, device: str, boot: str) -> _Node | None:
        node = self._nodes.get((device, boot))
        if node is None:
            row = self._row("SELECT id, first, highest, heard FROM node WHERE device = ? AND boot = ?", (device, boot))
            if row is None:
                return None
            gaps = list(self._rows("SELECT first, last FROM gap WHERE node = ? ORDER BY first", (row[0],)))
            holes = [(int(first), int(last)) for first, last in gaps]
            node = _Node(row[0], Numbering(row[1], row[2], holes), row[3], frozenset(holes))
            self._nodes[device, boot] = node
        return node

    def _flush(self) -> None:
        """One row per device and commit, however many readings it sent."""
        for key in self._heard_now:
            node = self._nodes[key]
            spans = node.numbering
            self._db.execute(
                "UPDATE node SET first = ?, highest = ?, heard = ? WHERE id = ?",
                (spans.first, spans.highest, node.heard, node.id),
            )
            now = frozenset(spans.gaps)
            gone, come = node.stored_gaps - now, now - node.stored_gaps
            self._db.execute_many("DELETE FROM gap WHERE node = ? AND first = ?", [(node.id, gap[0]) for gap in gone])
            self._db.execute_many("INSERT INTO gap VALUES (?, ?, ?)", [(node.id, *gap) for gap in sorted(come)])
            node.stored_gaps = now
        super()._flush()

    def _settle(self) -> None:
        self._touched.update(self._heard_now)
        self._heard_now.clear()

    def _forget(self) -> None:
        super()._forget()
        self._nodes.clear()
        self._heard_now.clear()
        self._wire = None
        self._latest_arrival = None


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
