"""The lives of trees as the log tells them: which dips stand, what each of them left to the tree's history, where the
tree hung meanwhile.

For all that read the record; the live fold (`shop.tree_log`, `shop.tree`) goes by the same rules. Pure.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from operator import attrgetter

from drymon.shop.facts.events import Dip, Event, Leave, Look, Move, Shelter, TreeEvent
from drymon.shop.facts.standing import Said, in_time

NEXT_DIP = "the next dip"
LEFT = "leaving the room"
ANOTHER = "another tree of its name"
STILL_THERE = "the end of this record"


@dataclass(frozen=True)
class Stay:
    """A rack, and the load cell if any, from `begin` to `end`."""

    rack: str
    cell: str | None
    begin: datetime
    end: datetime


@dataclass(frozen=True)
class Coat:
    """A dip that stands, with what it left to the tree's history filled in; on top until `end`.

    stays: at least one, without gaps. events: what was told while it was on top. ended_by: in words.
    begun_elsewhere: coats below it are not on record. shelter_told: somebody has said of this tree how its faces lie,
    else it counts as pocketed.
    """

    dip: Dip
    number: int
    shelter: Shelter
    recipe: str
    stays: tuple[Stay, ...]
    end: datetime
    ended_by: str = STILL_THERE
    begun_elsewhere: bool = False
    shelter_told: bool = True
    events: tuple[TreeEvent, ...] = ()


@dataclass(frozen=True)
class Life:
    """One tree of that name, from its first dip that stands until it left; `end` is the record's end for one still in
    the room.

    said: all that was told of it, what was taken back too. ended_by: a leave, a look that found scrap, or the first
    dip of another tree of the same name; None for a tree that still hangs.
    """

    tree: str
    said: tuple[Said[TreeEvent], ...]
    coats: tuple[Coat, ...]
    end: datetime
    ended_by: TreeEvent | None

    @property
    def begin(self) -> datetime:
        """When its first coat was dipped."""
        return self.coats[0].dip.time

    @property
    def events(self) -> list[TreeEvent]:
        """What was told of it and stands, in the order in which it happened."""
        return [one.event for one in self.said if one.stands]

    @property
    def taken_back(self) -> list[Said[TreeEvent]]:
        """What was told of it and taken back."""
        return [one for one in self.said if one.taken_back is not None]


def lives_of(events: Iterable[Event], end: datetime) -> list[Life]:
    """The lives that a log tells of, by their beginning: a name may be given to another tree later.

    events: of one tree or of many, in any order. end: where the record ends. A tree without any dip that stands has
    no life.
    """
    by_tree: dict[str, list[TreeEvent]] = {}
    for event in events:
        if isinstance(event, TreeEvent):
            by_tree.setdefault(event.tree, []).append(event)
    lives = [life for own in by_tree.values() for life in _of_tree(in_time(own), end)]
    return sorted(lives, key=attrgetter("begin"))


def all_coats(lives: Iterable[Life]) -> list[Coat]:
    """All coats of these lives, by their dip."""
    return sorted((coat for life in lives for coat in life.coats), key=lambda coat: coat.dip.time)


def takes_away(event: TreeEvent) -> bool:
    """Whether after this event the tree is no longer in the room."""
    return isinstance(event, Leave) or (isinstance(event, Look) and event.finding == "scrap")


def _of_tree(said: Sequence[Said[TreeEvent]], end: datetime) -> Iterator[Life]:
    begins, ends = _limits(said)
    for begin, ended_by, until in zip([0, *begins[1:]], ends, [*begins[1:], len(said)], strict=False):
        own = said[begin:until]
        last = ended_by.time if ended_by is not None else max(end, said[-1].event.time)
        yield Life(
            tree=said[0].event.tree,
            said=tuple(own),
            coats=tuple(_coats([one.event for one in own if one.stands], last, ended_by)),
            end=last,
            ended_by=ended_by,
        )


def _limits(said: Sequence[Said[TreeEvent]]) -> tuple[list[int], list[TreeEvent | None]]:
    """Where each life begins, and what ended it. A dip said to be the first one is another tree's."""
    begins: list[int] = []
    ends: list[TreeEvent | None] = []
    for place, event in ((place, one.event) for place, one in enumerate(said) if one.stands):
        hangs = bool(ends) and ends[-1] is None
        if isinstance(event, Dip) and (not hangs or event.number == 1):
            ends = [*ends[:-1], event] if hangs else ends
            begins.append(place)
            ends.append(None)
        elif hangs and takes_away(event):
            ends[-1] = event
    return begins, ends


def _coats(events: Sequence[TreeEvent], end: datetime, ended_by: TreeEvent | None) -> Iterator[Coat]:
    """The coats of one life. events: without what was taken back."""
    coat: Coat | None = None
    for event in events:
        if isinstance(event, Dip):
            if coat is not None:
                yield _ended(coat, event.time, NEXT_DIP)
            coat = _dipped(event, coat)
        elif coat is not None:
            stays = _moved(coat.stays, event) if isinstance(event, Move) else coat.stays
            coat = replace(coat, stays=stays, events=(*coat.events, event))
        if event is ended_by:
            break
    if coat is not None:
        words = STILL_THERE if ended_by is None else ANOTHER if isinstance(ended_by, Dip) else LEFT
        yield _ended(coat, end, words)


def _dipped(dip: Dip, before: Coat | None) -> Coat:
    number = dip.number or (before.number + 1 if before else 1)
    hung = before.stays[-1] if before else None
    cell = dip.cell or (hung.cell if hung and hung.rack == dip.rack else None)
    return Coat(
        dip=dip,
        number=number,
        shelter=dip.shelter or (before.shelter if before else "pocketed"),
        recipe=dip.recipe or (before.recipe if before else ""),
        stays=(Stay(dip.rack, cell, dip.time, dip.time),),
        end=dip.time,
        begun_elsewhere=number > (before.number + 1 if before else 1),
        shelter_told=dip.shelter is not None or (before is not None and before.shelter_told),
    )


def _moved(stays: tuple[Stay, ...], move: Move) -> tuple[Stay, ...]:
    before = [replace(stays[-1], end=move.time)] if stays[-1].begin < move.time else []
    return (*stays[:-1], *before, Stay(move.rack, move.cell, move.time, move.time))


def _ended(coat: Coat, end: datetime, words: str) -> Coat:
    end = max(end, coat.stays[-1].begin)
    return replace(coat, stays=(*coat.stays[:-1], replace(coat.stays[-1], end=end)), end=end, ended_by=words)
