"""Logging by tap: the form becomes a message on the broker, and comes back as a verdict."""

import json
import threading
from dataclasses import replace
from typing import Any

from flask import Flask, request

from drymon.errors import BrokerError, RefusedMessage
from drymon.messages.message import Message
from drymon.messages.times import stamp
from drymon.shop.facts.events import Felt, LogEvent, TreeEvent
from drymon.shop.facts.standing import entry_of
from drymon.views import by_hand
from drymon.views.event_words import event_words
from drymon.views.page.log_forms import TEXTS, event_message
from drymon.views.page.page_context import Ask, Flash, PageContext, back_to, told

PATIENCE_S, LOOK_EVERY_S = 3.0, 0.05
_ONE_AFTER_ANOTHER = threading.Lock()


def one_after_another() -> threading.Lock:
    """Held while something is logged, so that two phones tapping the same dip do not both log it."""
    return _ONE_AFTER_ANOTHER


def add(app: Flask, context: PageContext) -> None:
    """Register these views."""

    @app.post("/log/<event>")
    def log_event(event: str) -> Any:
        with told(context, RefusedMessage, BrokerError), one_after_another():
            _log(context, event, {key: request.form[key] for key in request.form})
        return back_to(request.form.get("back"))


def _log(context: PageContext, event: str, form: dict[str, str]) -> None:
    person = context.person
    assert person is not None  # the guard lets nobody else change anything
    if event not in TEXTS:
        raise RefusedMessage(f"received the event {event[:20]!r}; allowed are {', '.join(TEXTS)}")
    if "tree" in TEXTS[event]:
        names, seen = (form.get(one, "").split(",") for one in ("trees" if "trees" in form else "tree", "seen"))
        for place, name in enumerate(names):
            _check_unchanged(context, name.strip(), seen[place] if place < len(seen) else "")
    message = event_message(context.ports.config, event, form, person.name, context.ports.now())
    if (asked := _slip(context, event, form, by_hand.event_of(context.ports.config, message))) is not None:
        context.flash(asked)
        return
    content = json.loads(message.payload)
    context.ports.publish(message.topic, content)
    context.ports.write(
        lambda store: store.add_audit(context.ports.now(), person.name, f"logged {event}", message.payload.decode())
    )
    context.flash(_answer(context, message, event, content))


def _slip(context: PageContext, event: str, form: dict[str, str], said: LogEvent) -> Flash | None:
    """What is asked before anything is logged: a name that is not there is refused, a strange weighing insisted on."""
    if wrong := by_hand.mistyped(context.room, said):
        raise RefusedMessage(f"{wrong}: nothing was logged")
    mass = form.get("mass", "").strip()
    if form.get("sure") == mass or not (strange := by_hand.doubtful(context.store(), context.room, said)):
        return None
    kept: dict[str, str] = {key: form[key] for key in ("tree", "seen", "mass", "unit") if key in form}
    insist = Ask(event, {**kept, "sure": mass}, f"It is right: log {mass} {form.get('unit', 'kg')}")
    return Flash(f"{strange}. Nothing was logged", good=False, ask=insist)


def _check_unchanged(context: PageContext, name: str, seen: str) -> None:
    """What the person saw must still hold: a look at coat 4 must not release what holds coat 5."""
    tree = context.look().tree(name)
    now = stamp(tree.verdict.dipped_at) if tree else ""
    if seen != now:
        what = f"coat {tree.verdict.number} was dipped {context.words().moment(tree.verdict.dipped_at)}" if tree else ""
        raise RefusedMessage(
            f"{name} has changed since this page was shown ({what or 'it left the room'}): nothing was logged. "
            "Look again, then tap again"
        )


def _answer(context: PageContext, message: Message, event: str, content: dict[str, Any]) -> Flash:
    said = by_hand.event_of(context.ports.config, message)
    wrong = _refusal(context, message, said)
    done = wrong or _with_outlook(context, content, _done(context, event, content, said))
    return done if wrong or "trees" not in content else replace(done, each=_each(context, message))


def _each(context: PageContext, message: Message) -> tuple[tuple[str, str, str], ...]:
    """Each tree of a dip of several, as it may be taken back alone."""
    events = [event for event in by_hand.events_of(context.ports.config, message) if isinstance(event, TreeEvent)]
    return tuple((event.tree, _dipped_at(context, event.tree), entry_of(event)) for event in events)


def said_anew(context: PageContext, message: Message, said: LogEvent, flash: Flash) -> Flash:
    """The answer to an entry that was changed: `flash` where the service has taken it up."""
    wrong = _refusal(context, message, said)
    return wrong or _with_outlook(context, {"tree": getattr(said, "tree", None)}, flash)


def _refusal(context: PageContext, message: Message, said: LogEvent) -> Flash | None:
    """Waits until the service has taken the event up (None), or refused it."""
    waited = 0.0
    while waited < PATIENCE_S:
        if by_hand.is_on_record(context.store(), said):
            return None
        context.ports.pause(LOOK_EVERY_S)
        waited += LOOK_EVERY_S
    refused = [r for r in context.store().latest_refused(5) if r.topic == message.topic and r.time >= message.arrived]
    if refused:
        return Flash(f"not logged: {refused[0].reason}", good=False)
    return Flash("sent, but not yet on record: look again in a moment before you tap again", good=False)


def _with_outlook(context: PageContext, content: dict[str, Any], flash: Flash) -> Flash:
    """What is said of the tree now."""
    verdict = next((one for one in context.store().current_verdicts() if one.tree == content.get("tree")), None)
    if verdict is None:
        return flash
    return replace(flash, text=f"{flash.text}; {by_hand.outlook(verdict)}")


def _done(context: PageContext, event: str, content: dict[str, Any], said: LogEvent) -> Flash:
    if "trees" in content:
        return Flash(f"Logged: {', '.join(content['trees'])} dipped, {content.get('coat')}")
    tree, tank = content.get("tree", ""), content.get("slurry", "")
    taken = by_hand.taken_back(context.store(), said, context.words().now, context.room.timezone)
    text = {
        "dip": f"Logged: {tree} dipped, {content.get('coat')} {content.get('number', '')}".rstrip(),
        "weigh": f"Logged: {tree} weighs {content.get('mass')} {content.get('unit', 'kg')}",
        "felt": f"Logged: {tree} {said.words}" if isinstance(said, Felt) else "",
        "look": f"Logged: looked at {tree}, {content.get('finding')}",
        "move": f"Logged: {tree} hangs on {content.get('rack')} now",
        "leave": f"Logged: {tree} left the room",
        "slurry": f"Logged: {event_words(said)}",
        "undo": f"Logged: {tree or tank}: taken back, as if never said" + (f" ({taken})" if taken else ""),
        "fan": f"Logged: fans of {content.get('rack')} {'on' if content.get('on') else 'off'}",
    }[event]
    if event == "slurry":
        return Flash(text, tank=tank, entry=content["id"])
    if not tree or event == "undo":
        return Flash(text)
    return Flash(text, undo=tree, seen=_dipped_at(context, tree), entry=content["id"])


def _dipped_at(context: PageContext, tree: str) -> str:
    verdicts = [v for v in context.store().current_verdicts() if v.tree == tree]
    return stamp(verdicts[0].dipped_at) if verdicts else ""
