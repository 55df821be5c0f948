"""List scheduling: which tree is dipped when, with so many hands, within the hours when people are there.

Whoever is free takes, of the trees that may be dipped, the one that would miss its longest wait if it queued, else the
one with the longest way to go, the critical path (Graham 1966 bounds what such lists lose; from memory). Between dips
trees dry by themselves, so that hands are short only where many are ready at once. A dip whose own longest wait would
end while nobody is there is put off until the next dip can follow in time.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush, heapreplace
from itertools import accumulate
from typing import Literal, NamedTuple

from drymon.shop.plan.open_hours import OpenHours

TRIES = 12
"""Times that a dip is put off before its limit is given up as one that cannot be kept: a week's hours come again."""


@dataclass(frozen=True, slots=True)
class Step:
    """A coming dip. wait_s: after it, until the next may follow, or the last coat is dry. longest_s: by when after it
    the next must follow, infinite where nothing says so.
    """

    wait_s: float
    longest_s: float = math.inf


@dataclass(frozen=True, slots=True)
class Chain:
    """A tree's coming dips in order. ready_s: from when the first may be done; until_s: by when it must."""

    tree: str
    ready_s: float
    steps: tuple[Step, ...]
    until_s: float = math.inf


@dataclass(frozen=True, slots=True)
class Slot:
    """A dip with its planned beginning. put_off_s: when it might have been dipped, were it not for its longest wait;
    too_long: why that wait cannot be kept all the same: the coat is not dry in time, or nobody is there, else "".
    """

    tree: str
    index: int
    start_s: float
    put_off_s: float | None = None
    too_long: Literal["", "wet", "away"] = ""


@dataclass(slots=True, eq=False)
class _Going:
    """A chain with how far it has come."""

    chain: Chain
    rest_s: list[float]
    index: int
    release_s: float
    until_s: float

    @property
    def is_bound(self) -> bool:
        """Whether its next dip has to keep a longest wait: that before it, or that after it."""
        last = self.index + 1 == len(self.chain.steps)
        return self.until_s < math.inf or (not last and self.chain.steps[self.index].longest_s < math.inf)


class _Coming(NamedTuple):
    """A chain's next dip as it stands, by its beginning; None: it is to be found (anew)."""

    start_s: float
    tree: str
    going: _Going
    slot: Slot | None


class _Queue:
    """Who is to be dipped next. Those who wait for a hand and for nothing else are served by the way that they have to
    go alone: so they are kept in that order, and however many wait, a dip is chosen among few.
    """

    def __init__(self, going: Iterable[_Going], hours: OpenHours, dip_s: float) -> None:
        self._hours, self._dip_s = hours, dip_s
        self._coming: list[_Coming] = []
        self._waiting: list[tuple[float, str, _Going]] = []
        for each in going:
            self.add(each)

    def add(self, each: _Going) -> None:
        """Its next dip is to be found."""
        heappush(self._coming, _Coming(-math.inf, each.chain.tree, each, None))

    def next(self, free_s: float, hands: int) -> tuple[_Going, Slot] | None:
        """Take out who is dipped next, where a hand is free from then on; None: nobody within the horizon."""
        self._settle(free_s)
        soonest = self._hours.first(free_s, self._dip_s) if self._waiting else math.inf
        begin = min(soonest, self._coming[0].start_s if self._coming else math.inf)
        if begin == math.inf:
            return None
        awaiting: list[_Coming] = []
        while self._coming and self._coming[0].start_s == begin:
            awaiting.append(heappop(self._coming))
        count = len(awaiting)
        if soonest == begin:
            count += len(self._waiting)
            _, tree, each = heappop(self._waiting)
            awaiting.append(_Coming(begin, tree, each, Slot(tree, each.index, begin)))
        queue_s = self._dip_s * count / hands
        chosen = min(awaiting, key=lambda one: _rank(one.going, begin, queue_s, self._hours, self._dip_s))
        for one in awaiting:
            if one is not chosen:
                heappush(self._coming, one)
        return None if chosen.slot is None else (chosen.going, chosen.slot)

    def _settle(self, free_s: float) -> None:
        """Find the dips that can not be begun as they stood; for the others nothing has changed."""
        while self._coming and self._coming[0].start_s < free_s:
            each = self._coming[0].going
            if each.release_s > free_s or each.is_bound:
                slot = _start(each, max(each.release_s, free_s), self._hours, self._dip_s)
                heapreplace(self._coming, _Coming(slot.start_s, each.chain.tree, each, slot))
            else:
                heappop(self._coming)
                heappush(self._waiting, (-each.rest_s[each.index], each.chain.tree, each))


def schedule(chains: Sequence[Chain], hours: OpenHours, dip_s: float, hands: int, now_s: float) -> list[Slot]:
    """The dips of all chains, by their beginning; those beyond the horizon are left out."""
    going = [_Going(chain, _rest(chain), 0, chain.ready_s, chain.until_s) for chain in chains if chain.steps]
    queue = _Queue(going, hours, dip_s)
    free = [now_s] * hands
    slots: list[Slot] = []
    while found := queue.next(free[0], hands):
        each, slot = found
        slots.append(slot)
        heapreplace(free, slot.start_s + dip_s)
        _go_on(each, slot.start_s)
        if each.index < len(each.chain.steps):
            queue.add(each)
    return slots


def _rest(chain: Chain) -> list[float]:
    """Seconds of drying from each step to the end."""
    return [*accumulate(step.wait_s for step in reversed(chain.steps))][::-1]


def _rank(each: _Going, begin: float, queue_s: float, hours: OpenHours, dip_s: float) -> tuple[bool, float, str]:
    """Lowest first: who cannot queue, then who has the longest way to go; by name where all is even."""
    can_queue = hours.first(begin + queue_s, dip_s) <= each.until_s
    return can_queue, -each.rest_s[each.index], each.chain.tree


def _start(each: _Going, at: float, hours: OpenHours, dip_s: float) -> Slot:
    """The first moment from `at` on that keeps the longest wait after this dip; as soon as may be where none does."""
    soonest = hours.first(at, dip_s)
    step, last = each.chain.steps[each.index], each.index + 1 == len(each.chain.steps)
    plain = Slot(each.chain.tree, each.index, soonest)
    if last or step.longest_s == math.inf or soonest == math.inf:
        return plain
    if step.wait_s > step.longest_s:
        return Slot(each.chain.tree, each.index, soonest, too_long="wet")
    start = soonest
    for _ in range(TRIES):
        follows = hours.first(start + step.wait_s, dip_s)
        if follows <= start + step.longest_s:
            return plain if start == soonest else Slot(each.chain.tree, each.index, start, put_off_s=soonest)
        start = hours.first(follows - step.longest_s, dip_s)
        if start > each.until_s or start == math.inf:
            break
    return Slot(each.chain.tree, each.index, soonest, too_long="away")


def _go_on(each: _Going, start: float) -> None:
    step = each.chain.steps[each.index]
    each.index += 1
    each.release_s, each.until_s = start + step.wait_s, start + step.longest_s
