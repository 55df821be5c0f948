"""What was said of a tree or a tank, and what of it was taken back: one rule for the live room and for all that read
the record.

An undo takes back what was said last and still stands, in the order in which it was said, whatever time it speaks of;
or the entry that it names. Pure.
"""

import zlib
from collections.abc import Iterable, Sequence
from dataclasses import Field, dataclass, fields
from datetime import UTC
from typing import Any, Generic, TypeVar

from drymon.shop.facts.events import CellMass, Event, SlurryUndo, Undo

E = TypeVar("E", bound=Event)
AnyUndo = Undo | SlurryUndo


@dataclass(frozen=True, slots=True)
class Said(Generic[E]):
    """An event, and the undo that took it back, None where it was not."""

    event: E
    taken_back: AnyUndo | None = None

    @property
    def stands(self) -> bool:
        """Whether it counts; an undo is no fact about the tree or tank."""
        return self.taken_back is None and not isinstance(self.event, AnyUndo)


def judged(events: Sequence[E]) -> list[Said[E]]:
    """One tree's or tank's events in the order given, each with what took it back."""
    taken = _taken_back(events)
    return [Said(event, taken.get(place)) for place, event in enumerate(events)]


def in_time(events: Iterable[E]) -> list[Said[E]]:
    """The same in the order in which they happened."""
    return judged(sorted(events, key=lambda event: (event.time, event.arrived, event.place)))


def by_arrival(events: Iterable[E]) -> list[E]:
    """In the order in which they were said."""
    return sorted(events, key=lambda event: (event.place, event.arrived))


def taken_by(undo: AnyUndo, events: Iterable[E]) -> E | None:
    """What an undo among one tree's or tank's events takes back, None where it takes nothing."""
    return next((said.event for said in judged(list(events)) if said.taken_back is undo), None)


def entry_of(event: Event) -> str:
    """The name by which an undo may take the entry back: its id, else one made of what was said and when it came."""
    if event.id:
        return event.id
    told = [str(getattr(event, each.name)) for each in fields(event) if _named_by(event, each)]
    said = zlib.crc32("\x1f".join([type(event).__name__, *told]).encode("utf-8", "replace"))
    return f"{event.arrived.astimezone(UTC):%Y%m%dT%H%M%S.%fZ}-{said:08x}"


def _named_by(event: Event, part: Field[Any]) -> bool:
    """Whether this field has a say in the name of its entry: names of what is on record never change."""
    added = "later" in part.metadata and getattr(event, part.name) == part.default
    return part.name not in ("arrived", "place") and not added


def _taken_back(events: Sequence[Event]) -> dict[int, AnyUndo]:
    """By place: the undo that took the event there back."""
    said = [place for place, event in enumerate(events) if not isinstance(event, CellMass)]
    if not any(isinstance(events[place], AnyUndo) for place in said):
        return {}
    standing: list[int] = []
    taken: dict[int, AnyUndo] = {}
    ahead: dict[str, AnyUndo] = {}  # a network may bring an undo before the entry that it names
    for place in sorted(said, key=lambda each: (events[each].place, events[each].arrived)):
        event = events[place]
        if isinstance(event, AnyUndo):
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


def _meant(undo: AnyUndo, standing: Sequence[tuple[int, Event]]) -> int | None:
    """Which of those that stand, in the order in which they were said, the undo means."""
    newest_first = reversed(standing)
    return next((place for place, event in newest_first if not undo.entry or entry_of(event) == undo.entry), None)
