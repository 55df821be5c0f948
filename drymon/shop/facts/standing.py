"""What was said of a tree, and what of it was taken back: one rule for the live room and for all that read the record.

An undo takes back what was said last and still stands, in the order in which it was said, whatever time it speaks of;
or the entry that it names. Pure.
"""

import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import UTC

from drymon.shop.facts.events import CellMass, TreeEvent, Undo


@dataclass(frozen=True, slots=True)
class Said:
    """An event, and the undo that took it back, None where it was not."""

    event: TreeEvent
    taken_back: Undo | None = None

    @property
    def stands(self) -> bool:
        """Whether it counts; an undo is no fact about the tree."""
        return self.taken_back is None and not isinstance(self.event, Undo)


def judged(events: Sequence[TreeEvent]) -> list[Said]:
    """One tree's events in the order given, each with what took it back."""
    taken = _taken_back(events)
    return [Said(event, taken.get(place)) for place, event in enumerate(events)]


def in_time(events: Iterable[TreeEvent]) -> list[Said]:
    """The same in the order in which they happened."""
    return judged(sorted(events, key=lambda event: (event.time, event.arrived, event.place)))


def by_arrival(events: Iterable[TreeEvent]) -> list[TreeEvent]:
    """In the order in which they were said."""
    return sorted(events, key=lambda event: (event.place, event.arrived))


def taken_by(undo: Undo, events: Iterable[TreeEvent]) -> TreeEvent | None:
    """What an undo among one tree's events takes back, None where it takes nothing."""
    return next((said.event for said in judged(list(events)) if said.taken_back is undo), None)


def entry_of(event: TreeEvent) -> str:
    """The name by which an undo may take the entry back: its id, else one made of what was said and when it came."""
    if event.id:
        return event.id
    told = [str(getattr(event, each.name)) for each in fields(event) if each.name not in ("arrived", "place")]
    said = zlib.crc32("\x1f".join([type(event).__name__, *told]).encode("utf-8", "replace"))
    return f"{event.arrived.astimezone(UTC):%Y%m%dT%H%M%S.%fZ}-{said:08x}"


def _taken_back(events: Sequence[TreeEvent]) -> dict[int, Undo]:
    """By place: the undo that took the event there back."""
    said = [place for place, event in enumerate(events) if not isinstance(event, CellMass)]
    if not any(isinstance(events[place], Undo) for place in said):
        return {}
    standing: list[int] = []
    taken: dict[int, Undo] = {}
    ahead: dict[str, Undo] = {}  # a network may bring an undo before the entry that it names
    for place in sorted(said, key=lambda each: (events[each].place, events[each].arrived)):
        event = events[place]
        if isinstance(event, Undo):
            found = _meant(event, [(each, events[each]) for each in standing])
            if found is not None:
                taken[found] = event
                standing.remove(found)
            elif event.entry and all(entry_of(events[each]) != event.entry for each in taken):
                ahead.setdefault(event.entry, event)
        elif ahead and (undo := ahead.pop(entry_of(event), None)) is not None:
            taken[place] = undo
        else:
            standing.append(place)
    return taken


def _meant(undo: Undo, standing: Sequence[tuple[int, TreeEvent]]) -> int | None:
    """Which of those that stand, in the order in which they were said, the undo means."""
    meant = [place for place, event in standing if not undo.entry or entry_of(event) == undo.entry]
    return meant[-1] if meant else None
