"""One message to the broker, and its word that it has it: for log events that people type."""

import queue
import sys
import uuid
from typing import Any

from paho.mqtt.client import Client, ConnectFlags
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from drymon.errors import BrokerError
from drymon.messages.message import Message
from drymon.messages.settings import Broker
from drymon.service.connection import connect, make_client

TIMEOUT_S = 10.0
NO_ANSWER_S = 3.0
NOBODY = "No matching subscribers"


def publish_once(broker: Broker, message: Message, *, mqtt5: bool = True) -> None:
    """Publish with QoS 1 and wait for the broker's acknowledgement.

    Raises BrokerError where no broker is reachable, where it refuses, and where it says (MQTT 5) that nobody listens:
    the message would be lost. A broker without MQTT 5 is spoken to in 3.1.1; it cannot tell the last two.
    """
    where = f"{broker.host}:{broker.port}"
    if mqtt5 and _attempt(broker, message, where, mqtt5=True, patience_s=NO_ANSWER_S):
        return
    if not _attempt(broker, message, where, mqtt5=False, patience_s=TIMEOUT_S):
        raise BrokerError(f"the broker {where} does not answer: is it an MQTT broker, and is it well?")


def _attempt(broker: Broker, message: Message, where: str, *, mqtt5: bool, patience_s: float) -> bool:
    """False where the broker does not speak this protocol, or does not answer at all."""
    client = make_client(broker, f"drymon-says-{uuid.uuid4().hex[:12]}", mqtt5=mqtt5, lasting=False)
    answers = _listen(client)
    connect(client, broker, lasting=False)
    client.loop_start()
    try:
        answer = _next(answers, patience_s)
        if answer is None or answer == "Unsupported protocol version":
            return False
        if answer != "Success":
            raise BrokerError(f"the broker {where} refuses us: {answer}; see [broker] in room.toml")
        client.publish(message.topic, message.payload, qos=1, retain=message.retain)
        _check(_next(answers, TIMEOUT_S), where, message.topic)
        return True
    finally:
        client.disconnect()
        client.loop_stop()


def _check(answer: str | None, where: str, topic: str) -> None:
    if answer is None:
        raise BrokerError(f"the broker {where} did not acknowledge; look whether it has the message, then try again")
    if answer == NOBODY:
        raise BrokerError(
            f"the broker {where} has nobody who listens to {topic}, so the message is lost: start `drymon serve`, then "
            "say it again"
        )
    if answer != "Success":
        raise BrokerError(f"the broker {where} does not take {topic}: {answer}; allow this user to publish there")


def _listen(client: Client) -> "queue.SimpleQueue[str | BrokerError]":
    """What the broker answers, in order: to the connection, then to the message."""
    answers: queue.SimpleQueue[str | BrokerError] = queue.SimpleQueue()

    def connected(_: Client, __: Any, ___: ConnectFlags, reason: ReasonCode, ____: Properties | None) -> None:
        answers.put(str(reason))

    def failed(client: Client, _: Any) -> None:
        answers.put(
            BrokerError(
                f"the broker {client.host}:{client.port} cannot be reached ({sys.exc_info()[1]}): does it run, and is "
                "[broker] in room.toml right?"
            )
        )

    def published(_: Client, __: Any, ___: int, reason: ReasonCode, ____: Properties | None) -> None:
        answers.put(str(reason))

    client.on_connect, client.on_connect_fail, client.on_publish = connected, failed, published
    return answers


def _next(answers: "queue.SimpleQueue[str | BrokerError]", patience_s: float) -> str | None:
    try:
        answer = answers.get(timeout=patience_s)
    except queue.Empty:
        return None
    if isinstance(answer, BrokerError):
        raise answer
    return answer
