"""What people do with alarms: acknowledge, shelve, take out of service. Pure: each gives a new book.

All raise AlarmError, with what was received and what is allowed, where the act makes no sense.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime

from drymon.errors import AlarmError
from drymon.shop.alarms.alarm_book import AlarmBook, Entry, Pause, Subject
from drymon.shop.alarms.alarm_kinds import KINDS, LONGEST_SHELF


def acknowledge(book: AlarmBook, alarm_id: str, by: str, now: datetime) -> AlarmBook:
    """Somebody has seen the alarm; twice is as good as once. A notice needs none and is refused."""
    _need(by, "a name", "who acknowledges")
    entry = book.find(alarm_id)
    if not entry.is_alarm:
        raise AlarmError(f"{alarm_id!r} is a notice: it needs no acknowledgement and goes by itself")
    if entry.acknowledged_at is not None:
        return book
    entries = dict(book.entries)
    if entry.phase == "returned" and entry.held_since is None:
        del entries[entry.key]
    elif entry.phase == "returned":  # it is about to come again: only its on-delay lives on
        entries[entry.key] = Entry(entry.key, entry.what, entry.by, entry.severity, held_since=entry.held_since)
    else:
        entries[entry.key] = replace(entry, acknowledged_at=now, acknowledged_by=by)
    return replace(book, entries=entries)


def acknowledge_over(book: AlarmBook, by: str, now: datetime) -> AlarmBook:
    """Somebody has seen all alarms that are over by themselves."""
    over = book.over()
    if not over:
        raise AlarmError(
            "no alarm is over and waits to be acknowledged; those that still hold are acknowledged by their id"
        )
    for entry in over:
        book = acknowledge(book, entry.id, by, now)
    return book


def shelve(book: AlarmBook, alarm_id: str, until: datetime, reason: str, by: str, now: datetime) -> AlarmBook:
    """Silences this kind for this subject until a time, at most LONGEST_SHELF ahead.

    What still holds then is raised afresh, unacknowledged.
    """
    entry = book.find(alarm_id)
    if not now < until <= now + LONGEST_SHELF:
        raise AlarmError(
            f"cannot shelve until {until.isoformat()}: it must lie after {now.isoformat()} "
            f"and at most {LONGEST_SHELF.days} days ahead"
        )
    return _pause(book, entry.key[:2], Pause(by, reason, now, until))


def unshelve(book: AlarmBook, alarm_id: str, by: str, now: datetime) -> AlarmBook:
    """Ends a shelf before its time; the alarm itself may have cleared meanwhile."""
    _need(by, "a name", "who takes it off the shelf")
    kind, _, rest = alarm_id.partition(":")
    subject = (kind, rest.partition(":")[0])
    pause = book.pauses.get(subject)
    if pause is None or pause.until is None:
        raise AlarmError(f"{alarm_id!r} is not shelved at {now.isoformat()}")
    return _resume(book, subject)


def out_of_service(book: AlarmBook, kind: str, subject: str, reason: str, by: str, now: datetime) -> AlarmBook:
    """Takes a kind for a subject out of service (say, a sensor under repair) until it is back in service."""
    if kind not in KINDS:
        raise AlarmError(f"{kind!r} is no kind of alarm; allowed: {', '.join(KINDS)}")
    return _pause(book, (kind, subject), Pause(by, reason, now, None))


def in_service(book: AlarmBook, kind: str, subject: str, by: str, now: datetime) -> AlarmBook:
    """Back in service: what holds is raised afresh."""
    _need(by, "a name", "who returns it to service")
    pause = book.pauses.get((kind, subject))
    if pause is None or pause.until is not None:
        raise AlarmError(f"{kind} of {subject} is not out of service at {now.isoformat()}")
    return _resume(book, (kind, subject))


ACTS = ("acknowledge", "acknowledge-over", "shelve", "unshelve", "out-of-service", "in-service")


def about_of(words: Mapping[str, object]) -> str:
    """What an act told in words is about: an alarm's id, else a kind and a subject; "" for all that are over."""
    if words.get("act") == "acknowledge-over":
        return ""
    return str(words.get("id") or f"{words.get('kind')}:{words.get('subject')}")


def done(act: str, about: str) -> str:
    """What a command says once it is done."""
    return f"done: {act} {about}" if about else "done: all that are over are acknowledged"


def act_of(words: Mapping[str, object], now: datetime) -> Callable[[AlarmBook], AlarmBook]:
    """An act told in words: `act` (one of ACTS), `by`, `id` or `kind` and `subject`, `reason`, `until` (RFC 3339)."""
    said = {key: str(words.get(key) or "") for key in ("act", "by", "id", "kind", "subject", "reason", "until")}
    about, reason, by = (said["kind"], said["subject"]), said["reason"], said["by"]
    match said["act"]:
        case "acknowledge":
            return lambda book: acknowledge(book, said["id"], by, now)
        case "acknowledge-over":
            return lambda book: acknowledge_over(book, by, now)
        case "shelve":
            return lambda book: shelve(book, said["id"], _until(said["until"]), reason, by, now)
        case "unshelve":
            return lambda book: unshelve(book, said["id"], by, now)
        case "out-of-service":
            return lambda book: out_of_service(book, *about, reason, by, now)
        case "in-service":
            return lambda book: in_service(book, *about, by, now)
        case other:
            raise AlarmError(f"received {other!r}; what can be done with an alarm: {', '.join(ACTS)}")


def acknowledged(before: AlarmBook, after: AlarmBook) -> list[str]:
    """The ids that an act has acknowledged, oldest first."""
    waited = [entry.id for entry in before.standing() if entry.unacknowledged]
    waits = {entry.id for entry in after.standing() if entry.unacknowledged}
    return [each for each in waited if each not in waits]


def _until(text: str) -> datetime:
    try:
        until = datetime.fromisoformat(text)
    except ValueError:
        until = None
    if until is None or until.tzinfo is None:
        raise AlarmError(f"until: received {text!r}; allowed is RFC 3339 with its offset, 2031-03-03T06:00:00Z")
    return until


def _pause(book: AlarmBook, subject: Subject, pause: Pause) -> AlarmBook:
    _need(pause.by, "a name", "who asks for it")
    _need(pause.reason, "a reason", "why it is silenced")
    entries = {
        key: replace(entry, told_at=None, acknowledged_at=None, acknowledged_by="")
        if key[:2] == subject and entry.phase == "active"
        else entry
        for key, entry in book.entries.items()
    }
    return replace(book, entries=entries, pauses={**book.pauses, subject: pause})


def _resume(book: AlarmBook, subject: Subject) -> AlarmBook:
    return replace(book, pauses={key: pause for key, pause in book.pauses.items() if key != subject})


def _need(text: str, what: str, meaning: str) -> None:
    if not text.strip():
        raise AlarmError(f"{what} is needed ({meaning}); received {text!r}")
