"""A tree's own page: its coats, the air that each of them saw, its weights and its log."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from drymon.readback.air_record import AirRecord, mean_air
from drymon.readback.coat_history import is_about, last_life
from drymon.shop.facts.events import Dip, TreeEvent, Weigh
from drymon.shop.facts.lives import Coat
from drymon.shop.facts.outcome import AirNow
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.facts.standing import Said, in_time
from drymon.store import Store

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
    """What is on record of one tree; events: all that was said of it, what was taken back too."""

    coats: Sequence[CoatView]
    weights: Sequence[Weigh]
    events: Sequence[Said[TreeEvent]]


def tree_record(store: Store, room: RoomSetup, tree: str, now: datetime) -> TreeRecord:
    """What is on record of the last tree of that name, the newest first."""
    own = [event for event in store.events(tree=tree) if isinstance(event, TreeEvent)]
    said: Sequence[Said[TreeEvent]] = in_time(own)
    coats: list[CoatView] = []
    if (life := last_life(own, now)) is not None:
        said, air = life.said, AirRecord(store, room)
        coats = [_coat(store, air, room, coat) for coat in life.coats]
    weights = [one.event for one in said if isinstance(one.event, Weigh) and one.stands]
    return TreeRecord(coats[::-1], weights[::-1], said[::-1][:MOST_EVENTS])


def _coat(store: Store, air: AirRecord, room: RoomSetup, coat: Coat) -> CoatView:
    known = room.coat_by_name.get(coat.dip.coat)
    return CoatView(
        coat.dip,
        coat.number,
        (known.label if known else "") or coat.dip.coat,
        coat.end,
        mean_air(air, coat.stays),
        _states(store, coat),
    )


def _states(store: Store, coat: Coat) -> str:
    """The states that this coat went through, in order: `drying, ready`."""
    said = store.verdict_history(coat.dip.tree, coat.dip.time, coat.end)
    seen = (verdict.state.value for verdict in said if is_about(coat, verdict))
    return ", ".join([state for state, _ in groupby(seen)][-4:])
