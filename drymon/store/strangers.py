"""Log events that tell of a tree which nobody knows, by the record: a slip in its name, most often."""

from collections.abc import Sequence

from drymon.shop.facts.events import Dip, SlurryUndo, TreeEvent, Undo
from drymon.shop.facts.lives import lives_of
from drymon.shop.facts.standing import by_arrival, taken_by
from drymon.store.store import Store


def no_such_tree(store: Store, event: TreeEvent) -> str:
    """What is wrong with the event's tree: it never hung here, or had left by then; "" where nothing is, or for a dip.

    A time before the first dip is no slip in the name: people round, and notebooks are typed in in any order.
    """
    own = [told for told in store.events(tree=event.tree) if isinstance(told, TreeEvent)]
    if isinstance(event, Dip) or _concerns(event, own):
        return ""
    if isinstance(event, Undo) and event.entry and not all(isinstance(one, Undo) for one in own):
        return f'entry: received "{event.entry}"; nothing that stands was said of {event.tree} under this name'
    there = ", ".join(verdict.tree for verdict in store.current_verdicts()) or "no trees"
    what = "nothing said of it that still stands" if isinstance(event, Undo) else "no such tree"
    return f'tree: received "{event.tree}"; there is {what}; in the room hang {there}'


def nothing_taken(store: Store, undo: SlurryUndo) -> str:
    """What is wrong with taking back what was said of a tank, "" where it takes something."""
    own = [one for one in store.tank_events() if one.slurry == undo.slurry]
    said = next((one for one in own if one == undo and isinstance(one, SlurryUndo)), None)
    if taken_by(said or undo, own if said else [*own, undo]) is not None:
        return ""
    return f'slurry: received "{undo.slurry}"; nothing that still stands was said of it'


def _concerns(event: TreeEvent, own: Sequence[TreeEvent]) -> bool:
    events = own if event in own else [*own, event]
    if isinstance(event, Undo):
        undo = next(one for one in reversed(by_arrival(events)) if one == event)
        return isinstance(undo, Undo) and taken_by(undo, events) is not None
    return any(event.time <= life.end for life in lives_of(events, event.time))
