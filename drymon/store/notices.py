"""Alarms as the alarm engine keeps them, and the outbox: what is to be told, until it is told."""

import json
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from drymon.store.codec import from_us, maybe_moment, to_json, to_us, within
from drymon.store.database import Database
from drymon.store.engine import upsert

LEASE = timedelta(minutes=2)
"""A claimed notice is offered again after this long, for its sender may have died."""

_NOTICE = "id, created, channel, payload, key, attempts, next_try, delivered_at, error"


@dataclass(frozen=True, slots=True)
class Notice:
    """Something to be sent. `key` names the occasion: the same key is queued, and so sent, once."""

    id: int
    created: datetime
    channel: str
    payload: Mapping[str, Any]
    key: str
    attempts: int
    next_try: datetime
    delivered_at: datetime | None
    error: str


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """A line of the alarm log: which alarm (`key`), what happened to it, who did it ("" for drymon itself)."""

    time: datetime
    key: str
    change: str
    who: str
    detail: Mapping[str, Any]


class Notices(Database):
    """The part of the store that keeps alarms and the outbox."""

    def save_alarms(self, alarms: Mapping[str, Mapping[str, Any] | None]) -> None:
        """Write the alarms given, each a JSON document; None removes one. The others stay as they are."""
        with self.transaction():
            for key, document in alarms.items():
                if document is None:
                    self._db.execute("DELETE FROM alarm WHERE key = ?", (key,))
                else:
                    row = (key, to_json(document))
                    self._db.execute(upsert("alarm", "key, body", "key"), row)

    def load_alarms(self) -> dict[str, dict[str, Any]]:
        """All alarms, by key."""
        return {key: json.loads(body) for key, body in self._rows("SELECT key, body FROM alarm ORDER BY key")}

    def log_alarm(
        self, time: datetime, key: str, change: str, who: str = "", detail: Mapping[str, Any] | None = None
    ) -> None:
        """Add a line to the alarm log, which is kept for ever: raised, acknowledged, cleared, shelved, ..."""
        with self.transaction():
            row = (to_us(time), key, change, who, to_json(detail or {}))
            self._db.execute("INSERT INTO alarm_log (time, key, change, who, detail) VALUES (?, ?, ?, ?, ?)", row)

    def alarm_log(self, from_: datetime | None = None, to: datetime | None = None) -> Iterator[AlarmChange]:
        """The alarm log with from_ <= time < to, in the order it was written."""
        where, values = within("time", from_, to)
        rows = self._rows(f"SELECT time, key, change, who, detail FROM alarm_log WHERE {where} ORDER BY id", values)
        return (AlarmChange(from_us(row[0]), row[1], row[2], row[3], json.loads(row[4])) for row in rows)

    def queue_notice(self, created: datetime, channel: str, payload: Mapping[str, Any], key: str) -> bool:
        """Put a notice into the outbox, in the transaction of what it tells; False where its key has been there."""
        with self.transaction():
            row = (to_us(created), channel, to_json(payload), key, to_us(created))
            made = self._db.execute(
                "INSERT INTO outbox (created, channel, payload, key, next_try) VALUES (?, ?, ?, ?, ?) "
                "ON CONFLICT (key) DO NOTHING",
                row,
            )
            return made == 1

    def claim_notices(
        self, now: datetime, limit: int = 20, lease: timedelta = LEASE, but: Collection[str] = ()
    ) -> list[Notice]:
        """The notices due now, oldest first, those of the channels `but` left out. They count as tried, and come again
        after `lease` unless settled.
        """
        others = f"channel NOT IN ({', '.join('?' * len(but))})" if but else "1 = 1"
        with self.transaction():
            query = f"SELECT {_NOTICE} FROM outbox WHERE delivered_at IS NULL AND next_try <= ? AND {others}"
            rows = list(self._rows(f"{query} ORDER BY id LIMIT ?", (to_us(now), *but, limit)))
            again = to_us(now + lease)
            self._db.execute_many(
                "UPDATE outbox SET attempts = attempts + 1, next_try = ? WHERE id = ?",
                [(again, row[0]) for row in rows],
            )
        return [_notice(row) for row in rows]

    def hasten_notices(self, now: datetime, within: timedelta) -> None:
        """All notices that would be due within that time are due now: after a start nobody else has claimed them."""
        with self.transaction():
            self._db.execute(
                "UPDATE outbox SET next_try = ? WHERE delivered_at IS NULL AND next_try > ? AND next_try <= ?",
                (to_us(now), to_us(now), to_us(now + within)),
            )

    def notice_delivered(self, notice: int, time: datetime) -> None:
        """It was sent."""
        self._settle_notice("delivered_at = ?, error = ''", to_us(time), notice)

    def notice_failed(self, notice: int, error: str, next_try: datetime) -> None:
        """It could not be sent, because of `error`; to be tried again at `next_try`."""
        self._settle_notice("error = ?, next_try = ?", error, to_us(next_try), notice)

    def notices(self, *, waiting: bool = True) -> list[Notice]:
        """What is in the outbox, oldest first: what waits, or (False) everything."""
        where = "delivered_at IS NULL" if waiting else "1 = 1"
        return [_notice(row) for row in self._rows(f"SELECT {_NOTICE} FROM outbox WHERE {where} ORDER BY id")]

    def last_delivered(self) -> datetime | None:
        """When a notice last reached somebody: silence must not look like health."""
        row = self._row("SELECT max(delivered_at) FROM outbox")
        return None if row is None else maybe_moment(row[0])

    def _settle_notice(self, what: str, *values: object) -> None:
        with self.transaction():
            self._db.execute(f"UPDATE outbox SET {what} WHERE id = ?", values)


def _notice(row: tuple[Any, ...]) -> Notice:
    number, created, channel, payload, key, attempts, next_try, delivered_at, error = row
    return Notice(
        number,
        from_us(created),
        channel,
        json.loads(payload),
        key,
        attempts,
        from_us(next_try),
        maybe_moment(delivered_at),
        error,
    )
