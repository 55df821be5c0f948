"""One tree's events in the order in which they happened, with undo, late arrivals, and states to start again from."""

import math
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from itertools import zip_longest
from typing import NamedTuple

from drymon.shop.air.sensors import MINUTE_S
from drymon.shop.facts.events import CellMass, Dip, Look, Move, TreeEvent, Undo
from drymon.shop.facts.lives import takes_away
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.facts.standing import by_arrival, judged, taken_by
from drymon.shop.tree import state as trees
from drymon.shop.tree import tree_air
from drymon.shop.tree.calls import call_of
from drymon.shop.tree.state import TreeState, World
from drymon.shop.verdict.judge import holding, state_of
from drymon.shop.verdict.reasons import holds_told

SNAPSHOT_S = 1800.0
SNAPSHOTS = 48
SAID = 100

JUST_BEFORE_S = 1e-3
"""An event is folded anew from a little before it."""


class _Folded(NamedTuple):
    """The tree at a stream time (s since 1970), None where it is not in the room; so many events are in it."""

    at: float
    events: int
    state: TreeState | None


_NOTHING = _Folded(-math.inf, 0, None)


class TreeLog:
    """Events of one tree; `state(until)` folds them. What was folded is kept; late events or late air take it back."""

    def __init__(self, world: World, name: str) -> None:
        self.world, self.name = world, name
        self._completed: dict[datetime, float] = {}
        self._events: list[TreeEvent] = []
        self._effective: list[TreeEvent] = []
        self._told: list[TreeEvent] = []
        self._count = 0
        self.cells: set[str] = set()
        self._snapshots: list[_Folded] = []
        self.words_said: list[tuple[float, datetime, State, frozenset[ReasonCode]]] = []

    def add(self, event: TreeEvent) -> None:
        """Put an event in its place in time; whatever had been folded beyond it is folded anew."""
        if isinstance(event, CellMass) and self._events and _order(event) >= _order(self._events[-1]):
            self._events.append(event)  # the usual case by far: a cell's next word
            self._effective.append(event)
            self.forget_from(event.time.timestamp() - JUST_BEFORE_S)
            return
        self._count += 1
        if math.isinf(event.place):  # not on record: it came after all that came before
            event = replace(event, place=float(self._count))
        self._events.append(event)
        self._events.sort(key=_order)
        self._settle()

    def exchange(self, gone: Iterable[CellMass], come: Iterable[CellMass]) -> None:
        """These masses are another tree's after all, and those are this one's."""
        lost = {id(one) for one in gone}
        self._events = sorted([*(one for one in self._events if id(one) not in lost), *come], key=_order)
        self._settle()

    def _settle(self) -> None:
        """See which events count, and fold anew from where that differs."""
        before = self._effective
        self._effective = [said.event for said in judged(self._events) if said.stands]
        self._told = [one for one in self._effective if not isinstance(one, CellMass)]
        self.cells = {cell for one in self._events if (cell := getattr(one, "cell", None)) is not None}
        self.words_said = [one for one in self.words_said if self._was_dipped(one[1], one[0])]
        self._completed = {dip: at for dip, at in self._completed.items() if self._was_dipped(dip, at)}
        self.forget_from(_first_difference(before, self._effective))

    def _was_dipped(self, dipped_at: datetime, by: float) -> bool:
        """Whether a dip of this time that stands had been told by then: what was said of one taken back counts no more,
        though another be told with its time.
        """
        dips = (one for one in self._told if isinstance(one, Dip) and one.time == dipped_at)
        return any(one.arrived.timestamp() <= by for one in dips)

    def forget_from(self, seconds: float) -> None:
        """Evidence changed from this stream time on."""
        while self._last.at > seconds:
            self._snapshots.pop()
        self._completed = {dip: at for dip, at in self._completed.items() if at <= seconds}

    def slurry_told(self, dips: Iterable[Dip]) -> bool:
        """The slurry of these dips is known otherwise than when they were drawn; whether any of them is this tree's."""
        own = [dip.time.timestamp() for dip in dips if dip.tree == self.name]
        if own:
            self.forget_from(min(own) - JUST_BEFORE_S)
        return bool(own)

    def draw_anew(self, state: TreeState) -> None:
        """The model of its last coat is another now; what was found complete stays so."""
        if not self.is_complete(state.dip.time, state.at):
            self.forget_from(state.dip.time.timestamp() - JUST_BEFORE_S)

    def said(self, at: float, verdict: Verdict) -> None:
        """Published at `at`: the verdict that a later dip or look finds in force, and what completes a tree."""
        word = verdict.dipped_at, verdict.state, holds_told(verdict.reasons)
        if not self._was_dipped(verdict.dipped_at, at):
            return
        if not self.words_said or self.words_said[-1][1:] != word:
            self.words_said = [*self.words_said[-SAID:], (at, *word)]
        if verdict.state is State.COMPLETE:
            self._completed[verdict.dipped_at] = min(at, self._completed.get(verdict.dipped_at, math.inf))
        else:  # what had completed it was taken back, or told otherwise
            self._completed.pop(verdict.dipped_at, None)

    def is_complete(self, dipped_at: datetime, at: float) -> bool:
        """Whether that dip had been found complete by `at`; it says nothing of a later dip of the same tree."""
        return self._completed.get(dipped_at, math.inf) <= at

    def happened_since(self, moment: datetime) -> bool:
        """Whether any event lies after this moment."""
        return bool(self._effective) and self._effective[-1].time > moment

    def gone_since(self, at: float) -> bool:
        """Whether the tree is not in the room and nothing has been told of it, or been said to happen to it, since."""
        if self.newest() is not None:
            return False
        return all(max(one.time.timestamp(), one.arrived.timestamp()) <= at for one in self._events)

    def newest(self) -> TreeState | None:
        """The state folded last."""
        return self._last.state

    @property
    def drawn(self) -> list[Dip]:
        """The dips that may have been folded so far."""
        return [one for one in self._told if isinstance(one, Dip)] if self._snapshots else []

    @property
    def events(self) -> tuple[TreeEvent, ...]:
        """The events that count, in the order in which they happened."""
        return tuple(self._effective)

    def taken_by(self, undo: Undo) -> TreeEvent | None:
        """What this undo, the last that was told, took back; None where it took nothing."""
        last = next(one for one in reversed(by_arrival(self._events)) if one == undo)
        return taken_by(last, self._events) if isinstance(last, Undo) else None

    def uses_rack(self, rack: str) -> bool:
        """Whether the tree has ever hung on this rack."""
        return any(getattr(event, "rack", None) == rack for event in self._told)

    def on_cell_since(self, cell: str, at: datetime | None = None) -> float | None:
        """When the tree was last said to hang on this cell (seconds), None where it does not hang there now, or at that
        moment.
        """
        rack: str | None = None
        hangs: tuple[str, float] | None = None
        for event in (one for one in self._told if at is None or one.time <= at):
            if takes_away(event):
                rack = hangs = None
            elif isinstance(event, Dip) or (isinstance(event, Move) and rack is not None):
                stays = isinstance(event, Dip) and event.rack == rack and event.number != 1
                if event.cell is not None:
                    hangs = event.cell, event.time.timestamp()
                elif not stays:
                    hangs = None
                rack = event.rack
        return hangs[1] if hangs is not None and hangs[0] == cell else None

    def state(self, until: float, clock_known: bool = True, keep: bool = True) -> TreeState | None:
        """The tree at a stream time, None where it is not in the room. keep: fold on from here next time."""
        at, index, state = self._folded_by(until)
        if at == until and self._happens(index) > until:  # folded so far already
            return None if state is None else self._with_said(state, until)
        while (at := self._happens(index)) <= until:
            event = self._effective[index]
            index += 1
            state = self._apply(state, event, clock_known)
            if keep and not isinstance(event, CellMass):
                self._snapshots.append(_Folded(at, index, state))
        if state is not None:
            state = tree_air.advanced(self.world, state, until)
        if keep:
            self._keep(until, index, state)
        return None if state is None else self._with_said(state, until)

    def lags(self, at: float) -> bool:
        """Whether something has happened by `at` that has not been folded so far."""
        return self._last.at < at and self._happens(0) <= at

    def owes(self, at: float) -> float:
        """Seconds of air that are to be folded before the tree is known at `at`."""
        since, index, state = self._last
        if state is None or not tree_air.steps(state) or self.is_complete(state.dip.time, since):
            since = max(since, self._happens(index))
        return max(at - since, 0.0)

    def outline(self, at: float) -> TreeState | None:
        """The tree without its drying: where it hangs and under which coat, for while that is worked out."""
        bare = World(self.world.setup, {}, {})
        state: TreeState | None = None
        for event in self._told:
            if event.time.timestamp() > at:
                break
            if isinstance(event, Dip):
                state = trees.dipped(bare, state, event, None)
            elif takes_away(event):
                state = None
            elif state is not None:
                state = trees.told(bare, state, event, frozenset())
        return None if state is None else state._replace(at=at, worked_out=False)

    def steady(self, at: float) -> TreeState | None:
        """The tree's state at `at`, where that was folded last, nothing happens in the next minute and time matters
        to it.
        """
        since, index, state = self._last
        if since != at or state is None or state.at != at or not tree_air.steps(state):
            return None
        busy = self.is_complete(state.dip.time, at) or self._happens(index) <= at + MINUTE_S
        return None if busy else state

    def stepped(self, state: TreeState) -> None:
        """Go on from this state, a minute after the last."""
        self._keep(state.at, self._last.events, state)

    @property
    def _last(self) -> _Folded:
        return self._snapshots[-1] if self._snapshots else _NOTHING

    def _folded_by(self, until: float) -> _Folded:
        if self._last.at <= until:  # the usual case by far
            return self._last
        place = bisect_right(self._snapshots, until, key=lambda one: one.at)
        return self._snapshots[place - 1] if place else _NOTHING

    def _happens(self, index: int) -> float:
        """When the event of this place that counts happens, infinite where there are no so many."""
        return self._effective[index].time.timestamp() if index < len(self._effective) else math.inf

    def _apply(self, state: TreeState | None, event: TreeEvent, clock_known: bool) -> TreeState | None:
        at = event.time.timestamp()
        if state is not None:
            state = tree_air.advanced(self.world, state, max(at, state.at))
            state = self._with_said(state, at)
        if isinstance(event, Dip):
            return trees.dipped(self.world, state, event, self._in_force(state, clock_known))
        if takes_away(event):
            return None
        if state is None:
            return None
        codes = self._holding(state, clock_known) if isinstance(event, Look) else frozenset()
        return trees.told(self.world, state._replace(complete=False, call=None), event, codes)

    def _with_said(self, state: TreeState, at: float) -> TreeState:
        """The state with what had been said of its coat by then, which is no part of the fold."""
        complete, call = self.is_complete(state.dip.time, at), call_of(self._said_of(state))
        same = state.complete == complete and state.call == call
        return state if same else state._replace(complete=complete, call=call)

    def _in_force(self, state: TreeState | None, clock_known: bool) -> State | None:
        """The verdict that stood when a dip was made: what had been said by then of the coat below, else what would
        have been. A dip that is told without its time was made when the tree's cell saw it.
        """
        if state is None:
            return None
        said = [one for one in self._said_of(state) if one[0] <= state.untold_at]
        return said[-1][1] if said else state_of(self.world, state, clock_known)

    def _holding(self, state: TreeState, clock_known: bool) -> frozenset[ReasonCode]:
        """What a look releases: what holds the tree, and what it was said to hold by. The two may differ where weighed
        neighbours have a say in the verdict.
        """
        said = self._said_of(state)
        # What is said at the very instant of a look may have been said before it or after: all of that counts.
        before = [holds for at, _, holds in said if at < state.at]
        named = before[-1:] + [holds for at, _, holds in said if at == state.at]
        return holding(self.world, state, clock_known).union(*named)

    def _said_of(self, state: TreeState) -> list[tuple[float, State, frozenset[ReasonCode]]]:
        """When, what state and which holds were said of this dip by now."""
        mine = [one for one in self.words_said if one[1] == state.dip.time and one[0] <= state.at]
        return [(at, word, holds) for at, _, word, holds in mine]

    def _keep(self, until: float, index: int, state: TreeState | None) -> None:
        """Keep the newest state; of older ones one each half hour and those right after events."""
        kept = self._snapshots
        older, newer = [_NOTHING, _NOTHING, *kept][-2:]
        if older.events == newer.events == index and newer.at - older.at < SNAPSHOT_S:
            kept.pop()
        kept.append(_Folded(until, index, state))
        del kept[:-SNAPSHOTS]


def _order(event: TreeEvent) -> tuple[datetime, datetime, float]:
    return event.time, event.arrived, event.place


def _first_difference(before: list[TreeEvent], after: list[TreeEvent]) -> float:
    """Stream time right before the first event in which the two histories differ."""
    for old, new in zip_longest(before, after):
        if old is not new:
            return min(one.time for one in (old, new) if one is not None).timestamp() - JUST_BEFORE_S
    return math.inf
