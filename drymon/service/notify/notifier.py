"""Telling people: what waits in the outbox is sent until it is delivered, by a thread of its own.

The alerts of an instant and their letters are on disk in one transaction (`Teller`), so a crash neither loses nor
doubles one. A try that fails is made again, ever more seldom, with the same Message-ID or `webhook-id`.
"""

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from itertools import groupby
from typing import TypeVar
from zoneinfo import ZoneInfo

from drymon.messages.settings import HomeConfig
from drymon.service.clock import Clock
from drymon.service.notify.letters import letters, plain_letter
from drymon.service.notify.life import sign_of_life
from drymon.service.notify.posts import LETTER_S, Posts, Tried
from drymon.service.notify.ways import FAILURES, PATIENCE_S, deliver, describe, ways_of, why
from drymon.shop.alarms.alarm_book import Condition, Key, Truth
from drymon.shop.facts.outcome import Alert
from drymon.store.notices import Notice
from drymon.store.store import Store
from drymon.store.writer import Writer

log = logging.getLogger(__name__)

T = TypeVar("T")

FIRST_PAUSE, LONGEST_PAUSE = timedelta(seconds=15), timedelta(minutes=15)
FAILED_AFTER = 3  # tries in a row before people are told by other ways
GIVEN_UP_AFTER = timedelta(hours=24)
"""Older news would mislead; it stays in the alarm log and in the outbox with its error."""
NEVER = datetime.fromisoformat("9999-01-01T00:00:00+00:00")
LOOK_EVERY_S = 3.0


class Teller:
    """Puts the letters that alerts call for into the outbox, inside the caller's transaction."""

    def __init__(self, config: HomeConfig) -> None:
        self._room = config.room.name
        self._ways = ways_of(config)

    def __call__(self, store: Store, alerts: Sequence[Alert]) -> None:
        """Queue what these alerts call for, in the order in which they came."""
        for time, instant in groupby(alerts, key=lambda alert: alert.time):
            for letter in letters(self._room, self._ways, list(instant)):
                store.queue_notice(time, letter.way, letter.payload, letter.key)


@dataclass(slots=True)
class _Trouble:
    """A way that failed lately: how often in a row, and until when it is left alone."""

    failures: int
    until: datetime


class Notifier:
    """Sends what waits. `turn` does all that is due at a time; `start` and `stop` run it in a thread.

    write: has the writing thread do something with the store. report: conditions for the alarm book.
    patience_s: how long an answer is waited for; letter_s: how long a letter may take in all.
    """

    def __init__(
        self,
        config: HomeConfig,
        write: Writer,
        report: Callable[[list[Condition]], None],
        clock: Clock,
        patience_s: float = PATIENCE_S,
        letter_s: float = LETTER_S,
    ) -> None:
        self._config, self._write, self._report, self.clock = config, write, report, clock
        self.patience_s = patience_s
        self._ways = {way.name: way for way in ways_of(config)}
        self._troubles: dict[str, _Trouble] = {}
        self._works: set[str] = set()
        self._begun = False
        self._last_life: datetime | None = None
        self._posts = Posts(clock.monotonic, letter_s)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="notify", daemon=True)

    def start(self) -> None:
        """Begin, unless there is nobody to tell."""
        if self._ways:
            self._thread.start()

    def stop(self, within_s: float = 5.0) -> None:
        """End soon; a letter under way is tried again after the next start."""
        self._stop.set()
        self._posts.wake()
        if self._thread.is_alive():
            self._thread.join(within_s)

    def turn(self, now: datetime) -> int:
        """Try everything that is due, and wait for what comes of it; returns how many letters were delivered."""
        delivered = self.go_on(now)
        while self._posts.under_way and not self._stop.is_set():
            self._posts.wait(LOOK_EVERY_S)
            delivered += self.go_on(now)
        return delivered

    def go_on(self, now: datetime) -> int:
        """Settle what has been tried, and hand on what is due: one letter for each way at a time, so that the claim of
        the others does not run out, and none waits for the server of another way. Returns how many were delivered.
        """
        if not self._begun:
            self._write(lambda store: store.hasten_notices(now, GIVEN_UP_AFTER))
            self._begun = True
        self._queue_sign_of_life(now)
        delivered = 0
        while not self._stop.is_set():
            ended = self._posts.ended()
            delivered += sum(self._settle(tried, now) for tried in ended)
            busy = self._posts.busy
            due = self._write(partial(_next_due, now=now, but=busy))
            if not due and not ended:
                return delivered
            for notice in due:
                self._try(notice, now)
        return delivered

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self.go_on(self.now())
            except Exception:  # whatever it was, the thread must live to tell of the next alarm
                log.exception("telling people failed; trying again")
            self._posts.wait(LOOK_EVERY_S)

    def now(self) -> datetime:
        """The wall's time; where that is behind the record (a clock not set yet), the record's end."""
        wall = self.clock.wall()
        return max(wall, self._write(lambda store: store.last_arrival()) or wall)

    def _try(self, notice: Notice, now: datetime) -> None:
        trouble = self._troubles.get(notice.channel)
        if trouble and now < trouble.until:
            self._settle_failed(notice, notice.error or "waits for its way to work again", trouble.until)
            return
        if notice.channel not in self._ways or now - notice.created > GIVEN_UP_AFTER:
            self._settle_failed(notice, notice.error or "its way is not in room.toml any more", NEVER)
            return
        way = self._ways[notice.channel]
        self._posts.begin(notice, lambda: deliver(self._config, way, notice, now, self.patience_s))

    def _settle(self, tried: Tried, now: datetime) -> bool:
        notice = tried.notice
        if isinstance(tried.error, FAILURES):
            self._failed(notice, why(tried.error), now)
            return False
        if tried.error is not None:
            raise tried.error
        self._write(lambda store: store.notice_delivered(notice.id, now))
        if self._troubles.pop(notice.channel, None) or notice.channel not in self._works:
            self._report([Condition(_key(notice.channel), Truth.CLEAR)])
        self._works.add(notice.channel)
        return True

    def _failed(self, notice: Notice, error: str, now: datetime) -> None:
        before = self._troubles.get(notice.channel)
        failures = before.failures + 1 if before else 1
        pause = min(FIRST_PAUSE * 2 ** min(failures - 1, 10), LONGEST_PAUSE)
        self._troubles[notice.channel] = _Trouble(failures, now + pause)
        log.warning("%s: not delivered (%s); trying again in %.0f s", notice.channel, error, pause.total_seconds())
        # Later than the others of its way, so that one letter that nobody will take does not hold them all up.
        self._settle_failed(notice, error, now + 2 * pause)
        if failures >= FAILED_AFTER:
            target = describe(self._ways[notice.channel])
            what = f"Messages by {notice.channel} ({target}) cannot be delivered: {error}."
            self._report([Condition(_key(notice.channel), Truth.HOLDS, what)])

    def _settle_failed(self, notice: Notice, error: str, next_try: datetime) -> None:
        self._write(lambda store: store.notice_failed(notice.id, error, next_try))

    def _queue_sign_of_life(self, now: datetime) -> None:
        at = self._config.notify.daily_sign_of_life
        local = now.astimezone(ZoneInfo(self._config.room.timezone))
        if at is None or local.time() < at:
            return
        due = local.replace(hour=at.hour, minute=at.minute, second=0, microsecond=0)
        if due != self._last_life:
            self._write(lambda store: self._queue_life(store, now, due))
            self._last_life = due

    def _queue_life(self, store: Store, now: datetime, due: datetime) -> None:
        title, text = sign_of_life(store, now, self._config.room)
        for way in self._ways.values():
            letter = plain_letter(self._config.room.name, way, "sign-of-life", title, text, due)
            store.queue_notice(now, letter.way, letter.payload, letter.key)


def _next_due(store: Store, now: datetime, but: Sequence[str]) -> list[Notice]:
    return store.claim_notices(now, 1, but=but)


def _key(way: str) -> Key:
    return Key("notify-failed", way)
