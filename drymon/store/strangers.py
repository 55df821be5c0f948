"""Log events that tell of a tree which nobody knows, by the record: a slip in its name, most often."""

from collections.abc import Sequence
from operator import attrgetter

from drymon.shop.events import Dip, TreeEvent, Undo
from drymon.shop.lives import lives_of, undone
from drymon.store.store import Store


def no_such_tree(store: Store, event: TreeEvent) -> str:
    """What is wrong with the event's tree: it never hung here, or had left by then; "" where nothing is, or for a dip.

    A time before the first dip is no slip in the name: people round, and notebooks are typed in in any order.
    """
    own = [told for told in store.events(tree=event.tree) if isinstance(told, TreeEvent)]
    if isinstance(event, Dip) or _concerns(event, own):
        return ""
    there = ", ".join(verdict.tree for verdict in store.current_verdicts()) or "no trees"
    what = "no dip of it to take back" if isinstance(event, Undo) else "no such tree"
    return f'tree: received "{event.tree}"; there is {what}; in the room hang {there}'


def _concerns(event: TreeEvent, own: Sequence[TreeEvent]) -> bool:
    events = sorted(own if event in own else [*own, event], key=attrgetter("time", "arrived"))
    if isinstance(event, Undo):
        return event in undone(events).values()
    return any(event.time <= life.end for life in lives_of(events, event.time))
