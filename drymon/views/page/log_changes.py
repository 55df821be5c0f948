"""An entry changed in one act: it is withdrawn, and the same said anew with another time or weight; or neither is."""

import json
import secrets
from collections.abc import Iterator, Mapping
from datetime import timedelta
from typing import Any

from flask import Flask, request

from drymon.errors import BrokerError, RefusedMessage
from drymon.messages.message import Message
from drymon.messages.outgoing import to_payload
from drymon.messages.topics import log_topic
from drymon.shop.facts.events import SlurryUndo, TankEvent, TreeEvent, Undo
from drymon.shop.facts.standing import entry_of
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
    event, topic, content = _said(context, form)
    by = {"by": person.name}
    new = {**content, **changed_fields(ports.config, form, ports.now()), **by, "id": f"page-{secrets.token_hex(12)}"}
    message = Message(ports.now(), topic, to_payload(new), qos=1)
    again = by_hand.event_of(ports.config, message)  # what the service would refuse is refused before anything is said
    if wrong := by_hand.mistyped(context.room, again):
        raise RefusedMessage(f"{wrong}: nothing was changed")
    if event_words(again) == event_words(event) and again.time == event.time:
        raise RefusedMessage("received the entry as it was; give another time or weight, or withdraw it")
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


def _said(context: PageContext, form: Mapping[str, str]) -> tuple[TreeEvent | TankEvent, str, dict[str, Any]]:
    """The entry, the topic that it came on, and what its message said, without its time and id."""
    entry = form.get("entry", "")
    for event, topic, content in _log_messages(context, form):
        if entry_of(event) == entry and not isinstance(event, Undo | SlurryUndo):
            return event, topic, content
    raise RefusedMessage(
        f"entry: received {entry[:40]!r}; allowed is one of the last 30 days that stands: withdraw it, and say it anew"
    )


def _log_messages(
    context: PageContext, form: Mapping[str, str]
) -> Iterator[tuple[TreeEvent | TankEvent, str, dict[str, Any]]]:
    """What was said of the form's tree or tank, each with the topic and content of the message that said it."""
    name = form.get("tree") or form.get("slurry", "")
    store = context.store()
    events = list(store.events(tree=name)) if form.get("tree") else list(store.tank_events())
    for event in events:
        if not isinstance(event, TreeEvent | TankEvent):
            continue
        for message in store.messages(event.arrived, event.arrived + timedelta(microseconds=1)):
            if (content := _content(message, event)) is not None:
                yield event, message.topic, content


def _content(message: Message, event: TreeEvent | TankEvent) -> dict[str, Any] | None:
    """What the message says, where it is one that told the event."""
    try:
        content = json.loads(message.payload)
    except ValueError:
        return None
    if not isinstance(content, dict) or "/log/" not in message.topic:
        return None
    trees = content.pop("trees", None)
    if trees is not None and isinstance(event, TreeEvent) and event.tree in trees:
        content["tree"] = event.tree
    about = getattr(event, "tree", None) or getattr(event, "slurry", None)
    if about not in (content.get("tree"), content.get("slurry")):
        return None
    return {key: value for key, value in content.items() if key not in ("time", "id", "by")}
