"""The room as a fold over what arrives: facts in, outcomes out, at instants that depend on arrival times alone.

Whole minutes of stream time are evaluated, and every fifth second while late facts wait; log events are judged at
once. So live listening and replay of what was heard say the same. Facts that come late take back what they contradict
and are folded anew.
"""

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from typing import Any

from drymon.drying.coat_model import CoatModel
from drymon.drying.quantities import Quantity
from drymon.shop.air.air_book import AirBook
from drymon.shop.air.heard import heard, too_dry
from drymon.shop.air.rack_air import RackAir, racks_of
from drymon.shop.air.sensors import MINUTE_S, Doubted, Taken, minute_done, minute_of
from drymon.shop.alarms import raising as alarms
from drymon.shop.alarms.alarm_book import AlarmBook, is_of_service
from drymon.shop.alarms.conditions import conditions
from drymon.shop.facts.events import ClockChecked, FanSwitched, LogEvent, TankEvent, TreeEvent, Undo
from drymon.shop.facts.measured import Measured
from drymon.shop.facts.outcome import Outcome, RackStatus, Standing, TreeGone, Verdict
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.sensor_state import SensorState
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.fold.hooks import Hooks
from drymon.shop.fold.measured_trees import take_up
from drymon.shop.fold.refold import Refolder
from drymon.shop.fold.stepper import Stepper
from drymon.shop.fold.tree_log import TreeLog
from drymon.shop.plan.plan_book import PlanBook
from drymon.shop.tree.neighbours import Leans, leaned, leans
from drymon.shop.tree.probes import probed
from drymon.shop.tree.state import TreeState, World
from drymon.shop.verdict.doubts import doubts
from drymon.shop.verdict.forecaster import Forecaster
from drymon.shop.verdict.judge import is_news, verdict
from drymon.shop.verdict.rack_book import RackBook

REPUBLISH_MIN, PLAN_MIN = 5, 15
WAITING_S = 5

GONE_S = 3 * 86400.0
"""A tree that left so long ago is no more in the room: as long as cells' masses are kept (`hooks`)."""

_GIVEN = ("setup", "zone", "world", "_stepper", "_measured")
"""Of a room's attributes those that are no part of what it has folded."""

AIR = (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW, Quantity.PRESSURE)


class Room:
    """All trees, racks and sensors of one room. Pure: no clock, disk or wire; not for several threads."""

    def __init__(self, setup: RoomSetup, models: Mapping[str, CoatModel], zone: tzinfo = UTC) -> None:
        self.setup, self.zone, self.book = setup, zone, AirBook(setup)
        self.air = {rack.name: RackAir(self.book, rack) for rack in setup.racks}
        self.world = World(setup, models, self.air)
        self.logs: dict[str, TreeLog] = {}
        self.alarm_book = AlarmBook()
        self.clock_known, self.at = True, -math.inf
        self._hooks, self._leans = Hooks(self.logs), Leans()
        self._forecaster, self._stepper = Forecaster(self.world), Stepper(self.world)
        self._refolder, self._behind = Refolder(self._stepper), frozenset[str]()
        self._waiting_since, self._measured = math.inf, Measured()
        self._touched: set[str] = set()
        self._verdicts: dict[str, Verdict] = {}
        self._racks, self._plan = RackBook(), PlanBook(self.world, zone)

    def tell(self, items: Iterable[Reading | LogEvent]) -> list[Doubted]:
        """New facts, in order of arrival, each of them once; returns the readings that are not believed."""
        doubted: list[Doubted] = []
        for item in items:
            if isinstance(item, Reading):
                doubt = self._take_reading(item).doubted or too_dry(self.book, item)
                doubted += [doubt] if doubt else []
            elif isinstance(item, ClockChecked):
                self.clock_known = item.known
                self._touched.update(self.logs)  # while the clock is wrong time stands still: say it at once
            elif isinstance(item, FanSwitched):
                if item.rack in self.air:
                    self.air[item.rack].fans_switched(minute_of(item.time), item.on)
                    self._forget_air(item.rack, minute_of(item.time))
                    self._wait(item)
            else:
                self._take_event(item)
                self._wait(item)
        return doubted

    def advance(self, now: datetime) -> list[Outcome]:
        """Evaluate every instant after the last one, up to `now`."""
        end = now.timestamp()
        if self.at == -math.inf:
            self.at = end - end % MINUTE_S
            return []
        outcomes: list[Outcome] = []
        while (instant := self._next_instant()) <= end:
            self.at = instant
            outcomes += self._evaluate(instant, whole=instant % MINUTE_S == 0)
        return outcomes

    def judge_now(self, now: datetime) -> list[Outcome]:
        """Judge the trees that log events have just touched, at `now` (no earlier than the last instant)."""
        at = max(now.timestamp(), self.at)
        self._rework_air(at)
        self._catch_up(at)
        touched, self._touched = sorted(self._touched), set()
        outcomes = self._publish(touched, at)
        outcomes += self._publish_racks(at, changed_only=True)
        outcomes += self._plan.told(self._verdicts, at, due=bool(touched))
        return outcomes + self._alarms(at)

    def judge_all(self, now: datetime) -> list[Outcome]:
        """Judge all trees at `now`, whatever has happened to them: after a start what was said of them is past."""
        self._touched.update(self.logs)
        return self.judge_now(now) if self.logs else []

    def resume(self, at: datetime, verdicts: Iterable[Verdict], book: AlarmBook) -> None:
        """Go on where the record ends: what had been said by `at`, of each tree in order of time, its current verdict
        last. Call after `take` of the record's facts.
        """
        self.at, self.alarm_book = at.timestamp(), book
        self._waiting_since = self.at  # what came last may not have been looked at
        for said in verdicts:
            log = self.logs.get(said.tree)
            if log is None:
                continue
            self._verdicts[said.tree] = said
            log.said(said.time.timestamp(), said)
        self.book.cross_check.settle(int(self.at // MINUTE_S))
        self._fold_together([self.logs[name] for name in self._verdicts])
        self._touched = set()

    def memory(self) -> dict[str, Any]:
        """All that the room has folded so far, by name: what an image keeps."""
        own = {name: value for name, value in vars(self).items() if name not in _GIVEN}
        return {**own, "tanks": list(self.world.tanks.events)}

    def known(self) -> dict[str, Any]:
        """What every room of this set-up has, by name: an image only names it."""
        parts = {"setup": self.setup, "zone": self.zone, "world": self.world, "stepper": self._stepper}
        coats = {f"coat {name}": coat for name, coat in self.setup.coat_by_name.items()}
        models = {f"model {name}": model for name, model in self.world.models.items()}
        return parts | coats | models | {f"coat {name} goes by": model for name, model in self.world.goes_by.items()}

    def remember(self, memory: Mapping[str, Any]) -> None:
        """Go on from what a room of this set-up had folded. LookupError: it is not all there."""
        kept = {name: memory[name] for name in self.memory()}
        self.air.update(kept.pop("air"))  # in place: all that look at the racks' air hold this very mapping
        self.world.tanks.go_on_from(kept.pop("tanks"))
        vars(self).update(kept)

    def recall(self, tree: str, events: Iterable[TreeEvent], verdicts: Iterable[Verdict]) -> None:
        """A tree that had left before the room resumed, as the record has it: its leaving may be taken back."""
        log = self.logs[tree] = TreeLog(self.world, tree)
        for event in events:
            log.add(event)
        for said in verdicts:
            log.said(said.time.timestamp(), said)
        if log.cells:
            self._hooks.hang_anew(tree, datetime.min.replace(tzinfo=UTC))

    def _fold_together(self, logs: list[TreeLog]) -> None:
        """Fold these trees up to now, all of a rack in one go minute by minute; now, while nothing waits for it."""
        begun = [log.events[0].time.timestamp() for log in logs if log.events]
        minute = min(begun, default=self.at) // MINUTE_S * MINUTE_S + MINUTE_S
        while minute <= self.at:
            self._stepper.minute(logs, minute)
            for log in logs:
                if log.lags(minute):
                    log.state(minute)
            minute += MINUTE_S
        for log in logs:
            log.state(self.at)

    def standing(self) -> Standing:
        """Everything that holds at the last instant."""
        now = datetime.fromtimestamp(max(self.at, 0.0), UTC)
        sensors = tuple(heard(self.book, self.at))
        silent = [s.sensor for s in sensors if s.quantity == Quantity.WEIGHT.value and s.state is not SensorState.OK]
        on_cells = {cell: tree for cell in silent if (tree := self._hooks.carried(cell))}
        said, racks, doubted = dict(self._verdicts), dict(self._racks.said), doubts(self._newest())
        return Standing(now, said, racks, sensors, doubted, self.clock_known, on_cells)

    def measured(self, measured: Measured) -> bool:
        """What was measured by a scale, of racks and coats; whether that is news: what hangs is folded anew."""
        redrawn = take_up(self.world, self.logs.values(), self._measured, measured)
        for name in redrawn:
            self._forecaster.forget(name)
        news, self._measured = self._measured != measured, measured
        return news

    def alarm_acted(self, book: AlarmBook) -> None:
        """A person acknowledged or shelved something."""
        self.alarm_book = book

    def _take_reading(self, reading: Reading) -> Taken:
        if reading.quantity is Quantity.WEIGHT and not reading.retained:
            self._hooks.note_mass(reading)
        racks = racks_of(self.setup, reading.place)
        if any(self.air[rack].awaits(reading.quantity, self.at) for rack in racks):
            self._wait(reading)  # air that comes back changes verdicts: not only at the next minute
        taken = self.book.enter(reading)
        if reading.quantity in AIR and taken.changed < self.at // MINUTE_S:  # before the first instant: nothing yet
            self._wait(reading)
            for rack in racks:
                self._forget_air(rack, taken.changed)
        return taken

    def _take_event(self, event: TreeEvent | TankEvent) -> None:
        if isinstance(event, TankEvent):
            self._take_tank(event)
            return
        log = self.logs.setdefault(event.tree, TreeLog(self.world, event.tree))
        log.add(event)
        self._touched.add(event.tree)
        told = log.taken_by(event) if isinstance(event, Undo) else event
        if told is not None:
            self._touched |= self._hooks.hang_anew(event.tree, told.time)

    def _take_tank(self, event: TankEvent) -> None:
        """What was said of a tank speaks of the dips after it too: those are drawn anew."""
        self._plan.make_again()
        drawn = [dip for log in self.logs.values() for dip in log.drawn]
        apart = self.world.tanks.take(event, self.setup, drawn)
        for name in [name for name, log in self.logs.items() if log.slurry_told(apart)]:
            self._forecaster.forget(name)
            self._touched.add(name)

    def _wait(self, item: Reading | LogEvent) -> None:
        """Something came that changes what has been said: look at it soon, not only at the next minute."""
        self._waiting_since = min(self._waiting_since, item.arrived.timestamp())

    def _forget_air(self, rack: str, minute: int) -> None:
        """A rack's air is another from this minute on: drop what was worked out with it."""
        self.air[rack].forget_from(minute)
        for log in self.logs.values():
            if log.uses_rack(rack):
                log.forget_from(float(minute * MINUTE_S))

    def _rework_air(self, at: float) -> None:
        """An instant within a minute has seen only its first readings: see all of those that are there now. What one
        place's readings say of another's may have changed as well, back to when they come from.
        """
        changed = self.book.cross_check.settle(int(at // MINUTE_S))
        if changed is not None and changed < at // MINUTE_S:
            for rack in self.air:
                self._forget_air(rack, changed)
        for air in self.air.values():
            air.rework(minute_done(at))

    def _catch_up(self, at: float) -> None:
        """Go on with what late facts have taken back; while anything is left, the next fifth second goes on."""
        self._behind = self._refolder.catch_up(self.logs.values(), at)
        if self._behind:
            self._waiting_since = min(self._waiting_since, at)

    def _newest(self) -> Iterator[TreeState]:
        """The trees as they are now, without those that are worked out anew."""
        for name, log in self.logs.items():
            if name not in self._behind and (state := log.newest()) is not None:
                yield state

    def _state(self, name: str, at: float, keep: bool) -> TreeState | None:
        if name in self._behind:
            return self.logs[name].outline(at)
        return self.logs[name].state(at, self.clock_known, keep)

    def _next_instant(self) -> float:
        """The next whole minute, or before it the first fifth second after the arrival of what waits."""
        minute = (self.at // MINUTE_S + 1) * MINUTE_S
        if self._waiting_since == math.inf:
            return minute
        return min(minute, (max(self.at, self._waiting_since) // WAITING_S + 1) * WAITING_S)

    def _evaluate(self, at: float, whole: bool) -> list[Outcome]:
        self._waiting_since = math.inf
        self._rework_air(at)
        if whole:
            self._stepper.minute(self.logs.values(), at)
        self._catch_up(at)
        if whole:
            self._leans = leans(self._newest())
        due = whole and at % (REPUBLISH_MIN * MINUTE_S) == 0
        names = sorted(self.logs) if due else [name for name in sorted(self.logs) if self._changed(name, at, whole)]
        outcomes = self._publish(names, at, keep=whole)
        outcomes += self._publish_racks(at, changed_only=not due)
        outcomes += self._plan.told(self._verdicts, at, whole and at % (PLAN_MIN * MINUTE_S) == 0)
        if due:
            self._forget_gone(at)
        return outcomes + (self._alarms(at) if whole else [])

    def _forget_gone(self, at: float) -> None:
        """Trees that left long ago; `recall` brings one back."""
        for name in [name for name, log in self.logs.items() if log.gone_since(at - GONE_S)]:
            if name not in {*self._verdicts, *self._behind, *self._touched}:
                del self.logs[name]

    def _changed(self, name: str, at: float, keep: bool) -> bool:
        log, said = self.logs[name], self._verdicts.get(name)
        if said is not None and log.is_complete(said.dipped_at, at) and not log.happened_since(said.time):
            return False
        state = self._state(name, at, keep)  # a fold goes on from whole minutes, whoever looked between
        if state is None or said is None:
            return (state is None) != (said is None)
        return is_news(self.world, self._informed(state), said, self.clock_known)

    def _informed(self, state: TreeState) -> TreeState:
        """The state as a verdict sees it: with what weighed neighbours and the tree's probe say of it."""
        return probed(self.world, leaned(state, self._leans))

    def _publish(self, names: Iterable[str], at: float, keep: bool = False) -> list[Outcome]:
        outcomes: list[Outcome] = []
        states: list[TreeState] = []
        for name in names:
            state = self._state(name, at, keep)
            if state is not None:
                states.append(self._informed(state))
            elif self._verdicts.pop(name, None) is not None:
                self._forecaster.forget(name)
                outcomes.append(TreeGone(datetime.fromtimestamp(at, UTC), name))
        outlooks = self._forecaster.outlooks(states)
        for state in states:
            said = verdict(self.world, state, outlooks.get(state.name), self.zone, self.clock_known)
            self.logs[state.name].said(at, said)
            self._verdicts[state.name] = said
            outcomes.append(said)
        return outcomes

    def _publish_racks(self, at: float, changed_only: bool) -> list[RackStatus]:
        return self._racks.told(self.air, self._verdicts.values(), at, changed_only)

    def _alarms(self, at: float) -> list[Outcome]:
        now = datetime.fromtimestamp(at, UTC)
        standing = replace(self.standing(), time=now)
        found = conditions(standing, self.setup, tuple(self.alarm_book.entries))
        self.alarm_book, alerts = alarms.update(self.alarm_book, now, found, lambda key: not is_of_service(key))
        return list(alerts)
