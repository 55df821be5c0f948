"""A short talk with the broker, for the commands: connect, say or hear a few things, leave."""

from __future__ import annotations

import queue
import secrets
import sys
from types import TracebackType
from typing import Any

from paho.mqtt.client import Client

from drymon_sensors.config import Broker
from drymon_sensors.errors import BrokerError
from drymon_sensors.link.broker import connect, make_client, publish
from drymon_sensors.link.link import NOBODY
from drymon_sensors.payload import Message

ANSWER_S = 5.0


class Talk:
    """Used in a `with`. Raises BrokerError where no broker is reached, or it refuses us."""

    def __init__(self, broker: Broker) -> None:
        self._broker, self._where = broker, f"{broker.host}:{broker.port}"
        self._answers: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._client = make_client(broker, f"drymon-sensors-says-{secrets.token_hex(6)}")
        self._listen(self._client)

    def __enter__(self) -> Talk:
        connect(self._client, self._broker)
        self._client.loop_start()
        answer = self._next()
        if answer != "Success":
            self._leave()
            raise BrokerError(_why_not(self._where, answer))
        return self

    def __exit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self._leave()

    def say(self, message: Message) -> str | None:
        """Publish one message; None once the broker has it, else why it does not hand it on."""
        publish(self._client, self._broker, message)
        answer = self._next()
        if answer == "Success":
            return None
        if answer == NOBODY:
            return f"nobody listens to {message.topic} at the broker {self._where}: start drymon there"
        return f"the broker {self._where} does not take {message.topic}: {answer or 'no answer'}"

    def kept(self, topic: str, wait_s: float = 1.0) -> bytes | None:
        """What the broker keeps (retains) on a topic."""
        heard: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._client.on_message = lambda _, __, message: heard.put(bytes(message.payload))
        self._client.subscribe(topic, 1)
        try:
            return heard.get(timeout=wait_s)
        except queue.Empty:
            return None

    def _listen(self, client: Client) -> None:
        def connected(_: Client, __: Any, ___: Any, reason: Any, ____: Any) -> None:
            self._answers.put(str(reason))

        def failed(_: Client, __: Any) -> None:
            self._answers.put(f"cannot be reached ({sys.exc_info()[1]})")

        def published(_: Client, __: Any, ___: int, reason: Any, ____: Any) -> None:
            self._answers.put(str(reason))

        client.on_connect, client.on_connect_fail, client.on_publish = connected, failed, published

    def _next(self) -> str:
        try:
            return self._answers.get(timeout=ANSWER_S)
        except queue.Empty:
            return ""

    def _leave(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def _why_not(where: str, answer: str) -> str:
    if answer.startswith("cannot"):
        return f"the broker {where} {answer}: does it run, and is [broker] right?"
    if not answer or answer == "Unsupported protocol version":
        return f"the broker {where} does not answer in MQTT 5: set mqtt = 3 under [broker] if it is an old one"
    return f"the broker {where} refuses us: {answer}: look at username and password_file under [broker]"
