"""The service: listen, record, judge, publish. One thread does it all; others bring messages and show the page."""

import logging
import queue
import threading
from collections.abc import Callable
from concurrent.futures import Future
from datetime import datetime, timedelta
from typing import Any, Protocol, TypeVar

from drymon.messages import outgoing
from drymon.messages.coat_models import load_models
from drymon.messages.message import Message
from drymon.messages.settings import HomeConfig, Where
from drymon.service import heaps, systemd
from drymon.service.clock import Clock, StreamTime, SystemClock
from drymon.service.embedded import EmbeddedBroker, broker_of
from drymon.service.inbox import Inbox
from drymon.service.listener import Listener
from drymon.service.notify.lamp import Lamp
from drymon.service.notify.notifier import Notifier, Teller
from drymon.service.pipeline import Pipeline
from drymon.service.road import Road
from drymon.service.unsaid import Unsaid
from drymon.service.upkeep import Upkeep
from drymon.shop.alarms.alarm_book import Condition, Key, Truth
from drymon.store.alone import only_writer
from drymon.store.store import Store

log = logging.getLogger(__name__)

GATHER_S = 0.2  # a commit costs a sync of the card: gather this long, at most
MOST_AT_ONCE = 2000
MARK_S = 5  # the room may look at its facts every fifth second
HEARTBEAT_S = 60.0
GIVE_BACK_S = 10.0  # memory that was freed goes back to the system
CATCH_UP = timedelta(hours=2)
LONGEST_START_S = 900  # a week of many trees is folded anew at start; a small computer takes its time

T = TypeVar("T")


class PageServer(Protocol):
    """What shows the room to people, in threads of its own. `start` raises OSError where it cannot open its port."""

    def start(self) -> None:
        """Open the port and serve."""

    def stop(self) -> None:
        """Close the port."""


Ask = Callable[[Callable[[Pipeline], Any]], Any]
MakePage = Callable[[HomeConfig, Where, Ask, Callable[[], bool], Clock], PageServer]


class Service:
    """One room, served until `stop` is set. `run` belongs to the thread that calls it; `ask` to any other."""

    def __init__(self, config: HomeConfig, clock: Clock | None = None, make_page: MakePage | None = None) -> None:
        self._config, self._clock, self._make_page = config, clock or SystemClock(), make_page
        self._name = config.room.name
        self.stop = threading.Event()
        self._work: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._mark: datetime | None = None
        lamp = config.notify.lamp_topic
        self._lamp = Lamp(lamp) if lamp else None
        self._next_second = self._next_minute = self._next_giving_back = 0.0
        self._present = self._greeted = False
        self.anew = False
        """Stopped to be started again."""

    def start_anew(self) -> None:
        """Stop, for whoever runs this service to start it again."""
        self.anew = True
        self.stop.set()

    def run(self) -> None:
        """Serve. Raises StoreError, SetupError or BrokerError where it cannot begin."""
        heaps.share()
        _ask_for_time("checking the database")  # opening checks, and may copy and convert all that there is
        with only_writer(self._config.database, self._clock.wall()) as store:
            self._serve(store)
        log.info("stopped")

    def _serve(self, store: Store) -> None:
        self._store = store
        store.mark_served(self._clock.wall())
        if not self._clock.synchronised():
            log.warning("no time server keeps this computer's clock; a battery clock or a time server in the LAN helps")
        _ask_for_time("taking up the record")
        self._upkeep = Upkeep(self._config.path, self._config.database, store, self._config.keep)
        self._road = Road(self._config, load_models(self._config.path), store, self.stop, Teller(self._config))
        self._reached = store.last_arrival()
        known = self._road.pipeline.room.clock_known  # a doubt on record lasts until this service says otherwise
        self._inbox = Inbox(self._name, StreamTime(self._clock, self._reached, known))
        embedded = self._embedded()
        try:
            self._listen(embedded is None)
        finally:
            self._upkeep.stop()
            self._road.close()
            if embedded is not None:
                embedded.stop()

    def ask(self, work: Callable[[Pipeline], T]) -> T:
        """Have the loop's thread do something with the pipeline, and wait for it. For the page's threads."""
        answer: Future[T] = Future()

        def do() -> None:
            try:
                answer.set_result(work(self._road.pipeline))
            except Exception as error:
                answer.set_exception(error)

        self._work.put(do)
        return answer.result(timeout=30.0)

    def _embedded(self) -> EmbeddedBroker | None:
        if self._config.broker is not None:
            return None
        embedded = EmbeddedBroker(self._config.path)
        embedded.start()
        log.warning(
            "room.toml has no [broker], so an EMBEDDED BROKER listens on 127.0.0.1 port %d (MQTT 3.1.1). It is for "
            "TRYING OUT: only this machine reaches it, and it loses messages when it stops. A shop runs mosquitto "
            "and names it under [broker].",
            embedded.port,
        )
        return embedded

    def _listen(self, mqtt5: bool) -> None:
        will = outgoing.last_will(self._name, self._clock.wall())
        sources = sorted({source.topic for source in self._config.sources})
        broker = broker_of(self._config)
        self._listener = Listener(broker, self._name, sources, self._inbox, will, self._clock.monotonic, mqtt5=mqtt5)
        self._unsaid = Unsaid(self._listener.publish)
        page = self._page()
        notifier = Notifier(self._config, self._write, self._report_soon, self._clock)
        try:
            conditions = [*([self._open(page)] if page else []), self._restored(), *self._house_conditions()]
            self._catch_up(self._inbox.now())
            self._report(conditions)
            self._listener.start()
            systemd.tell("READY=1", "STATUS=listening", *systemd.own_patience())
            log.info("serving the room %s from %s", self._name, self._config.path)
            notifier.start()
            while not self.stop.is_set():
                self._turn()
            self._farewell()
        finally:
            self._inbox.close()
            self._listener.drop()  # after a farewell there is nothing to drop; without one it must not speak on
            notifier.stop()
            if page is not None:
                page.stop()

    def _farewell(self) -> None:
        if not self.anew:  # else it runs on for the manager, who gives up on what stops and does not end
            systemd.tell("STOPPING=1")
        self._inbox.close()
        self._listener.stop(outgoing.service_state(self._name, "offline", self._clock.wall()))
        if self._present:
            self._road.keep_image(anyway=True)

    def _turn(self) -> None:
        """Take what has come, commit it, acknowledge it, say what follows; then what is due by the clock."""
        if self._listener.came_online():
            log.info("online: the subscriptions stand")
            self._present = self._greeted = False  # what waited in the broker comes first
            self._listener.tend()
        heard_out = self._listener.heard_out()
        received, horizon = self._inbox.drain(self._listener.window // 2, MOST_AT_ONCE, GATHER_S)
        arrives = not self._present and horizon is not None and (heard_out or not self._listener.online)
        if received or arrives or self._due(horizon):
            messages = [each.message for each in received]
            self._catch_up(messages[0].arrived if messages else horizon)
            if self._go(messages, horizon, anew=arrives):
                self._listener.acknowledge(received)
                self._present = self._present or arrives
        if heard_out:
            self._greet()
        if self._present:
            self._road.keep_image()
        while not self._work.empty():
            self._work.get()()
        self._by_the_clock()

    def _go(self, messages: list[Message], until: datetime | None, anew: bool = False) -> bool:
        """One batch down the road; True when it is on disk and said, or kept for when it may be."""
        said = self._road.batch(messages, until, anew)
        if said is None:
            return False
        self._say(said)
        self._reached = until or messages[-1].arrived
        if conditions := self._road.take_conditions():
            self._report(conditions)
        return True

    def _say(self, messages: list[Message]) -> None:
        """Said at once where the broker listens and has been told of the present; else kept, and said with it."""
        self._unsaid.say(messages, self._listener.online and self._greeted, self._clock.wall())

    def _greet(self) -> None:
        """What a broker should hold, once that is the present; only then, that it can be believed."""
        if self._present and not self._greeted and self._listener.online:
            self._greeted = True
            self._unsaid.say_all(self._clock.wall())
            self._say([self._online()])

    def _catch_up(self, to: datetime | None) -> None:
        """After weeks without power, or a clock that jumps, the room has long to go: in steps that a watchdog bears.
        Nothing is said on the way.
        """
        while self._reached and to and to - self._reached > CATCH_UP and not self.stop.is_set():
            self._present = self._greeted = False
            if not self._go([], self._reached + CATCH_UP):
                return
            systemd.tell("WATCHDOG=1")

    def _due(self, horizon: datetime | None) -> bool:
        """Whether an instant that the room may look at has passed since the last time."""
        if horizon is None:
            return False
        mark = horizon - timedelta(seconds=horizon.second % MARK_S, microseconds=horizon.microsecond)
        due, self._mark = mark != self._mark, mark
        return due

    def _by_the_clock(self) -> None:
        now = self._clock.monotonic()
        if now >= self._next_second:
            self._next_second = now + 1.0
            self._store.check_reached()  # before anything is said: who has lost it has lost the room
            self._listener.tend()
            self._light()
            self._in_the_house(self._upkeep.clear_on)
            if self._listener.alive():
                systemd.tell("WATCHDOG=1", f"STATUS={'online' if self._listener.online else 'no broker'}")
        if now >= self._next_minute:
            self._next_minute = now + HEARTBEAT_S
            if self._greeted:
                self._say([self._online()])
            self._in_the_house(self._keep_up)
        if now >= self._next_giving_back:
            self._next_giving_back = now + GIVE_BACK_S
            heaps.give_back()

    def _online(self) -> Message:
        return outgoing.service_state(self._name, "online", self._clock.wall())

    def _report(self, conditions: list[Condition]) -> None:
        said = self._road.pipeline.report(conditions, self._inbox.now())
        self._say(said)

    def _write(self, work: Callable[[Store], T]) -> T:
        return self.ask(lambda pipeline: work(pipeline.store))

    def _report_soon(self, conditions: list[Condition]) -> None:
        self.ask(lambda _: self._report(conditions))

    def _light(self) -> None:
        now = self._clock.wall()
        message = self._lamp.message(self._road.pipeline.room.alarm_book, now) if self._lamp else None
        if message is not None:
            self._say([message])

    def _page(self) -> PageServer | None:
        if self._make_page is None:
            return None
        where = self._config.database
        return self._make_page(self._config, where, self.ask, lambda: self._listener.online, self._clock)

    def _open(self, page: PageServer) -> Condition:
        where = f"{self._config.page.host} port {self._config.page.port}"
        key = Key("page-unavailable", "page")
        try:
            page.start()
        except OSError as error:
            log.error("the page cannot open %s (%s); listening goes on", where, error)
            return Condition(key, Truth.HOLDS, f"The page cannot open {where}: {error}.")
        log.info("the page is at http://%s:%d/", self._config.page.host, self._config.page.port)
        return Condition(key, Truth.CLEAR)

    def _restored(self) -> Condition:
        if self._store.note:
            log.error("%s", self._store.note)
        truth = Truth.HOLDS if self._store.note else Truth.UNCLEAR
        return Condition(Key("database-restored", "database"), truth, self._store.note or "")

    def _house_conditions(self) -> list[Condition]:
        return self._upkeep.conditions(self._road.pipeline.room.alarm_book)

    def _keep_up(self) -> None:
        """Every minute."""
        self._report(self._house_conditions())
        self._upkeep.tend(self._clock.wall(), self._inbox.clock_known)

    def _in_the_house(self, work: Callable[[], None]) -> None:
        try:
            work()
        except Exception:  # readings come first: nothing in the house may stop them
            log.exception("housekeeping failed; listening goes on")


def _ask_for_time(what_for: str) -> None:
    systemd.tell(f"EXTEND_TIMEOUT_USEC={LONGEST_START_S * 1_000_000}", f"STATUS={what_for}")
