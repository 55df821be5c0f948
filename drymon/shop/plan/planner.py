"""The day's plan of a room: verdicts and recipes to coming dips within the hours when people are there."""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import NamedTuple

from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import DayPlan, PlanAir, PlannedDip, State, Verdict, When
from drymon.shop.facts.recipes import coming
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.plan.open_hours import OpenHours
from drymon.shop.plan.schedule import Chain, Slot, Step, schedule
from drymon.shop.plan.waits import Wait, Waits
from drymon.shop.tree.state import World

VALID_FOR = timedelta(minutes=30)

QUICKER, SLOWER = 0.7, 1.3
"""Ends of a finish: every wait so much shorter and longer than surely, for the air of days to come is not known. Chosen
on seeds 1 to 4 of `benchmarks/plan_weeks`, where people dip what is called. Hours of work make steps of it: with a
quarter on each side half of the ends lie within, with these all.
"""

Way = Callable[[Wait], float]
Slots = Mapping[tuple[str, int], Slot]


class _Coat(NamedTuple):
    """A coat to come, with how long it will take and by when it must be dipped over."""

    number: int
    name: str
    wait: Wait
    longest_s: float


class _Going(NamedTuple):
    """A tree that is in the plan: what was last said of it, and its coats to come."""

    verdict: Verdict
    coats: tuple[_Coat, ...]


class Planner:
    """Makes the plan of one room, again and again. Pure: the same facts give the same plan."""

    def __init__(self, world: World, air: Mapping[str, PlanAir] | None = None, usual: Waits | None = None) -> None:
        """air: by rack, in the place of the past day's. usual: the waits by which the verdicts' coats were expected to
        dry, where they are to dry in other air now.
        """
        self.waits, self._usual = Waits(world, air), usual

    def plan(self, verdicts: Iterable[Verdict], at: float, zone: tzinfo) -> DayPlan:
        """The plan at `at` (seconds since 1970), by what was last said of each tree."""
        setup = self.waits.world.setup
        going = {v.tree: self._going(v, at) for v in verdicts if _can_be_planned(v, setup)}
        hours = OpenHours(setup.hours, zone, at)
        early = self._slots(going, hours, at, "best", lambda wait: wait.likely_s, 1.0)
        quick = self._slots(going, hours, at, "late", lambda wait: QUICKER * wait.sure_s, QUICKER)
        planned = self._slots(going, hours, at, "late", lambda wait: wait.sure_s, 1.0)
        slow = self._slots(going, hours, at, "late", lambda wait: SLOWER * wait.sure_s, SLOWER)
        time = datetime.fromtimestamp(at, UTC)
        coming = [self._dip(slot, going[slot.tree], (early, slow), time.astimezone(zone)) for slot in planned.values()]
        now, next_, later = _by_time(coming, going, hours, at, setup.hours.dip_min * 60.0)
        finishes = {tree: self._finish(going[tree], (quick, planned, slow)) for tree in sorted(going)}
        # Of racks whose trees are in the plan alone: to look at the air of another would put minutes into its record.
        hung = sorted({tree.verdict.rack for tree in going.values()})
        air = {rack: told for rack in hung if (told := self.waits.air(rack, at)) is not None}
        return DayPlan(time, time + VALID_FOR, now, next_, later, finishes, air)

    def _going(self, verdict: Verdict, at: float) -> _Going:
        setup, coats = self.waits.world.setup, []
        for place, (number, name) in enumerate(_coming(verdict, setup)):
            at_once = place == 0 and verdict.state is State.READY
            of = self.waits.of_dip_now if at_once else self.waits.of
            wait = of(verdict.rack, name, number, verdict.shelter, at)
            coats.append(_Coat(number, name, wait, _longest_s(setup, name)))
        return _Going(verdict, tuple(coats))

    def _slots(
        self, going: Mapping[str, _Going], hours: OpenHours, at: float, end: str, way: Way, stretch: float
    ) -> Slots:
        """The schedule with these waits, by tree and place in its chain. end: of `dry_at`, when a tree is dipped."""
        setup = self.waits.world.setup
        chains = [self._chain(tree, at, end, way, stretch) for tree in going.values()]
        slots = schedule(chains, hours, setup.hours.dip_min * 60.0, setup.hours.hands, at)
        return {(slot.tree, slot.index): slot for slot in slots}

    def _chain(self, tree: _Going, at: float, end: str, way: Way, stretch: float) -> Chain:
        verdict = tree.verdict
        dry: datetime | None = getattr(verdict.dry_at, end)
        ready = at
        if verdict.state is not State.READY:
            left = math.inf if dry is None else max(dry.timestamp() - at, 0.0)
            ready = at + stretch * left * self._in_other_air(verdict, way, at)
        until = math.inf if verdict.redip_by is None else verdict.redip_by.timestamp()
        steps = tuple(Step(way(coat.wait), coat.longest_s) for coat in tree.coats)
        return Chain(verdict.tree, ready, steps, until)

    def _in_other_air(self, verdict: Verdict, way: Way, at: float) -> float:
        """By how much longer the coat takes that hangs there now, than it would in the air it was expected in."""
        if self._usual is None or verdict.coat is None:
            return 1.0
        key = verdict.rack, verdict.coat, verdict.number, verdict.shelter, at
        before, after = way(self._usual.of(*key)), way(self.waits.of(*key))
        return after / before if math.isfinite(before) else 1.0

    def _dip(self, slot: Slot, tree: _Going, ends: tuple[Slots, Slots], now: datetime) -> PlannedDip:
        """A slot as it is told. ends: the schedules by which the dip may be done earliest and latest."""
        verdict, coat = tree.verdict, tree.coats[slot.index]
        planned = datetime.fromtimestamp(slot.start_s, UTC)
        key = slot.tree, slot.index
        early, late = (_moment(way[key].start_s) if key in way else None for way in ends)
        return PlannedDip(
            slot.tree,
            coat.name,
            coat.number,
            verdict.rack,
            planned,
            When(early, planned, late),
            verdict.redip_by if slot.index == 0 else None,
            _note(slot, self.waits.world.setup.coat_by_name[coat.name].longest_wait_h or 0.0, now),
            verdict.label,
            When(None, _moment(slot.start_s + coat.wait.likely_s), _moment(slot.start_s + coat.wait.sure_s)),
        )

    def _finish(self, tree: _Going, ways: Sequence[Slots]) -> When:
        """When the last coat is dry: surely throughout, and that in drier and in damper air."""
        wait = tree.coats[-1].wait
        after = (QUICKER * wait.sure_s, wait.sure_s, SLOWER * wait.sure_s)
        last = [way.get((tree.verdict.tree, len(tree.coats) - 1)) for way in ways]
        return When(*(_moment(slot.start_s + s) if slot else None for slot, s in zip(last, after, strict=True)))


def _can_be_planned(verdict: Verdict, setup: RoomSetup) -> bool:
    """A tree that drymon can tell of, with a coat to come; a hold waits for a look, and nobody knows for how long."""
    known = verdict.state in (State.DRYING, State.READY)
    return known and bool(_coming(verdict, setup)) and verdict.rack in setup.rack_by_name


def _coming(verdict: Verdict, setup: RoomSetup) -> list[tuple[int, str]]:
    """Numbers and names of the coats to come by the recipe; none after a seal."""
    if verdict.last_coat or verdict.next_coat is None:
        return []
    return coming(setup, verdict.recipe, verdict.number)


def _longest_s(setup: RoomSetup, coat: str) -> float:
    longest = setup.coat_by_name[coat].longest_wait_h
    return math.inf if longest is None else 3600.0 * longest


def _note(slot: Slot, longest: float, now: datetime) -> str:
    """What a longest wait (hours) that ends while nobody is there asks for. now: on the room's clock."""
    if slot.too_long == "wet":
        return f"it may not be surely dry within its longest wait of {longest:g} h: touch-test it at the likely moment"
    if slot.too_long:
        return f"nobody is there for the next dip within its longest wait of {longest:g} h: somebody must come"
    if slot.put_off_s is None:
        return ""
    put_off = datetime.fromtimestamp(slot.put_off_s, UTC)
    begun, missed = (say(moment, now, now.tzinfo or UTC) for moment in (put_off, put_off + timedelta(hours=longest)))
    return f"not before: dipped {begun}, its longest wait of {longest:g} h would end {missed}, too early for the next"


def _by_time(
    coming: Sequence[PlannedDip], going: Mapping[str, _Going], hours: OpenHours, at: float, dip_s: float
) -> tuple[tuple[PlannedDip, ...], ...]:
    """Now: ready trees, while people are there. Next: what else falls before they go home, now or the next time."""
    opens = hours.first(at, dip_s)
    home = min(hours.end_of_span(opens), opens + 86400.0)
    ready = {name: tree.verdict.number + 1 for name, tree in going.items() if tree.verdict.state is State.READY}
    parts: tuple[list[PlannedDip], ...] = [], [], []
    for dip in coming:
        at_once = opens == at and dip.number == ready.get(dip.tree) and not dip.note
        parts[0 if at_once else 1 if dip.at.timestamp() < home else 2].append(dip)
    return tuple(map(tuple, parts))


def _moment(seconds: float) -> datetime | None:
    return datetime.fromtimestamp(seconds, UTC) if math.isfinite(seconds) else None
