"""The alarm book on disk: a row for each alarm and each pause, so that a quiet minute rewrites only its instant."""

import json
from collections.abc import Mapping
from typing import Any

from drymon.shop.alarms.alarm_book import AlarmBook
from drymon.shop.alarms.alarm_document import document, from_document
from drymon.store.codec import to_json
from drymon.store.engine import Connection
from drymon.store.notices import Notices

_BOOK = "book"
_LISTS = {"entries": ("key",), "pauses": ("kind", "subject")}
"""The document's lists, and what tells the members of each apart."""


class Alarms(Notices):
    """The part of the store that keeps the alarm book."""

    def __init__(self, db: Connection) -> None:
        super().__init__(db)
        self._saved_book: dict[str, str] | None = None

    def save_alarm_book(self, book: AlarmBook) -> None:
        """Keep the book; only rows that differ from what is kept are written."""
        rows = _rows(document(book))
        texts = {key: to_json(row) for key, row in rows.items()}
        saved = self._saved_rows()
        changed: dict[str, Mapping[str, Any] | None] = {
            key: rows.get(key) for key in sorted({*saved, *texts}) if saved.get(key) != texts.get(key)
        }
        with self.transaction():
            self.save_alarms(changed)
            self._saved_book = texts

    def alarm_book(self) -> AlarmBook:
        """The book as last kept; an empty one before."""
        stored = self.load_alarms()
        whole: dict[str, Any] = {**stored.pop(_BOOK, {}), **{name: [] for name in _LISTS}}
        for key, row in stored.items():
            whole[key.partition(" ")[0]].append(row)
        return from_document(whole)

    def _saved_rows(self) -> dict[str, str]:
        if self._saved_book is None:
            self._saved_book = {key: to_json(row) for key, row in self.load_alarms().items()}
        return self._saved_book

    def _forget(self) -> None:
        super()._forget()
        self._saved_book = None


def _rows(whole: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    rows: dict[str, Mapping[str, Any]] = {_BOOK: {name: part for name, part in whole.items() if name not in _LISTS}}
    for name, parts in _LISTS.items():
        for member in whole[name]:
            rows[f"{name} {json.dumps([member[part] for part in parts])}"] = member
    return rows
