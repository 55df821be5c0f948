"""What drymon says, kept until the broker can have it: the latest word on every topic, and alerts not yet said."""

from collections import deque
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta

from drymon.messages.message import Message

PAST = timedelta(minutes=1)
MOST_ALERTS = 1000  # of a long time without a broker; older ones are in the database


class Unsaid:
    """Says messages when there is a broker; without one it keeps what will still be worth saying."""

    def __init__(self, publish: Callable[[Message, int | None], None]) -> None:
        self._publish = publish
        self._latest: dict[str, Message] = {}
        self._unsaid: deque[Message] = deque(maxlen=MOST_ALERTS)

    def say(self, messages: Iterable[Message], online: bool, now: datetime) -> None:
        """Publish, or keep for later. A word on a retained topic that is past, and not the last one, is not said."""
        messages = list(messages)
        last = {message.topic: message for message in messages if message.retain}
        for message in messages:
            if message.retain and message is not last[message.topic] and now - message.arrived > PAST:
                continue
            if message.retain:
                self._latest[message.topic] = message
            if online:
                self._send(message, now)
            elif not message.retain:
                self._unsaid.append(message)

    def say_all(self, now: datetime) -> None:
        """Everything that a broker should hold: after every connection, for it may have lost what it had."""
        while self._unsaid:
            self._send(self._unsaid.popleft(), now)
        for message in list(self._latest.values()):
            self._send(message, now)
            if not message.payload:  # a topic that was cleared needs clearing once
                del self._latest[message.topic]

    def _send(self, message: Message, now: datetime) -> None:
        """With what is left of its life; what has none left says nothing any more."""
        if message.expiry_s is None:
            self._publish(message, None)
            return
        left = message.expiry_s - max(0.0, (now - message.arrived).total_seconds())
        if left >= 1:
            self._publish(message, int(left))
