"""The alarm book as a JSON-able document, for the store, and back."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from drymon.shop.alarms.alarm_book import AlarmBook, Entry, Key, Pause
from drymon.shop.alarms.alarm_kinds import KINDS

_TIMES = ("held_since", "gone_since", "raised_at", "cleared_at", "told_at", "acknowledged_at")
_PLAIN = ("what", "by", "phase", "id", "announced", "acknowledged_by", "severity", "told_as")


def document(book: AlarmBook) -> dict[str, Any]:
    """The whole book, in a fixed order; `from_document` gives an equal book."""
    return {
        "now": _text(book.now),
        "ids": sorted(book.ids),
        "entries": [_entry_document(book.entries[key]) for key in sorted(book.entries)],
        "pauses": [_pause_document(kind, name, book.pauses[kind, name]) for kind, name in sorted(book.pauses)],
    }


def from_document(stored: Mapping[str, Any]) -> AlarmBook:
    """The book that `document` wrote; an empty mapping gives an empty book."""
    entries = [_entry(row) for row in stored.get("entries", ())]
    pauses = {
        (row["kind"], row["subject"]): Pause(
            row["by"], row["reason"], datetime.fromisoformat(row["since"]), _time(row["until"])
        )
        for row in stored.get("pauses", ())
    }
    return AlarmBook(
        {entry.key: entry for entry in entries}, pauses, _time(stored.get("now")), frozenset(stored.get("ids", ()))
    )


def _entry_document(entry: Entry) -> dict[str, Any]:
    times = {name: _text(getattr(entry, name)) for name in _TIMES}
    return {"key": list(entry.key), **{name: getattr(entry, name) for name in _PLAIN}, **times}


def _entry(row: Mapping[str, Any]) -> Entry:
    row = {"severity": KINDS[row["key"][0]].severity, "told_as": None, **row}  # books of before know neither
    fields: dict[str, Any] = {name: row[name] for name in _PLAIN}
    fields |= {name: _time(row[name]) for name in _TIMES}
    return Entry(Key(*row["key"]), **fields)


def _pause_document(kind: str, subject: str, pause: Pause) -> dict[str, Any]:
    return {
        "kind": kind,
        "subject": subject,
        "by": pause.by,
        "reason": pause.reason,
        "since": _text(pause.since),
        "until": _text(pause.until),
    }


def _text(moment: datetime | None) -> str | None:
    return moment.isoformat() if moment else None


def _time(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text) if text else None
