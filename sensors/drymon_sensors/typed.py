"""What people say at a terminal (weighings, spot temperatures): kept on disk until a broker has taken it."""

from __future__ import annotations

import os
import secrets
from typing import Any, NamedTuple

from drymon_sensors.buffer.ring import Kept, Ring
from drymon_sensors.clock import NodeTime, Taken
from drymon_sensors.config import Config
from drymon_sensors.errors import BrokerError
from drymon_sensors.link.talk import Talk
from drymon_sensors.payload import Message, spot, weighing
from drymon_sensors.sources.lines import Said

WEIGH, SPOT = "weigh", "spot"
FOLDER = "typed"
MOST = 1 << 20


class Delivery(NamedTuple):
    """What became of what was said. sent: taken by the broker now; waiting: still on disk, and why."""

    sent: int
    waiting: int
    why: str = ""


NOTHING = Delivery(0, 0)


class Typed:
    """The box in which it waits; one program at a time."""

    def __init__(self, config: Config, time: NodeTime, session: str) -> None:
        self._config, self._time, self._session = config, time, session
        self._ring = Ring(os.path.join(config.state, FOLDER), session, MOST)

    def weigh(self, tree: str, said: Said, taken: Taken, by: str) -> None:
        """A weighing, on disk once this returns."""
        self._keep([WEIGH, tree, said.text, said.unit, secrets.token_hex(12), by, *taken])

    def spot(self, tail: str, said: Said, taken: Taken) -> None:
        """A spot temperature, on disk once this returns."""
        self._keep([SPOT, tail, said.text, said.unit, *taken])

    def deliver(self) -> Delivery:
        """Hand all that waits to the broker, in its order."""
        self._ring.rewind()
        if not self._ring.waiting:
            return NOTHING
        sent = 0
        try:
            with Talk(self._config.broker) as talk:
                while (entry := self._ring.next()) is not None:
                    why = talk.say(self._message(entry.content, entry.session)) if isinstance(entry, Kept) else None
                    if why:
                        return Delivery(sent, self._ring.waiting, why)
                    self._ring.cover(entry.boot, entry.seq)
                    sent += 1
        except BrokerError as error:
            return Delivery(sent, self._ring.waiting, str(error))
        return Delivery(sent, self._ring.waiting)

    def close(self) -> None:
        """Let go of the folder."""
        self._ring.close()

    def _keep(self, content: list[Any]) -> None:
        self._ring.append(content)
        self._ring.sync()

    def _message(self, content: tuple[Any, ...], session: str) -> Message:
        kind, *facts, wall, running = content
        taken = Taken(wall, running)
        moment = self._time.of(taken) if session == self._session else wall
        if kind == WEIGH:
            tree, text, unit, id_, by = facts
            return weighing(self._config.room, tree, text, unit, moment, id_, by)
        tail, text, unit = facts
        return spot(self._config.room, tail, text, unit, moment)
