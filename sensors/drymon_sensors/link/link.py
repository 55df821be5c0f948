"""The node's connection to its broker, kept up for ever. What comes over it is handed on as events.

Callbacks run in the network's thread: they queue and never raise. All else belongs to the node's own thread.
"""

from __future__ import annotations

import logging
import queue
import secrets
import sys
import threading
from typing import Any, NamedTuple, Union

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from drymon_sensors.config import Broker
from drymon_sensors.link.broker import connect, make_client, publish, set_will
from drymon_sensors.payload import (
    Message,
    Receipt,
    ServiceWord,
    another_instance,
    read_receipt,
    read_service,
    received_topic,
    service_topic,
)

log = logging.getLogger(__name__)

NOBODY = "No matching subscribers"


class Up(NamedTuple):
    """The subscriptions stand."""


class Down(NamedTuple):
    """The connection is lost, or could not be made."""

    why: str


class ServiceSaid(NamedTuple):
    """A word of the service. live: said just now, not kept by the broker from before."""

    word: ServiceWord
    live: bool


class Taken(NamedTuple):
    """The broker's answer to a message: None, or why it did not take it."""

    mid: int
    refusal: str | None


class Namesake(NamedTuple):
    """Another node calls itself as this one does."""


class Woken(NamedTuple):
    """Somebody wants the loop to look up."""


Event = Union[Up, Down, Receipt, ServiceSaid, Taken, Namesake, Woken]


class Link:
    """The connection.

    instance: tells this program from a namesake; two of one name both get through, for their readings' boots differ.
    up: the subscriptions stand; trouble: what is wrong, "" where nothing is.
    """

    def __init__(self, broker: Broker, room: str, device: str, will: Message) -> None:
        self._broker, self._device, self._will = broker, device, will
        self._received, self._service, self._status = received_topic(room, device), service_topic(room), will.topic
        self.instance = secrets.token_hex(4)
        self.events: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self.up, self.trouble = False, "not connected yet"
        self._client = self._make()

    def start(self) -> None:
        """Begin to connect; returns at once."""
        connect(self._client, self._broker)
        self._client.loop_start()

    def publish(self, message: Message) -> int:
        """Hand a message to the broker, QoS 1; the identifier that its answer will have."""
        return publish(self._client, self._broker, message)

    def stop(self, farewell: Message) -> None:
        """Say farewell, wait a moment for the broker to have it, and leave."""
        if self.up:
            info = self._client.publish(farewell.topic, farewell.payload, qos=1, retain=farewell.retain)
            try:
                info.wait_for_publish(2.0)
            except (RuntimeError, ValueError) as error:
                log.debug("no farewell: %s", error)
        self._client.disconnect()
        self._client.loop_stop()

    def tend(self) -> None:
        """Now and then: a network thread that has died is replaced."""
        thread: threading.Thread | None = getattr(self._client, "_thread", None)
        if thread is not None and not thread.is_alive():
            log.error("the network's thread has ended; starting it again")
            self.up = False
            self._client = self._make()
            self.start()

    def wait(self, seconds: float) -> Event | None:
        """The next event, waited for at most so long."""
        try:
            return self.events.get(timeout=seconds) if seconds > 0.0 else self.events.get_nowait()
        except queue.Empty:
            return None

    # ---- in the network's thread ---------------------------------------------------------------------------

    def _make(self) -> Client:
        client = make_client(self._broker, f"drymon-sensors-{self._device}-{self.instance}")
        set_will(client, self._broker, self._will)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        return client

    def _on_connect(
        self, client: Client, _: Any, flags: ConnectFlags, reason: ReasonCode, __: Properties | None
    ) -> None:
        if reason.is_failure:
            self._lost(f"the broker refuses us: {reason}: look at username and password")
            return
        try:
            client.subscribe([(self._received, 1), (self._service, 1), (self._status, 1)])
        except (OSError, ValueError) as error:  # the connection went while we were asking; it will come again
            self._lost(f"could not subscribe: {error}")

    def _on_subscribe(self, client: Client, _: Any, __: int, reasons: list[ReasonCode], ___: Properties | None) -> None:
        if reasons and reasons[0].is_failure:
            self._lost(f"the broker does not let us hear {self._received}: {reasons[0]}")
            return
        self.up, self.trouble = True, ""
        self.events.put(Up())

    def _on_connect_fail(self, client: Client, _: Any) -> None:
        self._lost(f"the broker cannot be reached: {sys.exc_info()[1]}")

    def _on_disconnect(
        self, client: Client, _: Any, __: DisconnectFlags, reason: ReasonCode, ___: Properties | None
    ) -> None:
        if reason.is_failure:
            self._lost(f"the connection is lost: {reason}")
        else:
            self.up = False

    def _lost(self, why: str) -> None:
        self.up, self.trouble = False, why
        self.events.put(Down(why))

    def _on_message(self, client: Client, _: Any, message: MQTTMessage) -> None:
        if message.topic == self._received:
            receipt = read_receipt(bytes(message.payload))
            if receipt is not None:
                self.events.put(receipt)
        elif message.topic == self._service:
            word = read_service(bytes(message.payload))
            if word is not None:
                self.events.put(ServiceSaid(word, not message.retain))
        elif not message.retain and another_instance(bytes(message.payload), self.instance):
            self.events.put(Namesake())

    def _on_publish(self, client: Client, _: Any, mid: int, reason: ReasonCode, __: Properties | None) -> None:
        self.events.put(Taken(mid, str(reason) if reason.is_failure or str(reason) == NOBODY else None))
