"""A tree's own page: its coats, the air that each of them saw, its weights and its log."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from drymon.drying.quantities import Quantity
from drymon.shop.events import Dip, LogEvent, Move, TreeEvent, Undo, Weigh
from drymon.shop.outcome import AirNow
from drymon.shop.setup import RoomSetup
from drymon.store import Store
from drymon.views.air_record import MINUTE, AirRecord

HOUR = timedelta(hours=1)
LONGEST_LIFE = timedelta(days=60)
MOST_EVENTS = 60


@dataclass(frozen=True, slots=True)
class CoatView:
    """One coat so far: who dipped it when, until when it was on top, and the mean air it saw."""

    dip: Dip
    number: int
    label: str
    end: datetime
    air: AirNow
    states: str


@dataclass(frozen=True, slots=True)
class TreeRecord:
    """What is on record of one tree."""

    coats: Sequence[CoatView]
    weights: Sequence[Weigh]
    events: Sequence[LogEvent]


def tree_record(store: Store, room: RoomSetup, tree: str, now: datetime) -> TreeRecord:
    """Everything on record of a tree, the newest first."""
    air = AirRecord(store, room)
    events = list(store.events(now - LONGEST_LIFE, None, tree))
    life = current_life(events)
    dips = standing_dips(life)
    ends = [*(dip.time for dip in dips[1:]), now][: len(dips)]
    numbers = _numbers(dips)
    coats = [
        CoatView(
            dip,
            number,
            _label(room, dip.coat),
            end,
            mean_air(air, _rack_at(life, dip), dip.time, end),
            _states(store, tree, dip.time, end),
        )
        for dip, number, end in zip(dips, numbers, ends, strict=True)
    ]
    weights = [event for event in life if isinstance(event, Weigh)]
    return TreeRecord(coats[::-1], weights[::-1], life[::-1][:MOST_EVENTS])


def current_life(events: Sequence[LogEvent]) -> list[LogEvent]:
    """The events since the tree last came into the room: a name may be given to another tree later."""
    last = max((index for index, event in enumerate(events[:-1]) if type(event).__name__ == "Leave"), default=-1)
    return list(events[last + 1 :])


def standing_dips(events: Iterable[LogEvent]) -> list[Dip]:
    """The dips that nobody has taken back."""
    dips: list[Dip] = []
    for event in events:
        if isinstance(event, Dip):
            dips.append(event)
        elif isinstance(event, Undo) and dips:
            dips.pop()
    return dips


def mean_air(air: AirRecord, rack: str, begin: datetime, end: datetime) -> AirNow:
    """The rack's mean air over a span, from the hourly roll-ups where it is long."""
    step = HOUR if end - begin > 2 * HOUR else MINUTE

    def mean(quantity: Quantity) -> float | None:
        buckets = air.of_rack(rack, quantity, begin, end, step)
        count = sum(bucket.count for bucket in buckets)
        return sum(bucket.mean * bucket.count for bucket in buckets) / count if count else None

    return AirNow(mean(Quantity.TEMPERATURE), mean(Quantity.HUMIDITY), mean(Quantity.AIRFLOW))


def _rack_at(events: Sequence[LogEvent], dip: Dip) -> str:
    """Where the coat dried: the dip's rack, or where the tree was moved to before its next dip."""
    rack = dip.rack
    for event in events:
        if isinstance(event, TreeEvent) and event.time > dip.time:
            if isinstance(event, Dip):
                break
            rack = event.rack if isinstance(event, Move) else rack
    return rack


def _states(store: Store, tree: str, begin: datetime, end: datetime) -> str:
    """The states that this coat went through, in order: `drying, ready`."""
    seen: list[str] = []
    for verdict in store.verdict_history(tree, begin, end):
        if verdict.dipped_at >= begin - timedelta(seconds=1) and (not seen or seen[-1] != verdict.state.value):
            seen.append(verdict.state.value)
    return ", ".join(seen[-4:])


def _numbers(dips: Sequence[Dip]) -> list[int]:
    numbers: list[int] = []
    for dip in dips:
        numbers.append(dip.number or (numbers[-1] + 1 if numbers else 1))
    return numbers


def _label(room: RoomSetup, coat: str) -> str:
    known = room.coat_by_name.get(coat)
    return (known.label if known else "") or coat
