"""Where messages wait between the network's thread and the loop: stamped, in order, bounded."""

import threading
from collections import deque
from dataclasses import dataclass
from datetime import datetime

from drymon.messages.message import Message
from drymon.messages.topics import log_topic
from drymon.service.clock import ClockWord, StreamTime

MOST_WAITING = 20_000  # some 10 MB; beyond that the network's thread waits and the broker keeps what it has


@dataclass(frozen=True, slots=True)
class Received:
    """A message and the connection it came over: an acknowledgement must never reach another connection.

    generation: 0 for the service's own messages, which nobody waits for.
    """

    message: Message
    generation: int = 0


class Inbox:
    """Stamps and queues. Everything in it is in order of arrival, the service's words on its clock included."""

    def __init__(self, room: str, stream_time: StreamTime) -> None:
        self._clock_topic = log_topic(room, "clock")
        self._time = stream_time
        self._waiting: deque[Received] = deque()
        self._changed = threading.Condition()
        self._closed = False

    def put(  # noqa: PLR0913, a message has these fields in MQTT
        self, topic: str, payload: bytes, *, retain: bool, qos: int, dup: bool, mid: int, generation: int
    ) -> None:
        """Stamp a message with its arrival and queue it; waits while the queue is full."""
        with self._changed:
            self._changed.wait_for(lambda: self._closed or len(self._waiting) < MOST_WAITING)
            self._look_at_clock()
            message = Message(self._time.now(), topic, payload, retain, qos, dup, mid)
            self._waiting.append(Received(message, generation))
            self._changed.notify_all()

    def drain(self, enough: int, most: int, wait_s: float) -> tuple[list[Received], datetime | None]:
        """The oldest messages, at most `most`; waits up to `wait_s` until there are `enough`.

        The second answer is a time that nothing still to come will arrive before: None while messages are
        left waiting.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._closed or len(self._waiting) >= enough, wait_s)
            self._look_at_clock()
            taken = [self._waiting.popleft() for _ in range(min(most, len(self._waiting)))]
            self._changed.notify_all()
            return taken, None if self._waiting else self._time.now()

    def now(self) -> datetime:
        """Stream time now."""
        with self._changed:
            self._look_at_clock()
            return self._time.now()

    def close(self) -> None:
        """Let nobody wait any more: the service is stopping."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    @property
    def clock_known(self) -> bool:
        """Whether the service's clock can be right."""
        return self._time.known

    def _look_at_clock(self) -> None:
        for word in self._time.check():
            self._waiting.append(Received(self._clock_message(word)))

    def _clock_message(self, word: ClockWord) -> Message:
        known = "true" if word.known else "false"
        return Message(word.time, self._clock_topic, f'{{"known": {known}, "note": "{word.note}"}}'.encode())
