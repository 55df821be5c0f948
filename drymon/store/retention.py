"""What is kept for how long, and cleared away a little at a time."""

from collections.abc import Callable, Iterator
from datetime import datetime
from functools import partial

from drymon.messages.settings import SHORTEST_READINGS_DAYS, Keep
from drymon.store.buckets import DAY, HOUR
from drymon.store.codec import to_us
from drymon.store.engine import Connection
from drymon.store.flags import RETAINED
from drymon.store.history import ROLLED_TO
from drymon.store.record import REDELIVERY_MEMORY, Recording
from drymon.store.rollups import CLEARED_TO, GONE_BEFORE

CHUNK = 1000
"""Rows of one step, and so of one transaction: some hundredths of a second, on a small computer's card some tenths."""
REPEATS_DAYS = 90
"""Verdicts that repeat the state before, and letters that were delivered; changes of state stay for ever, as do log
events and alarms.
"""
_MANY_TOPICS = 10_000
_AGED_TO = "aged_to"
"""Fact: the hour up to which ages are reckoned."""
_MESSAGES_TO, _REPEATS_TO = "messages_to", "repeats_to"
"""Facts: what came before them may be cleared away."""
_VERDICTS_LOOKED_AT = "verdicts_looked_at"
"""Fact: the id of the last verdict that was looked at."""


class Retention(Recording):
    """The part of the store that clears away."""

    def __init__(self, db: Connection) -> None:
        super().__init__(db)
        self._looked_for_topics = 0

    def tidy(self, now: datetime, keep: Keep = Keep(), chunk: int = CHUNK) -> bool:  # noqa: B008, it is frozen
        """Roll up, see what has become too old, and clear a first step of it away; True where more is left.

        now: to be believed, for what is too old by it is gone. Ages never go beyond the last message on record, and
        move by a day a call at most: a clock that is wrong for an hour does not cost the record.
        """
        self.roll_up(now)
        behind = self._age(now, keep)
        return self.clear_step(chunk) or behind

    def clear_step(self, chunk: int = CHUNK) -> bool:
        """Clear away up to `chunk` rows of what is too old by the last `tidy`. False: nothing is left."""
        return any(self._stepped(step, chunk) for step in self._steps())

    def _stepped(self, step: Callable[[int], bool], chunk: int) -> bool:
        with self.transaction():
            return step(chunk)

    def _age(self, now: datetime, keep: Keep) -> bool:
        """Move the bounds of what is kept; True where they are not yet where they belong."""
        last = self.last_arrival()
        if last is None:
            return False
        target = min(to_us(now), to_us(last)) // HOUR * HOUR
        before = self._fact(_AGED_TO) or self._first_age(target)
        aged = max(before, min(target, before + DAY))
        readings = aged - max(keep.readings_days, SHORTEST_READINGS_DAYS) * DAY
        minutes = min(readings, aged - keep.minutes_days * DAY)
        bounds = {
            _AGED_TO: aged,
            CLEARED_TO: readings,
            GONE_BEFORE["minute"]: minutes,
            GONE_BEFORE["hour"]: min(minutes, aged - keep.hours_days * DAY),
            _MESSAGES_TO: aged - keep.messages_days * DAY,
            _REPEATS_TO: aged - REPEATS_DAYS * DAY,
        }
        moved = {name: value for name, value in bounds.items() if value > self._fact(name)}
        if moved:
            with self.transaction():
                for name, value in moved.items():
                    self._set_fact(name, value)
                self._known_cleared_to = None
        return aged < target

    def _first_age(self, target: int) -> int:
        """Where ages are reckoned from at first: the first message that is there."""
        first = (self._row("SELECT arrived FROM message ORDER BY id LIMIT 1") or (target,))[0]
        return min(target, int(first) // HOUR * HOUR)

    def _steps(self) -> Iterator[Callable[[int], bool]]:
        """Each clears one kind of row; True where it cleared any."""
        yield self._clear_messages
        yield self._clear_readings
        yield self._clear_doubts
        for table, fact in GONE_BEFORE.items():
            bound = self._fact(fact)
            for (channel,) in list(self._rows("SELECT id FROM channel")):
                yield partial(self._clear_roll_ups, table, (channel, bound))
        yield self._clear_verdicts
        yield self._clear_letters
        yield self._clear_topics

    def _clear_messages(self, chunk: int) -> bool:
        """All but those among which a redelivery is found. They stand in order of arrival, whatever clocks said."""
        newest = (self._row("SELECT max(id) FROM message") or (0,))[0] or 0
        before = min(self._boundary("message", "arrived", self._fact(_MESSAGES_TO)), newest + 1 - REDELIVERY_MEMORY)
        return self._delete("message", f"id < {before}", "id", chunk)

    def _clear_readings(self, chunk: int) -> bool:
        """Those that are in the roll-ups. The last row always stays: its id must not be given again. So do the few that
        numbered as a retained value and never live: their numbers are not yet among those that have come.
        """
        rolled = f"id <= {self._fact(ROLLED_TO)} AND id < (SELECT max(id) FROM reading)"
        known = f"(flags & {RETAINED} = 0 OR seq IS NULL)"
        return self._delete("reading", f"time < {self._fact(CLEARED_TO)} AND {rolled} AND {known}", "time", chunk)

    def _clear_doubts(self, chunk: int) -> bool:
        newest = "id < (SELECT max(id) FROM doubt)"
        return self._delete("doubt", f"last < {self._fact(CLEARED_TO)} AND {newest}", "id", chunk)

    def _clear_roll_ups(self, table: str, where: tuple[int, int], chunk: int) -> bool:
        gone = f"SELECT start FROM {table} WHERE channel = ? AND start < ? ORDER BY start LIMIT {chunk}"
        return self._db.execute(f"DELETE FROM {table} WHERE channel = ? AND start IN ({gone})", (where[0], *where)) > 0

    def _clear_verdicts(self, chunk: int) -> bool:
        """Repeats among the next rows: changes of state stay between them, and are not looked at again."""
        done = self._fact(_VERDICTS_LOOKED_AT)
        upto = min(done + chunk, self._boundary("verdict", "time", self._fact(_REPEATS_TO)) - 1)
        if upto <= done:
            return False
        self._db.execute("DELETE FROM verdict WHERE id > ? AND id <= ? AND changed = 0", (done, upto))
        self._set_fact(_VERDICTS_LOOKED_AT, upto)
        return True

    def _clear_letters(self, chunk: int) -> bool:
        newest = "id < (SELECT max(id) FROM outbox)"
        return self._delete("outbox", f"delivered_at < {self._fact(_REPEATS_TO)} AND {newest}", "id", chunk)

    def _clear_topics(self, chunk: int) -> bool:
        """Names that no message has any more, where there are very many; looked for once an hour of messages."""
        aged = self._fact(_AGED_TO)
        if self._looked_for_topics == aged or (self._row("SELECT count(*) FROM topic") or (0,))[0] <= _MANY_TOPICS:
            return False
        self._looked_for_topics = aged
        used = {topic for (topic,) in self._rows("SELECT DISTINCT topic FROM message")}
        gone = [row for row in self._rows("SELECT id FROM topic") if row[0] not in used]
        self._db.execute_many("DELETE FROM topic WHERE id = ?", gone)
        self._topics.clear()
        return False

    def _delete(self, table: str, old: str, order: str, chunk: int) -> bool:
        which = f"SELECT id FROM {table} WHERE {old} ORDER BY {order} LIMIT {chunk}"
        return self._db.execute(f"DELETE FROM {table} WHERE id IN ({which})") > 0
