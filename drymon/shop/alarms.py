"""The alarm book as a pure fold: conditions over time become alarms raised, repeated and cleared.

A condition says of one cause that it holds, is clear, or cannot be told. What is not mentioned cannot be
told: silence starts nothing and clears nothing.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Literal

from drymon.errors import AlarmError
from drymon.shop.alarm_book import AlarmBook, Condition, Entry, Key, Truth
from drymon.shop.alarm_kinds import KINDS
from drymon.shop.outcome import Alert

__all__ = ["AlarmBook", "Condition", "Key", "Truth", "update"]


def update(book: AlarmBook, now: datetime, conditions: Iterable[Condition]) -> tuple[AlarmBook, list[Alert]]:
    """The book at `now` (aware UTC), given what is known, and the alerts to send, in a fixed order.

    Of several conditions about one cause, one that holds wins over one unclear, and that over one clear.
    """
    now = max(now, book.now or now)
    pauses = {key: pause for key, pause in book.pauses.items() if pause.until is None or now < pause.until}
    said = _strongest(conditions, book)
    entries: dict[Key, Entry] = {}
    alerts: list[Alert] = []
    for key in sorted({*book.entries, *said}):
        entry = _step(book.entries.get(key), said.get(key), now, alerts)
        if entry is not None:
            holds = key in said and said[key].truth is Truth.HOLDS
            entries[key] = entry if key[:2] in pauses else _tell(entry, holds, now, alerts)
    return AlarmBook(entries, pauses, now), alerts


_STRENGTH = {Truth.CLEAR: 0, Truth.UNCLEAR: 1, Truth.HOLDS: 2}


def _strongest(conditions: Iterable[Condition], book: AlarmBook) -> dict[Key, Condition]:
    said: dict[Key, Condition] = {}
    for condition in conditions:
        if condition.key.kind not in KINDS:
            raise AlarmError(f"{condition.key.kind!r} is no kind of alarm; allowed: {', '.join(KINDS)}")
        if condition.truth is not Truth.HOLDS and condition.key not in book.entries:
            continue
        other = said.get(condition.key)
        if other is None or _STRENGTH[condition.truth] > _STRENGTH[other.truth]:
            said[condition.key] = condition
    return said


def _step(entry: Entry | None, said: Condition | None, now: datetime, alerts: list[Alert]) -> Entry | None:
    """One cause, one instant: the entry after it, None for normal."""
    truth = said.truth if said else Truth.UNCLEAR
    if said is not None and truth is Truth.HOLDS:
        return _hold(entry, said, now)
    if entry is None:
        return None
    if entry.phase == "active":
        done = entry.kind.happened and entry.acknowledged_at is not None
        return _fade(entry, truth, now, alerts) if not done else _clear(entry, now, alerts)
    if truth is Truth.CLEAR:
        return replace(entry, held_since=None) if entry.phase == "returned" else None
    return entry


def _hold(entry: Entry | None, said: Condition, now: datetime) -> Entry:
    entry = entry or Entry(said.key, said.what, said.by)
    entry = replace(entry, what=said.what, by=said.by, gone_since=None)
    if entry.phase == "active":
        return entry
    since = entry.held_since or now
    if now - since < entry.kind.on_delay:
        return replace(entry, held_since=since)
    return Entry(said.key, said.what, said.by, "active", id=_id(said.key, now), raised_at=now)


def _fade(entry: Entry, truth: Truth, now: datetime, alerts: list[Alert]) -> Entry | None:
    if truth is not Truth.CLEAR:  # a gap in the evidence starts the off-delay anew
        return replace(entry, gone_since=None)
    since = entry.gone_since or now
    if now - since < entry.kind.off_delay:
        return replace(entry, gone_since=since)
    return _clear(entry, now, alerts)


def _clear(entry: Entry, now: datetime, alerts: list[Alert]) -> Entry | None:
    if entry.announced:
        alerts.append(_alert(entry, now, "cleared", _over(entry, now)))
    if entry.kind.lingers and entry.unacknowledged and entry.announced:
        return replace(entry, phase="returned", cleared_at=now, held_since=None, gone_since=None)
    return None


def _tell(entry: Entry, holds: bool, now: datetime, alerts: list[Alert]) -> Entry:
    """Says an active entry that is not paused: at first, after a pause, or again while unacknowledged."""
    if entry.phase != "active":
        return entry
    if entry.told_at is None:
        alerts.append(_alert(entry, now, "raised", _full(entry)))
    elif holds and _due_again(entry, entry.told_at, now):
        alerts.append(_alert(entry, now, "raised", "Still: " + _full(entry)))
    else:
        return entry
    return replace(entry, told_at=now, announced=True)


def _due_again(entry: Entry, told_at: datetime, now: datetime) -> bool:
    repeat = entry.kind.repeat
    return repeat is not None and entry.unacknowledged and now - told_at >= repeat


def _id(key: Key, raised_at: datetime) -> str:
    return ":".join([*filter(None, key), raised_at.isoformat().replace("+00:00", "Z")])


def _alert(entry: Entry, now: datetime, state: Literal["raised", "cleared"], text: str) -> Alert:
    return Alert(now, entry.id, entry.key.kind, entry.key.subject, entry.kind.severity, state, text)


def _full(entry: Entry) -> str:
    return " ".join(filter(None, (entry.what, entry.kind.matters, entry.kind.action, entry.by)))


def _over(entry: Entry, now: datetime) -> str:
    lead = "Over" if entry.kind.is_alarm else "No longer so"
    return f"{lead}: {entry.what} It lasted {_span(now - (entry.raised_at or now))}."


def _span(length: timedelta) -> str:
    hours, minutes = divmod(round(length.total_seconds() / 60), 60)
    if not hours:
        return f"{minutes} min" if minutes else "less than a minute"
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"
