"""A tree's life in the room from its log: which dips stand, which were taken back, where it hung. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from drymon.shop.events import Dip, Leave, LogEvent, Look, Move, Undo


@dataclass(frozen=True)
class Stay:
    """A rack, and the load cell if any, from `begin` to `end`."""

    rack: str
    cell: str | None
    begin: datetime
    end: datetime


@dataclass(frozen=True)
class TakenBack:
    """A dip and the undo that took it back."""

    dip: Dip
    undo: Undo


@dataclass(frozen=True)
class Coat:
    """A dip that stands, with what the log left to the tree's history filled in; on top until `end`."""

    dip: Dip
    number: int
    shelter: str
    recipe: str
    stays: tuple[Stay, ...]
    end: datetime
    ended_by: str


@dataclass(frozen=True)
class Life:
    """One tree of that name, from its first dip until it left; `end` is the record's end for one still in the room."""

    events: tuple[LogEvent, ...]
    coats: tuple[Coat, ...]
    taken_back: tuple[TakenBack, ...]
    begin: datetime
    end: datetime
    gone: bool


def lives_of(events: Iterable[LogEvent], end: datetime) -> list[Life]:
    """The lives that a tree's events tell of, oldest first: a name may be given to another tree later.

    events: of one tree, in time order. Those without any dip tell of no shell and are left out.
    """
    parts: list[list[LogEvent]] = [[]]
    for event in events:
        if _ends(parts[-1][-1] if parts[-1] else None) and isinstance(event, Dip):
            parts.append([])
        parts[-1].append(event)
    return [_life(part, end) for part in parts if any(isinstance(event, Dip) for event in part)]


def _ends(event: LogEvent | None) -> bool:
    return isinstance(event, Leave) or (isinstance(event, Look) and event.finding == "scrap")


def _life(events: Sequence[LogEvent], end: datetime) -> Life:
    gone = next((event for event in events if _ends(event)), None)
    until = gone.time if gone else max(end, events[-1].time)
    standing, taken_back = _dips(events)
    return Life(
        events=tuple(events),
        coats=tuple(_coats(events, standing, until, bool(gone))),
        taken_back=tuple(taken_back),
        begin=next(event.time for event in events if isinstance(event, Dip)),
        end=until,
        gone=gone is not None,
    )


def _dips(events: Sequence[LogEvent]) -> tuple[list[Dip], list[TakenBack]]:
    standing: list[Dip] = []
    taken_back: list[TakenBack] = []
    for event in events:
        if isinstance(event, Dip):
            standing.append(event)
        elif isinstance(event, Undo) and standing:
            taken_back.append(TakenBack(standing.pop(), event))
    return standing, taken_back


def _coats(events: Sequence[LogEvent], dips: Sequence[Dip], until: datetime, gone: bool) -> Iterable[Coat]:
    number, shelter, recipe, last = 0, "pocketed", "", None
    for dip, after in zip(dips, [*dips[1:], None], strict=True):
        end = max(after.time if after else until, dip.time)
        number, shelter, recipe = dip.number or number + 1, dip.shelter or shelter, dip.recipe or recipe
        cell = dip.cell or (last.cell if last and last.rack == dip.rack else None)
        stays = _stays(Stay(dip.rack, cell, dip.time, end), events)
        last = stays[-1]
        ended_by = "the next dip" if after else "leaving the room" if gone else "the end of this record"
        yield Coat(dip, number, shelter, recipe, tuple(stays), end, ended_by)


def _stays(first: Stay, events: Sequence[LogEvent]) -> list[Stay]:
    stays = [first]
    for event in events:
        if isinstance(event, Move) and first.begin <= event.time < first.end:
            last = stays.pop()
            stays += [
                Stay(last.rack, last.cell, last.begin, event.time),
                Stay(event.rack, event.cell, event.time, first.end),
            ]
    return [stay for stay in stays if stay.begin < stay.end] or stays[-1:]
