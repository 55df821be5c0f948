"""The one road: message → readings and log events → stored → the room → outcomes stored → messages out.

Serving and replaying both go this way. Nothing here reads a clock: time is when messages arrived, and what
the caller says.
"""

import logging
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from drymon.drying.coat_model import CoatModel
from drymon.drying.quantities import Quantity
from drymon.errors import RefusedMessage
from drymon.messages import outgoing, topics
from drymon.messages.message import Message
from drymon.messages.parse import Parsed, Parser
from drymon.messages.settings import HomeConfig
from drymon.service.room_images import RoomImages, Upcoming
from drymon.shop.air.sensors import Doubted
from drymon.shop.alarms import raising as alarms
from drymon.shop.alarms.alarm_acts import acknowledged
from drymon.shop.alarms.alarm_book import AlarmBook, Condition, is_of_service
from drymon.shop.facts.corrected import Corrections, corrected
from drymon.shop.facts.events import LogEvent, SlurryUndo, TreeEvent, Undo
from drymon.shop.facts.lives import lives_of
from drymon.shop.facts.measured import Measured
from drymon.shop.facts.outcome import Alert, Outcome, Verdict
from drymon.shop.facts.reading import Reading
from drymon.shop.fold.room import Room
from drymon.store.engine import EngineError
from drymon.store.history import Channel
from drymon.store.images import Place
from drymon.store.plain import UnreadableImage
from drymon.store.store import Store
from drymon.store.strangers import no_such_tree, nothing_taken

log = logging.getLogger(__name__)

EARLIER_DAYS = timedelta(days=9)
"""Of air before the first dip: the forecast looks at the same hours of earlier days, and what a week has shown to be
usual of each sensor tells which of them has drifted.
"""
TOLD_LATE = timedelta(minutes=1)
LONGEST_LOOK_BACK = timedelta(days=60)
NOT_OURS = (
    "log event: received a word on the clock from the broker; allowed is only the service's own: set this computer's "
    "clock, and it will say so by itself"
)

Tell = Callable[[Store, Sequence[Alert]], None]
"""Has alerts reach people: called within the transaction that keeps them."""


class Pipeline:
    """One room's road. Not for several threads; the caller owns the store and its transactions."""

    def __init__(
        self, config: HomeConfig, models: Mapping[str, CoatModel], store: Store, tell: Tell | None = None
    ) -> None:
        self.store, self._tell = store, tell
        self.room = Room(config.room, models, ZoneInfo(config.room.timezone))
        self._name = config.room.name
        self._clock_topic = topics.log_topic(self._name, "clock")
        self._parser = Parser(config)
        self._corrections = Corrections({})
        self._take_up()
        self._saved_book = self.room.alarm_book
        self._images = RoomImages(config, models, store)
        self.image_at = -math.inf
        """Of the room's time: the image that was last tried to be kept, or that was gone on from."""

    def batch(self, messages: Iterable[Message], until: datetime | None = None, anew: bool = False) -> list[Message]:
        """Take messages in order of arrival, then advance to `until`; all of it is one transaction. anew: every tree is
        judged at its end, whenever that was done last.

        Returns what is to be said, once it is on disk. Raises StoreError where nothing of the batch is.
        """
        said: list[Message] = []
        now = until
        with self.store.transaction():
            anew = self._take_up() or anew  # a sensor may just have been calibrated, a cloth or a piece weighed
            for message in messages:
                said += self.receive(message)
                now = message.arrived
            if until is not None:
                said += self.advance(until)
            if anew and now is not None:
                said += self._settle(self.room.judge_all(now))
            self._save_book(self.room.alarm_book)
        self._saved_book = self.room.alarm_book
        return said + ([] if now is None else self._marks(now))

    def receive(self, message: Message) -> list[Message]:
        """One message: the room is brought to its arrival, then told what it says."""
        said = self.advance(message.arrived)
        new = list(self._corrected(self._record(message)))
        self._tell_strangers(message, new)
        self._recall(new)
        self._flag(self.room.tell(new))
        if not all(isinstance(item, Reading) for item in new):
            said += self._settle(self.room.judge_now(message.arrived))
        return said

    def advance(self, now: datetime) -> list[Message]:
        """Bring the room to `now`."""
        return self._settle(self.room.advance(now))

    def report(self, conditions: Iterable[Condition], now: datetime) -> list[Message]:
        """What the service itself has to report (its page, its disk): into the alarm book, in one transaction."""
        book, alerts = alarms.update(self.room.alarm_book, now, conditions, is_of_service)
        with self.store.transaction():
            said = self._settle(list(alerts))
            self._save_book(book)
        self._hold(book)
        return said

    def act(self, act: Callable[[AlarmBook], AlarmBook], now: datetime, key: str, change: str, who: str) -> None:
        """What a person did with an alarm, or with all that are over (key: ""); AlarmError where it makes no sense."""
        before, book = self.room.alarm_book, act(self.room.alarm_book)
        with self.store.transaction():
            for about in [key] if key else acknowledged(before, book):
                self.store.log_alarm(now, about, change, who)
            self._save_book(book)
        self._hold(book)

    def keep(self, message: Message) -> None:
        """Record a message without telling the room: nothing is lost, whatever the room makes of it later."""
        self._record(message)

    def resume(self) -> None:
        """Bring the room to where the record ends, without saying anything again."""
        last = self.store.last_arrival()
        if last is None:
            return
        book = self.store.alarm_book()
        verdicts = self.store.current_verdicts()
        said = max((verdict.time for verdict in verdicts), default=last)
        if not self.go_on(max(last, said, book.now or last), book):
            self._fold_anew(last, verdicts, book)
        self._saved_book = self.room.alarm_book

    def keep_image(self) -> bool:
        """Keep what the room has folded, so that the next start goes on from here. False: there is none, and the next
        start folds all anew, which takes longer and is no loss. Raises EngineError where the server is gone.
        """
        self.image_at = self.room.at
        try:
            if self._images.keep(self.room):
                return True
            log.warning("the room is too large for an image: the next start folds all that is on record anew")
        except Exception as error:  # whatever it is: readings come first, and a start does without
            if isinstance(error, EngineError) and error.gone:
                raise
            log.exception("no image of the room can be kept: the next start takes longer; nothing is lost")
        return False

    def go_on(self, to: datetime, book: AlarmBook) -> bool:
        """From the newest image in the store that will do; False: there is none. What is wrong with one may be wrong
        with the next, which shares its parts: then all are thrown away.
        """
        new = self.room
        for tried, (place, restore) in enumerate(self._images.found()):
            try:
                fresh = Room(new.setup, new.world.models, new.zone)
                fresh.measured(Measured.of(self.store.calibrations()))
                self.room = restore(fresh)
                at = self.room.at
                self._go_on_from(place, to, book)
            except UnreadableImage as error:
                log.warning("an image of the room is not used: %s", error)
            except Exception:  # folding anew is slow and always right
                log.exception("an image of the room is not used")
            else:
                if tried:
                    self._images.drop()
                self.image_at = at
                return True
        self.room = new
        self._images.drop()
        return False

    def _go_on_from(self, place: Place, to: datetime, book: AlarmBook) -> None:
        self._take_up()
        count = self._take_again(place)
        self.room.advance(to)
        if (book.entries, book.pauses) != (self.room.alarm_book.entries, self.room.alarm_book.pauses):
            self.room.alarm_acted(book)  # people and the service itself had a say in it as well
        log.info("going on from an image of the room; %d messages came after it", count)

    def _take_again(self, place: Place) -> int:
        """What came after an image, message by message, as it was taken when it came; how many there were."""
        count = 0
        facts = Upcoming(self.store.facts_after(place))
        for message in self.store.messages_after(place):
            self.room.advance(message.arrived)
            new = list(self._corrected(facts.among(self._parse(message).items)))
            self._recall(new)
            self.room.tell(new)
            if not all(isinstance(item, Reading) for item in new):
                self.room.judge_now(message.arrived)
            count += 1
        facts.end()
        return count

    def _fold_anew(self, last: datetime, verdicts: Sequence[Verdict], book: AlarmBook) -> None:
        self.room.tell(self._corrected(self._facts(last, {verdict.tree for verdict in verdicts})))
        self.room.resume(max(last, book.now or last), [*self._said(verdicts, last), *verdicts], book)

    def _said(self, current: Iterable[Verdict], last: datetime) -> Iterator[Verdict]:
        """What was said earlier of the trees that are there: later dips and looks went by it."""
        for verdict in current:
            yield from self.store.verdicts_in_force(verdict.tree, self._begun(verdict.tree, last))

    def _take_up(self) -> bool:
        """Take up what calibrations ask for; whether they say something new of racks or coats."""
        calibrations = self.store.calibrations()
        self._corrections = self._checked(Corrections.of(calibrations))
        return self.room.measured(Measured.of(calibrations))

    def _checked(self, corrections: Corrections) -> Corrections:
        """The room is told which of its air's sensors were checked."""
        warmth = corrections.checked(Quantity.TEMPERATURE, 22.0, least=0.2)
        damp = corrections.checked(Quantity.HUMIDITY, 50.0, least=0.5)
        self.room.book.cross_check.begin_anew([*warmth, *damp])
        return corrections

    def _corrected(self, facts: Iterable[Reading | LogEvent]) -> Iterator[Reading | LogEvent]:
        """The record keeps what sensors said; the room is told what calibration makes of it."""
        return (corrected(fact, self._corrections) if isinstance(fact, Reading) else fact for fact in facts)

    def _facts(self, last: datetime, trees: set[str]) -> Iterable[Reading | LogEvent]:
        """What the room has to know again: its air since its trees began, and every switch before."""
        begun = [self._begun(tree, last) for tree in sorted(trees)]
        since = max(min(begun, default=last), last - LONGEST_LOOK_BACK) - EARLIER_DAYS
        for event in self.store.events(to=since):
            if event.arrived < since and not (isinstance(event, TreeEvent) and event.tree not in trees):
                yield event
        for fact in self.store.facts(since):
            if not (isinstance(fact, TreeEvent) and fact.tree not in trees):
                yield fact

    def _begun(self, tree: str, last: datetime) -> datetime:
        """When the tree's present stay began; its name may have served another shell before."""
        lives = lives_of(self.store.events(tree=tree), last)
        return lives[-1].said[0].event.time if lives and lives[-1].ended_by is None else last

    def _recall(self, new: Iterable[Reading | LogEvent]) -> None:
        """A tree that left long ago, or before the last start, is not in the room: what is told of it late, or taken
        back, finds it as it was.
        """
        for event in new:
            if isinstance(event, TreeEvent) and event.tree not in self.room.logs and _looks_back(event):
                told = [one for one in self.store.events(tree=event.tree) if one.place < event.place]
                own = [one for one in told if isinstance(one, TreeEvent)]
                begun = min((one.time for one in own), default=event.time)
                said = self.store.verdicts_in_force(event.tree, begun)
                self.room.recall(event.tree, own, [one for one in said if one.time <= event.arrived])

    def _record(self, message: Message) -> list[Reading | LogEvent]:
        """What the message tells that is new."""
        if message.mid is not None and message.topic == self._clock_topic:
            # Not among the messages either: a replay of those takes every word on the clock for the service's own.
            self.store.refuse(message, NOT_OURS)
            return []
        parsed = self._parse(message)
        return self.store.record(message, parsed.items, parsed.refusals, parsed.number)

    def _tell_strangers(self, message: Message, new: Iterable[Reading | LogEvent]) -> None:
        """An event about a tree that nobody knows is kept, as its dip may come late, and told of: it may be a slip."""
        for event in new:
            if isinstance(event, TreeEvent) and (told := no_such_tree(self.store, event)):
                self.store.refuse(message, f"{told}: {_then(event)}")
            if isinstance(event, SlurryUndo) and (told := nothing_taken(self.store, event)):
                self.store.refuse(message, f"{told}: it is recorded, and counts for nothing")

    def _parse(self, message: Message) -> Parsed:
        try:
            return self._parser.parse(message)
        except RefusedMessage as refused:
            return self._parser.refused(message, str(refused))

    def _flag(self, doubted: Iterable[Doubted]) -> None:
        """Doubtful readings stay in the record, marked."""
        for span in doubted:
            channel = Channel(span.place, span.quantity.value, span.sensor)
            self.store.flag_readings(channel, span.first, span.last, span.code)

    def _settle(self, outcomes: list[Outcome]) -> list[Message]:
        if outcomes:
            self.store.add_outcomes(outcomes)
        alerts = [outcome for outcome in outcomes if isinstance(outcome, Alert)]
        for alert in alerts:
            self.store.log_alarm(alert.time, alert.id, alert.state)
        if alerts and self._tell is not None:
            self._tell(self.store, alerts)
        return [outgoing.to_message(outcome, self._name) for outcome in outcomes]

    def _save_book(self, book: AlarmBook) -> None:
        """Only when more than its time has changed: once a minute would wear the card for nothing."""
        saved = self._saved_book
        if (book.entries, book.pauses) != (saved.entries, saved.pauses):
            self.store.save_alarm_book(book)

    def _hold(self, book: AlarmBook) -> None:
        """Only once it is on disk: what could not be written is reported again, and said then."""
        self.room.alarm_acted(book)
        self._saved_book = book

    def _marks(self, now: datetime) -> list[Message]:
        return [
            outgoing.received(self._name, mark.device, mark.boot, mark.seq, now)
            for mark in self.store.take_touched_marks()
        ]


def _looks_back(event: TreeEvent) -> bool:
    return isinstance(event, Undo) or event.arrived - event.time > TOLD_LATE


def _then(event: TreeEvent) -> str:
    if isinstance(event, Undo) and not event.entry:
        return "it is recorded, and counts for nothing"
    what = "that entry" if isinstance(event, Undo) else "that tree's dip"
    return f"it is recorded, and counts where {what} comes later"
