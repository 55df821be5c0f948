"""Alarms: what stands, and what people do about it."""

from datetime import datetime, timedelta
from typing import Any

from flask import Flask, abort, request, url_for

from drymon.errors import AlarmError
from drymon.messages.times import stamp
from drymon.shop.alarms.alarm_acts import about_of, act_of
from drymon.shop.alarms.alarm_book import AlarmBook, AlarmState, Entry
from drymon.shop.facts.outcome import SEVERITIES, State
from drymon.views.page.page_context import Flash, PageContext, back_to, told

DONE = {
    "acknowledge": "Acknowledged",
    "acknowledge-over": "Acknowledged all that are over",
    "shelve": "Shelved",
    "unshelve": "Taken off the shelf",
    "out-of-service": "Taken out of service",
    "in-service": "Back in service",
}
SHELVES = {"1 h": 60, "4 h": 240, "1 day": 1440, "3 days": 4320}
HISTORY = timedelta(days=7)
MOST_LINES = 100


def add(app: Flask, context: PageContext) -> None:
    """Register these views."""

    @app.get("/alarms")
    def alarms() -> Any:
        return context.render("alarms.html", **_standing(context), poll=url_for("alarms_part"))

    @app.get("/part/alarms")
    def alarms_part() -> Any:
        return context.fragment("_alarms.html", **_standing(context))

    @app.post("/alarms/<act>")
    def alarm_act(act: str) -> Any:
        return _act(context, act) if act in DONE else abort(404, "no such act")


def _standing(context: PageContext) -> dict[str, Any]:
    store, book = context.store(), context.store().alarm_book()
    entries = book.standing()
    shown = {entry.key[:2] for entry in entries}
    return {
        "book": book,
        "entries": sorted(entries, key=lambda entry: _pressing(book, entry)),
        "silenced": [(kind, pause) for kind, pause in sorted(book.pauses.items()) if kind not in shown],
        "over": len(book.over()),
        "held": {tree.name: tree for tree in context.look().trees if tree.state is State.HOLD},
        "places": _places(context),
        "states": AlarmState,
        "shelves": SHELVES,
        "delivered": store.last_delivered(),
        "waiting": len(store.notices()),
        "history": list(store.alerts(context.words().now - HISTORY))[::-1][:MOST_LINES],
    }


def _places(context: PageContext) -> dict[str, str]:
    """The pages of what alarms are about: trees that hang in the room, and racks."""
    racks = {name: url_for("rack", name=name) for name in context.room.rack_by_name}
    return racks | {tree.name: url_for("tree", name=tree.name) for tree in context.look().trees}


QUIET = (AlarmState.RETURNED, AlarmState.ACKNOWLEDGED, AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE)


def _pressing(book: AlarmBook, entry: Entry) -> tuple[int, int]:
    """What somebody must see to first, the gravest of it on top; then what is over; then what somebody is at."""
    state = book.state(entry)
    return QUIET.index(state) + 1 if state in QUIET and entry.is_alarm else 0, -SEVERITIES.index(entry.severity)


def _act(context: PageContext, act: str) -> Any:
    person = context.person
    assert person is not None  # the guard lets nobody else change anything
    words = {key: request.form.get(key, "").strip()[:200] for key in ("id", "kind", "subject", "reason")}
    about = about_of({**words, "act": act})
    kind, _, subject = about.partition(":")
    with told(context, AlarmError):
        now = context.ports.now()
        words |= {"act": act, "by": person.name, "id": about} | ({"until": _until(now)} if act == "shelve" else {})
        if act == "out-of-service":
            context.store().alarm_book().find(about)  # what nobody can see is not to be silenced by a slip
        context.ports.alarm(act_of(words, now), about, act, person.name)
        note = " ".join(filter(None, (about, words["reason"])))
        context.ports.write(lambda store: store.add_audit(now, person.name, f"alarm {act}", note))
        context.flash(
            Flash(f"{DONE[act]}: {subject.partition(':')[0]} {kind.replace('-', ' ')}" if about else DONE[act])
        )
    return back_to(url_for("alarms"))


def _until(now: datetime) -> str:
    minutes = request.form.get("minutes", "")
    if minutes not in {str(minutes) for minutes in SHELVES.values()}:
        raise AlarmError(f"received {minutes[:20]!r} minutes; allowed are {', '.join(SHELVES)}")
    return stamp(now + timedelta(minutes=int(minutes)))
