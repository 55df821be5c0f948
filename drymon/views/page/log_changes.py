"""An entry changed in one act: it is withdrawn, and the same said anew with another time or weight; or neither is."""

import json
import secrets
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import timedelta
from typing import Any

from flask import Flask, request

from drymon.errors import BrokerError, RefusedMessage
from drymon.messages.message import Message
from drymon.messages.outgoing import to_payload
from drymon.messages.parse import Parser
from drymon.messages.topics import log_topic
from drymon.shop.facts.events import LogEvent, SlurryUndo, TankEvent, TreeEvent, Undo
from drymon.shop.facts.standing import entry_of, judged
from drymon.views import by_hand
from drymon.views.event_words import event_words
from drymon.views.page.log_forms import changed_fields
from drymon.views.page.log_views import one_after_another, said_anew
from drymon.views.page.page_context import Flash, PageContext, back_to, told

_ABOUT = ("tree", "slurry")


def add(app: Flask, context: PageContext) -> None:
    """Register this view."""

    @app.post("/log/change")
    def change_entry() -> Any:
        with told(context, RefusedMessage, BrokerError), one_after_another():
            _change(context, {key: request.form[key] for key in request.form})
        return back_to(request.form.get("back"))


def _change(context: PageContext, form: Mapping[str, str]) -> None:
    person, ports = context.person, context.ports
    assert person is not None  # the guard lets nobody else change anything
    event = _standing(context, form)
    topic, content = _said(context, event)
    by = {"by": person.name}
    fields = changed_fields(ports.config, form, event.time, ports.now())
    new = {**content, **fields, **by, "id": f"page-{secrets.token_hex(12)}"}
    message = Message(ports.now(), topic, to_payload(new), qos=1)
    again = by_hand.event_of(ports.config, message)  # what the service would refuse is refused before anything is said
    _check(context, event, again)
    about = {name: new[name] for name in _ABOUT if name in new}
    ports.publish(
        log_topic(context.room.name, "undo"),
        {**about, "entry": form["entry"], **by, "id": f"page-{secrets.token_hex(12)}"},
    )
    ports.publish(topic, new)
    ports.write(lambda store: store.add_audit(ports.now(), person.name, "changed an entry", json.dumps(new)))
    was = f"{event_words(event)}, {context.words().moment(event.time)}"
    now = f"{event_words(again)}, {context.words().moment(again.time)}"
    context.flash(said_anew(context, message, again, Flash(f"Changed: {' '.join(about.values())}: {now} (was {was})")))


def _standing(context: PageContext, form: Mapping[str, str]) -> TreeEvent | TankEvent:
    """The entry; RefusedMessage where it is none, or another phone has changed or withdrawn it meanwhile."""
    store, entry = context.store(), form.get("entry", "")
    told = store.events(tree=form["tree"]) if form.get("tree") else store.tank_events()
    for said in judged([event for event in told if isinstance(event, TreeEvent | TankEvent)]):
        if said.stands and entry_of(said.event) == entry and not isinstance(said.event, Undo | SlurryUndo):
            return said.event
    raise RefusedMessage(
        f"entry: received {entry[:40]!r}; allowed is one that stands: look again, "
        "somebody may have changed or withdrawn it"
    )


def _said(context: PageContext, event: TreeEvent | TankEvent) -> tuple[str, dict[str, Any]]:
    """The topic that the entry came on, and what its message said, without its time, id and who."""
    for message in context.store().messages(event.arrived, event.arrived + timedelta(microseconds=1)):
        if event in _told_by(context, message, event):
            content: dict[str, Any] = json.loads(message.payload)
            if content.pop("trees", None) and isinstance(event, TreeEvent):
                content["tree"] = event.tree
            return message.topic, {key: value for key, value in content.items() if key not in ("time", "id", "by")}
    raise RefusedMessage("entry: received one whose message is no longer kept; withdraw it, and say it anew")


def _told_by(context: PageContext, message: Message, event: TreeEvent | TankEvent) -> list[object]:
    """What the message tells, each at the entry's place on record."""
    with suppress(RefusedMessage):
        items = Parser(context.ports.config).parse(message).items
        return [replace(item, place=event.place) for item in items if isinstance(item, TreeEvent | TankEvent)]
    return []


def _check(context: PageContext, event: TreeEvent | TankEvent, again: LogEvent) -> None:
    """RefusedMessage where the changed entry is none, or is strange."""
    if wrong := by_hand.mistyped(context.room, again):
        raise RefusedMessage(f"{wrong}: nothing was changed")
    if event_words(again) == event_words(event) and again.time == event.time:
        raise RefusedMessage("received the entry as it was; give another time or weight, or withdraw it")
    if strange := by_hand.doubtful(context.store(), context.room, again):
        raise RefusedMessage(f"{strange}. Nothing was changed: where it is right, withdraw the entry and weigh it anew")
