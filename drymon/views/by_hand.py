"""What people say by a command or a tap: looked at for slips before it is sent, answered in a sentence once it is on
record. One home for both.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta

from drymon.messages.message import Message
from drymon.messages.parse import Parser
from drymon.messages.settings import HomeConfig
from drymon.readback.coat_history import last_life
from drymon.shop.facts.events import (
    Dip,
    Felt,
    Leave,
    LogEvent,
    Look,
    Move,
    SlurryCheck,
    SlurryUndo,
    TreeEvent,
    Undo,
    Weigh,
)
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.facts.slips import did_you_mean, doubtful_weighing, early_dip
from drymon.shop.facts.slurry import tanks_of
from drymon.shop.facts.standing import taken_by
from drymon.shop.plan.tank_notes import tank_note
from drymon.store import Store
from drymon.views.event_words import event_words

AROUND = timedelta(minutes=10)
"""A time told a little ahead of the clock is put on record as now."""


def event_of(config: HomeConfig, message: Message) -> LogEvent:
    """The log event that a message tells, the first where it tells of several trees; RefusedMessage where it tells
    none.
    """
    return events_of(config, message)[0]


def events_of(config: HomeConfig, message: Message) -> list[LogEvent]:
    """All log events that a message tells; RefusedMessage where it tells none."""
    return [item for item in Parser(config).parse(message).items if not isinstance(item, Reading)]


# Before it is sent


def mistyped(room: RoomSetup, event: LogEvent) -> str:
    """What a dip or move names that room.toml does not have, with the near names, "" where it names nothing such.

    Over the broker it is a fact, and recorded with a word on it; whoever types or taps it can put it right.
    """
    if isinstance(event, SlurryCheck) and not event.coats and event.slurry not in room.tank_by_name:
        there = did_you_mean(event.slurry, room.tank_by_name)
        return f'slurry: received "{event.slurry}"; in room.toml are {there}'
    if not isinstance(event, Dip | Move):
        return ""
    named: dict[str, Iterable[str]] = {
        "coat": room.coat_by_name,
        "cell": [cell.name for cell in room.cells],
        "recipe": room.recipe_by_name,
        "slurry": room.tank_by_name,
    }
    for key, known in named.items():
        said = getattr(event, key, None)
        if said is not None and said not in known:
            return f'{key}: received "{said}"; in room.toml are {did_you_mean(said, known)}'
    return ""


def doubtful(store: Store, room: RoomSetup, event: LogEvent) -> str:
    """What is strange about an event beside what is on record of its tree, "" where nothing is."""
    if not isinstance(event, Weigh):
        return ""
    life = last_life(list(store.events(tree=event.tree)), event.arrived)
    return doubtful_weighing(event, life, room.timezone)


def in_force(store: Store, tree: str, moment: datetime) -> Verdict | None:
    """What was said of a tree at a moment; None where nothing was, or it had expired."""
    said = [verdict for verdict in store.current_verdicts() if verdict.tree == tree]
    if not said or said[0].time > moment:
        said = list(store.verdict_history(tree, moment - timedelta(days=1), moment))[-1:]
    return said[0] if said and said[0].valid_until >= moment else None


def early(verdict: Verdict | None) -> str:
    """What whoever dips this tree now is warned of, "" where it is safe or nothing is known of the tree."""
    return "" if verdict is None else early_dip(verdict)


def tank_told(store: Store, room: RoomSetup, coat: str, now: datetime, slurry: str | None = None) -> str:
    """What whoever dips this coat now is told of its tank, "" where it was checked and is as it should be."""
    return tank_note(tanks_of(room, store.tank_events()), coat, now, room.timezone, slurry)


# Once it is on record


def is_on_record(store: Store, event: LogEvent) -> bool:
    """Whether the service has taken the event up."""
    since = min(event.time, event.arrived) - AROUND
    return any(one.id == event.id for one in store.events(since, None, getattr(event, "tree", None)))


def refusal(store: Store, message: Message) -> str:
    """Why the service has refused the message, "" where it has not."""
    return next((one.reason for one in store.latest_refused(5) if message.payload.startswith(one.payload or b"?")), "")


def taken_back(store: Store, event: LogEvent, now: datetime, timezone: str) -> str:
    """What an undo that is on record has taken back: `weighed: 2 kg, told for 14:05`; "" where it took nothing, and for
    other events.
    """
    if isinstance(event, SlurryUndo):
        said = [one for one in store.tank_events() if one.slurry == event.slurry]
        last = next((one for one in said if isinstance(one, SlurryUndo) and one.id == event.id), None)
        check = taken_by(last, said) if last is not None else None
        return f"{event_words(check)}, told for {say(check.time, now, timezone)}" if check is not None else ""
    if not isinstance(event, Undo):
        return ""
    own = [one for one in store.events(tree=event.tree) if isinstance(one, TreeEvent)]
    undo = next((one for one in own if isinstance(one, Undo) and one.id == event.id), None)
    taken = taken_by(undo, own) if undo is not None else None
    return f"{event_words(taken)}, told for {say(taken.time, now, timezone)}" if taken is not None else ""


def sentence(
    event: LogEvent, verdict: Verdict | None, now: datetime, timezone: str, *, known: bool = True, taken: str = ""
) -> str:
    """`tree-1, coat 1 (prime-first), rack-a, 17:46: likely dry at 23:26: touch-test it then; surely by Thu 12:35`.

    verdict: what is said of the tree now, None where it does not hang in the room. known: whether that can be told.
    taken: what an undo has taken back, in words.
    """
    head = f"{_head(event, verdict, taken)}, {say(event.time, now, timezone)}"
    if not known or not isinstance(event, TreeEvent) or isinstance(event, Leave):
        return head
    if verdict is None:
        return f"{head}; it does not hang in the room now"
    told = isinstance(event, Dip) and event.time == verdict.dipped_at
    return f"{head}: {'' if told else f'coat {verdict.number} ({verdict.coat}) '}{outlook(verdict)}"


def _head(event: LogEvent, verdict: Verdict | None, taken: str) -> str:
    match event:
        case Dip():
            newest = verdict is not None and verdict.dipped_at == event.time
            number = f"coat {verdict.number} ({event.coat})" if verdict and newest else f"dipped: {event.coat}"
            return f"{event.tree}, {number}, {event.rack}"
        case Weigh():
            return f"{event.tree} weighs {event.mass:.6g} kg"
        case Felt():
            return f"{event.tree} {event.words}"
        case Look():
            return f"{event.tree} looked at: {event.finding}"
        case Move():
            return f"{event.tree} hangs on {event.rack} now" + (f", on {event.cell}" if event.cell else "")
        case Leave():
            return f"{event.tree} left the room"
        case Undo() | SlurryUndo():
            subject = event.tree if isinstance(event, Undo) else f"slurry {event.slurry}"
            return f"{subject}: taken back, as if never said" + (f" ({taken})" if taken else "")
        case _:
            return event_words(event)


def outlook(verdict: Verdict) -> str:
    """The verdict in a few words: `likely dry at 23:26: touch-test it then; ...`, `ready: dip it by Tue 11:05`."""
    match verdict.state:
        case State.READY:
            return f"ready: {verdict.advice}"
        case State.COMPLETE:
            return "complete; this says nothing about dewax or pour"
        case State.DRYING:
            return verdict.advice
        case state:
            why = f": {verdict.reasons[0].text}" if verdict.reasons else ""
            return ("on hold" if state is State.HOLD else "cannot tell") + why
