"""Alarms: what stands, and what people do about it."""

from datetime import timedelta
from typing import Any

from flask import Flask, request, url_for

from drymon.errors import AlarmError
from drymon.shop import alarm_acts
from drymon.shop.alarm_book import AlarmBook, AlarmState, Entry
from drymon.views.page.desk import Desk, Flash, back_to, told

SHELVES = {"1 h": 60, "4 h": 240, "1 day": 1440, "3 days": 4320}
HISTORY = timedelta(days=7)
MOST_LINES = 100
SEVERITY = {"danger": 0, "warning": 1, "notice": 2}


def add(app: Flask, desk: Desk) -> None:
    """Register these views."""

    @app.get("/alarms")
    def alarms() -> Any:
        return desk.render("alarms.html", **_standing(desk), poll=url_for("alarms_part"))

    @app.get("/part/alarms")
    def alarms_part() -> Any:
        return desk.fragment("_alarms.html", **_standing(desk))

    @app.post("/alarms/acknowledge")
    def acknowledge() -> Any:
        return _act(desk, "acknowledged", _acknowledge)

    @app.post("/alarms/shelve")
    def shelve() -> Any:
        return _act(desk, "shelved", _shelve)

    @app.post("/alarms/unshelve")
    def unshelve() -> Any:
        return _act(desk, "unshelved", _unshelve)


def _standing(desk: Desk) -> dict[str, Any]:
    store, book = desk.store(), desk.store().alarm_book()
    return {
        "book": book,
        "entries": sorted(book.standing(), key=lambda entry: _pressing(book, entry)),
        "states": AlarmState,
        "shelves": SHELVES,
        "delivered": store.last_delivered(),
        "waiting": len(store.notices()),
        "history": list(store.alerts(desk.words().now - HISTORY))[::-1][:MOST_LINES],
    }


def _pressing(book: AlarmBook, entry: Entry) -> tuple[int, int]:
    quiet = book.state(entry) in (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE, AlarmState.ACKNOWLEDGED)
    return int(quiet), SEVERITY[entry.kind.severity]


def _act(desk: Desk, change: str, act: Any) -> Any:
    person = desk.person
    assert person is not None  # the guard lets nobody else change anything
    alarm_id = request.form.get("id", "")[:200]
    with told(desk, AlarmError):
        detail = {key: request.form.get(key, "")[:200] for key in ("minutes", "reason")}
        now = desk.ports.now()
        desk.ports.alarm(lambda book: act(book, alarm_id, person.name, now, detail), alarm_id, change, person.name)
        note = " ".join(filter(None, (alarm_id, detail["reason"])))
        desk.ports.write(lambda store: store.add_audit(now, person.name, f"alarm {change}", note))
        desk.flash(Flash(f"Done: {change}"))
    return back_to(url_for("alarms"))


def _acknowledge(book: AlarmBook, alarm_id: str, by: str, now: Any, _: dict[str, str]) -> AlarmBook:
    return alarm_acts.acknowledge(book, alarm_id, by, now)


def _shelve(book: AlarmBook, alarm_id: str, by: str, now: Any, detail: dict[str, str]) -> AlarmBook:
    if detail["minutes"] not in {str(minutes) for minutes in SHELVES.values()}:
        raise AlarmError(f"received {detail['minutes']!r} minutes; allowed are {', '.join(SHELVES)}")
    until = now + timedelta(minutes=int(detail["minutes"]))
    return alarm_acts.shelve(book, alarm_id, until, detail["reason"], by, now)


def _unshelve(book: AlarmBook, alarm_id: str, by: str, now: Any, _: dict[str, str]) -> AlarmBook:
    return alarm_acts.unshelve(book, alarm_id, by, now)
