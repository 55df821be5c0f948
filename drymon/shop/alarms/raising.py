"""The alarm book as a pure fold: conditions over time become alarms raised, repeated and cleared.

A condition says of one cause that it holds, is clear, or cannot be told. What is not mentioned cannot be told: silence
starts nothing and clears nothing.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import count
from typing import Literal

from drymon.errors import AlarmError
from drymon.shop.alarms.alarm_book import AlarmBook, Condition, Entry, Key, Truth
from drymon.shop.alarms.alarm_kinds import KINDS
from drymon.shop.facts.outcome import SEVERITIES, Alert, Severity

__all__ = ["AlarmBook", "Condition", "Key", "Truth", "update"]


@dataclass(slots=True)
class _Instant:
    """One update: its time, the ids given at that time, and the alerts to send."""

    now: datetime
    ids: set[str]
    alerts: list[Alert] = field(default_factory=list)

    def new_id(self, key: Key) -> str:
        """Kind, subject and time; numbered where the same came and went and came within one instant."""
        base = f"{key.kind}:{key.subject}:{self.now.isoformat().replace('+00:00', 'Z')}"
        tries = (base if n == 1 else f"{base}.{n}" for n in count(1))
        fresh = next(name for name in tries if name not in self.ids)
        self.ids.add(fresh)
        return fresh

    def say(self, entry: Entry, state: Literal["raised", "cleared"], text: str) -> None:
        """One more alert."""
        kind, subject, _ = entry.key
        self.alerts.append(Alert(self.now, entry.id, kind, subject, entry.severity, state, text))


def update(
    book: AlarmBook, now: datetime, conditions: Iterable[Condition], mine: Callable[[Key], bool] = lambda _: True
) -> tuple[AlarmBook, list[Alert]]:
    """The book at `now` (aware UTC), given what is known, and the alerts to send, in a fixed order.

    mine: the causes that whoever reports looks at; of others it says nothing, so their delays run on. The room and the
    service report into one book, each at its own instants. Of several conditions about one cause, the gravest that
    holds wins over one unclear, and that over one clear. An alert raised again with the same id is a repeat, has become
    graver, or follows a shelf.
    """
    now = max(now, book.now or now)
    at = _Instant(now, set(book.ids) if now == book.now else set())
    pauses = {key: pause for key, pause in book.pauses.items() if pause.until is None or now < pause.until}
    said = _strongest(conditions, book)
    entries: dict[Key, Entry] = {}
    for key in sorted({*book.entries, *said}):
        holds = key in said and said[key].truth is Truth.HOLDS
        before = book.entries.get(key)
        entry = _step(before, said.get(key), at) if key in said or mine(key) else before
        if entry is not None:
            entries[key] = entry if key[:2] in pauses else _tell(entry, holds, at)
    # What is over is told before what has begun: who follows a kind and a subject ends on what stands.
    alerts = sorted(at.alerts, key=lambda alert: alert.state != "cleared")
    return AlarmBook(entries, pauses, now, frozenset(at.ids)), alerts


_STRENGTH = {Truth.CLEAR: 0, Truth.UNCLEAR: 1, Truth.HOLDS: 2}


def _weight(condition: Condition) -> tuple[int, int]:
    return _STRENGTH[condition.truth], SEVERITIES.index(condition.grade)


def _strongest(conditions: Iterable[Condition], book: AlarmBook) -> dict[Key, Condition]:
    said: dict[Key, Condition] = {}
    for condition in conditions:
        if condition.key.kind not in KINDS:
            raise AlarmError(f"{condition.key.kind!r} is no kind of alarm; allowed: {', '.join(KINDS)}")
        if condition.truth is not Truth.HOLDS and condition.key not in book.entries:
            continue
        other = said.get(condition.key)
        if other is None or _weight(condition) > _weight(other):
            said[condition.key] = condition
    return said


def _step(entry: Entry | None, said: Condition | None, at: _Instant) -> Entry | None:
    """One cause, one instant: the entry after it, None for normal."""
    truth = said.truth if said else Truth.UNCLEAR
    if said is not None and truth is Truth.HOLDS:
        return _hold(entry, said, at)
    if entry is None:
        return None
    if entry.phase == "active":
        done = entry.kind.happened and entry.acknowledged_at is not None
        return _clear(entry, at) if done else _fade(entry, truth, at)
    if truth is Truth.CLEAR:
        return replace(entry, held_since=None) if entry.phase == "returned" else None
    return entry


def _hold(entry: Entry | None, said: Condition, at: _Instant) -> Entry:
    entry = entry or Entry(said.key, said.what, said.by, said.grade)
    # What is over stays as it was told: while it begins again, that is another one, with another beginning.
    if entry.phase != "returned" and (entry.what, entry.by, entry.gone_since) != (said.what, said.by, None):
        entry = replace(entry, what=said.what, by=said.by, gone_since=None)
    if entry.phase == "active":
        return _graded(entry, said.grade)
    since = entry.held_since or at.now
    if at.now - since < entry.kind.on_delay:
        return replace(entry, held_since=since)
    return Entry(said.key, said.what, said.by, said.grade, "active", id=at.new_id(said.key), raised_at=at.now)


def _graded(entry: Entry, grade: Severity) -> Entry:
    """What becomes graver is another thing to know of: it is told again, and whoever had seen it has not seen this. It
    does not become milder while it lasts, so that what hovers about a limit is not told each time.
    """
    if SEVERITIES.index(grade) <= SEVERITIES.index(entry.severity):
        return entry
    return replace(entry, severity=grade, told_at=None, acknowledged_at=None, acknowledged_by="")


def _fade(entry: Entry, truth: Truth, at: _Instant) -> Entry | None:
    if truth is not Truth.CLEAR:  # a gap in the evidence starts the off-delay anew
        return replace(entry, gone_since=None) if entry.gone_since else entry
    since = entry.gone_since or at.now
    if at.now - since < entry.kind.off_delay:
        return replace(entry, gone_since=since)
    return _clear(entry, at)


def _clear(entry: Entry, at: _Instant) -> Entry | None:
    if entry.announced:
        at.say(entry, "cleared", _over(entry, at.now))
    if entry.kind.lingers and entry.unacknowledged and entry.announced:
        return replace(entry, phase="returned", cleared_at=at.now, held_since=None, gone_since=None)
    return None


def _tell(entry: Entry, holds: bool, at: _Instant) -> Entry:
    """Says an active entry that is not paused: at first, after a pause, or again while unacknowledged."""
    if entry.phase != "active":
        return entry
    if entry.told_at is None:
        graver = entry.told_as not in (None, entry.severity)
        at.say(entry, "raised", ("Worse now: " if graver else "") + _full(entry))
    elif holds and _due_again(entry, entry.told_at, at.now):
        at.say(entry, "raised", "Still: " + _full(entry))
    else:
        return entry
    return replace(entry, told_at=at.now, told_as=entry.severity, announced=True)


def _due_again(entry: Entry, told_at: datetime, now: datetime) -> bool:
    repeat = entry.kind.repeat
    return repeat is not None and entry.unacknowledged and now - told_at >= repeat


def _full(entry: Entry) -> str:
    words = entry.kind.words(entry.severity)
    return " ".join(filter(None, (entry.what, words.matters, words.action, entry.by)))


def _over(entry: Entry, now: datetime) -> str:
    lasted = _span(now - (entry.raised_at or now))
    if entry.kind.over:
        return f"{entry.kind.over.format(subject=entry.key.subject)} It was for {lasted}."
    return f"Over: {entry.what} It lasted {lasted}."


def _span(length: timedelta) -> str:
    hours, minutes = divmod(round(length.total_seconds() / 60), 60)
    if not hours:
        return f"{minutes} min" if minutes else "less than a minute"
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"
