"""The numbers that nodes give their readings: what has come, for ever, in little space."""

from dataclasses import dataclass

from drymon.messages.payload import Number
from drymon.store.database import Database
from drymon.store.engine import Connection
from drymon.store.numbering import Numbering


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


class Nodes(Database):
    """The part of the store that knows which numbered readings have come."""

    def __init__(self, db: Connection) -> None:
        super().__init__(db)
        self._nodes: dict[tuple[str, str], _Node] = {}
        self._touched: dict[tuple[str, str], None] = {}
        self._heard_now: dict[tuple[str, str], None] = {}

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
            self._db.send(
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
