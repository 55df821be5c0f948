"""The node: read what is due, keep it, send it on, say how things are. One thread does it all; another is paho's."""

from __future__ import annotations

import logging
from collections import deque
from typing import Any

from drymon_sensors import systemd
from drymon_sensors.buffer.ring import Ring
from drymon_sensors.clock import Clock, NodeTime
from drymon_sensors.config import Config
from drymon_sensors.errors import KeepError
from drymon_sensors.link.link import Down, Event, Link, Namesake, ServiceSaid, Taken, Up, Woken
from drymon_sensors.payload import Receipt, status
from drymon_sensors.publisher import Publisher
from drymon_sensors.sampling import Sampler
from drymon_sensors.status import OFFLINE, Health, online

log = logging.getLogger(__name__)

STATUS_S = 60.0
CHANGED_S = 5.0
"""A change is told at once, but a sensor that comes and goes does not make the node chatter."""
TEND_S = 5.0
NAMESAKE = "another node calls itself {device} too: give each a name, a user and a password of its own"
NAMESAKE_S = 3 * STATUS_S
MOST_UNWRITTEN = 1000
"""Readings held in memory while the disk takes none."""
IDLE_S = 1.0


class Node:
    """One node. `turn` does what is due and never waits; `run` goes on until `stop`."""

    def __init__(self, config: Config, clock: Clock, session: str) -> None:
        self._config, self._clock = config, clock
        self.time = NodeTime(clock, config.clock_kept)
        self.ring = Ring(config.state, session, int(config.buffer.most_mb * (1 << 20)))
        self.link = Link(config.broker, config.room, config.device, status(config.device, OFFLINE))
        self.publisher = Publisher(
            self.ring, self.link, self.time, (config.room, config.device), session, expires=config.broker.mqtt == 5
        )
        self.health = Health(self.time)
        self._samplers = [Sampler(sensor, self.time) for sensor in config.sensors]
        self._unwritten: deque[list[Any]] = deque(maxlen=MOST_UNWRITTEN)
        self._unkept = 0
        self._keep_trouble = self._said_down = ""
        self._told_drops = 0
        self._started = clock.monotonic()
        self._next_sync = self._next_status = self._next_tend = self._last_status = self._started
        self._namesake_until = float("-inf")
        self._stopping = False

    def run(self) -> None:
        """Read and send until `stop` is called."""
        self.link.start()
        systemd.tell("READY=1")
        log.info("%d sensors, %d readings wait", len(self._samplers), self.ring.waiting)
        try:
            while not self._stopping:
                self.turn(self.link.wait(self._rest()))
        finally:
            self.close()

    def stop(self) -> None:
        """End `run` soon. May be called from a signal's handler."""
        self._stopping = True
        self.link.events.put(Woken())

    def close(self) -> None:
        """Say farewell and let go of everything."""
        systemd.tell("STOPPING=1")
        self.link.stop(status(self._config.device, OFFLINE))
        for sampler in self._samplers:
            sampler.sensor.source.close()
        self.ring.close()

    def turn(self, event: Event | None = None) -> None:
        """Take in what has happened, and do what is due."""
        while event is not None:
            self._happened(event)
            event = self.link.wait(0.0)
        now = self._clock.monotonic()
        self._sample(now)
        self._sync(now)
        self.publisher.pump(now)
        self._tend(now)

    # ---- inside --------------------------------------------------------------------------------------------

    def _rest(self) -> float:
        """Seconds until something is due."""
        now = self._clock.monotonic()
        due = min((sampler.due for sampler in self._samplers), default=now + IDLE_S)
        return max(min(due - now, IDLE_S), 0.0)

    def _happened(self, event: Event) -> None:
        now = self._clock.monotonic()
        if isinstance(event, Up):
            log.info("connected to the broker")
            self._said_down = ""
            self.publisher.up(now)
            self._next_status = now
        elif isinstance(event, Down):
            if event.why != self._said_down:
                log.warning("%s; trying on", event.why)
                self._said_down = event.why
            self.publisher.down()
        elif isinstance(event, Receipt):
            self.publisher.receipt(event, now)
        elif isinstance(event, ServiceSaid):
            if event.live:
                self.time.learn(event.word.wall)
            self.publisher.service(event.word.online, now)
        elif isinstance(event, Taken):
            self.publisher.answered(event.mid, event.refusal)
        elif isinstance(event, Namesake):
            if now > self._namesake_until:
                log.error("%s", NAMESAKE.format(device=self._config.device))
            self._namesake_until = now + NAMESAKE_S

    def _sample(self, now: float) -> None:
        for sampler in self._samplers:
            if sampler.due <= now:
                outcome = sampler.take(now)
                if outcome is not None:
                    self.health.note(sampler.sensor, outcome)
                    if outcome.value is not None:
                        self._keep([sampler.sensor.tail, outcome.value, *outcome.taken])

    def _keep(self, content: list[Any]) -> None:
        """Into the ring; into memory while the disk does not take it."""
        if len(self._unwritten) == MOST_UNWRITTEN:
            self._unkept += 1
        self._unwritten.append(content)
        try:
            while self._unwritten:
                self.ring.append(self._unwritten[0])
                self._unwritten.popleft()
        except KeepError as error:
            self._trouble(str(error))
        else:
            self._trouble("")
        if self.ring.dropped > self._told_drops:
            log.error("the buffer is full: the oldest readings were dropped, %d by now", self.ring.dropped)
            self._told_drops, self.health.changed = self.ring.dropped, True

    def _sync(self, now: float) -> None:
        if now >= self._next_sync:
            self._next_sync = now + self._config.buffer.sync_s
            try:
                self.ring.sync()
            except KeepError as error:
                self._trouble(str(error))

    def _trouble(self, why: str) -> None:
        if why != self._keep_trouble:
            self._keep_trouble, self.health.changed = why, True
            if why:
                log.error("readings are held in memory: %s", why)

    def _tend(self, now: float) -> None:
        if now >= self._next_tend:
            self._next_tend = now + TEND_S
            self.link.tend()
            systemd.tell("WATCHDOG=1", f"STATUS={self.link.trouble or 'connected'}, {self.ring.waiting} wait")
        changed = self.health.changed and now >= self._last_status + CHANGED_S
        if self.link.up and (changed or now >= self._next_status):
            self._last_status, self._next_status = now, now + STATUS_S
            self.link.publish(status(self._config.device, self.status()))

    def status(self) -> dict[str, Any]:
        """What the node says of itself."""
        counts = {
            "waiting": self.ring.waiting + len(self._unwritten),
            "dropped": self.ring.dropped + self._unkept,
            "damaged": self.ring.damaged,
            "undated": self.publisher.undated,
        }
        namesake = self._clock.monotonic() <= self._namesake_until
        name = NAMESAKE.format(device=self._config.device) if namesake else ""
        trouble = self._keep_trouble or name or self.publisher.refusal
        return {"instance": self.link.instance, **online(self.time, self._started, counts, self.health, trouble)}
