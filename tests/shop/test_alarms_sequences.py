"""Random sequences against the alarm book: none lost, none doubled, none cleared by silence.

The machine keeps its own history of what was said and what happened, and judges the stream of alerts by rules
taken from ANSI/ISA-18.2 and IEC 62682 (through OPC 10000-9, section 5.8: OnDelay, OffDelay, ReAlarmTime,
Shelving), not by the book's inner state. DRYMON_ALARM_SEQUENCES sets the number of sequences.
"""

import json
import os
from datetime import UTC, datetime, timedelta

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from drymon.shop.alarms.alarm_acts import acknowledge, in_service, out_of_service, shelve, unshelve
from drymon.shop.alarms.alarm_book import AlarmBook, Condition, Key, Truth
from drymon.shop.alarms.alarm_document import document, from_document
from drymon.shop.alarms.alarm_kinds import KINDS
from drymon.shop.alarms.raising import update
from drymon.shop.facts.outcome import Alert

START = datetime(2031, 3, 3, 6, tzinfo=UTC)
KEYS = (
    Key("sensor-silent", "rack-a"),
    Key("sensor-silent", "rack-b"),
    Key("air-out-of-band", "rack-a", "humidity"),
    Key("air-out-of-band", "rack-a", "temperature"),
    Key("tree-hold", "t-1", "4@a"),
    Key("tree-hold", "t-1", "5@b"),
    Key("rack-ready", "rack-a"),
    Key("database-restored", "database"),
)
SUBJECTS = sorted({key[:2] for key in KEYS})
SEQUENCES = int(os.environ.get("DRYMON_ALARM_SEQUENCES", "300"))

keys = st.sampled_from(KEYS)
subjects = st.sampled_from(SUBJECTS)
truths = st.sampled_from([Truth.HOLDS, Truth.CLEAR, Truth.CLEAR, Truth.UNCLEAR, None])
courses = st.lists(st.tuples(truths, st.sampled_from([0, 1, 1, 2, 5, 10])), min_size=2, max_size=8)


class Alarms(RuleBasedStateMachine):
    """Conditions come, go and fall silent; people act; time passes; the process restarts."""

    def __init__(self) -> None:
        super().__init__()
        self.book, self.now = AlarmBook(), START
        self.truth: dict[Key, Truth | None] = {}
        self.held: dict[Key, datetime] = {}  # since when said to hold, without having been said clear
        self.clear: dict[Key, datetime] = {}  # since when said clear at every instant
        self.open: dict[str, Key] = {}  # raised and not cleared, by the alerts alone
        self.said_at: dict[str, datetime] = {}
        self.used: set[str] = set()
        self.seen: set[str] = set()  # acknowledged
        self.fresh: set[str] = set()  # to be raised afresh once a pause ends
        self.paused: dict[tuple[str, str], datetime | None] = {}

    # What happens in the room

    @rule(key=keys)
    def appears(self, key: Key) -> None:
        self.truth[key] = Truth.HOLDS
        self._instant()

    @rule(key=keys)
    def vanishes(self, key: Key) -> None:
        self.truth[key] = Truth.CLEAR
        self._instant()

    @rule(key=keys, mentioned=st.booleans())
    def goes_missing(self, key: Key, mentioned: bool) -> None:
        self.truth[key] = Truth.UNCLEAR if mentioned else None
        self._instant()

    @rule()
    def all_goes_silent(self) -> None:
        self.truth.clear()
        self._instant()

    @rule(minutes=st.sampled_from([1, 2, 5, 10, 30, 60, 240, 1500]), steps=st.integers(1, 4))
    def time_passes(self, minutes: int, steps: int) -> None:
        for _ in range(steps):
            self.now += timedelta(minutes=minutes)
            self._instant()

    @rule(key=keys, course=courses)
    def flickers(self, key: Key, course: list[tuple[Truth | None, int]]) -> None:
        for truth, minutes in course:
            self.now += timedelta(minutes=minutes)
            self.truth[key] = truth
            self._instant()

    @rule()
    def restarts(self) -> None:
        again = from_document(json.loads(json.dumps(document(self.book))))
        assert again == self.book
        self.book = again

    # What people do

    @precondition(lambda self: self._alarms())
    @rule(data=st.data())
    def acknowledged(self, data: st.DataObject) -> None:
        alarm = data.draw(st.sampled_from(self._alarms()))
        self.book = acknowledge(self.book, alarm, "kim", self.now)
        self.book = acknowledge(self.book, alarm, "ana", self.now) if alarm in self.open else self.book
        self.seen.add(alarm)

    @precondition(lambda self: self.open)
    @rule(data=st.data(), minutes=st.sampled_from([1, 5, 10, 60, 240, 2880]))
    def shelved(self, data: st.DataObject, minutes: int) -> None:
        alarm = data.draw(st.sampled_from(sorted(self.open)))
        until = self.now + timedelta(minutes=minutes)
        self.book = shelve(self.book, alarm, until, "fan being repaired", "kim", self.now)
        self._pause(self.open[alarm][:2], until)

    @rule(subject=subjects)
    def taken_out(self, subject: tuple[str, str]) -> None:
        self.book = out_of_service(self.book, *subject, "under repair", "kim", self.now)
        self._pause(subject, None)

    @precondition(lambda self: self.paused)
    @rule(data=st.data())
    def resumes(self, data: st.DataObject) -> None:
        subject = data.draw(st.sampled_from(sorted(self.paused)))
        if self.paused.pop(subject) is None:
            self.book = in_service(self.book, *subject, "kim", self.now)
        else:
            self.book = unshelve(self.book, ":".join(subject), "kim", self.now)
        self._instant()

    def _pause(self, subject: tuple[str, str], until: datetime | None) -> None:
        self.paused[subject] = until
        for alarm in (alarm for alarm, key in self.open.items() if key[:2] == subject):
            self.fresh.add(alarm)
            self.seen.discard(alarm)

    def _alarms(self) -> list[str]:
        """Alarms that a person sees and may acknowledge."""
        shown = [entry for entry in self.book.standing() if entry.announced and entry.kind.is_alarm]
        return sorted(entry.id for entry in shown if entry.id not in self.seen)

    # What must be true of the alerts

    def _instant(self) -> None:
        said = {key: truth for key, truth in self.truth.items() if truth is not None}
        self.paused = {s: end for s, end in self.paused.items() if end is None or self.now < end}
        for key in KEYS:
            self._history(key, said.get(key, Truth.UNCLEAR))
        facts = [Condition(key, truth, f"{key.subject} has it.") for key, truth in said.items()]
        self.book, alerts = update(self.book, self.now, facts)
        for alert in alerts:
            self._raised(alert, said) if alert.state == "raised" else self._cleared(alert)
        self._none_lost(said)

    def _history(self, key: Key, truth: Truth) -> None:
        if truth is Truth.HOLDS:
            self.held.setdefault(key, self.now)
        if truth is Truth.CLEAR:
            self.held.pop(key, None)
            self.clear.setdefault(key, self.now)
        else:
            self.clear.pop(key, None)

    def _raised(self, alert: Alert, said: dict[Key, Truth]) -> None:
        entry = self.book.find(alert.id)
        assert entry.key[:2] not in self.paused
        if alert.id in self.open:
            self._said_again(alert)
        else:
            assert alert.id not in self.used, "an id came back"
            assert entry.key not in self.open.values(), "one cause, two alarms"
            self.open[alert.id] = entry.key
            self.used.add(alert.id)
        self.said_at[alert.id] = self.now
        assert alert.text.endswith(entry.kind.action)

    def _said_again(self, alert: Alert) -> None:
        if alert.id in self.fresh:
            self.fresh.discard(alert.id)
            return
        kind = KINDS[alert.kind]
        assert kind.is_alarm, "a notice was said twice"
        assert alert.id not in self.seen, "said again though acknowledged"
        assert kind.repeat is not None
        assert self.now - self.said_at[alert.id] >= kind.repeat, "said again too soon"

    def _cleared(self, alert: Alert) -> None:
        assert alert.id in self.open, "cleared without having been raised, or twice"
        key = self.open.pop(alert.id)
        self.fresh.discard(alert.id)
        if KINDS[key.kind].happened and alert.id in self.seen:
            return
        assert key in self.clear, "cleared by silence"
        assert self.now - self.clear[key] >= KINDS[key.kind].off_delay, "cleared too soon"

    def _none_lost(self, said: dict[Key, Truth]) -> None:
        for key, truth in said.items():
            due = truth is Truth.HOLDS and self.now - self.held[key] >= KINDS[key.kind].on_delay
            if due and key[:2] not in self.paused:
                assert key in self.open.values(), f"{key} holds and was not raised"

    @invariant()
    def what_is_open_is_in_the_book(self) -> None:
        active = {entry.id for entry in self.book.standing() if entry.phase == "active"}
        assert set(self.open) <= active

    @invariant()
    def what_was_clear_long_enough_is_over(self) -> None:
        for key in self.open.values():
            since = self.clear.get(key, self.now)
            assert self.now - since < max(KINDS[key.kind].off_delay, timedelta(seconds=1))


Alarms.TestCase.settings = settings(
    max_examples=SEQUENCES,
    stateful_step_count=30,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    print_blob=True,
)
TestSequences = Alarms.TestCase
