"""The MQTT client of the service: takes messages in, acknowledges what is on disk, says what is to be said.

Its callbacks run in the network's thread: they queue, note, and never raise. Everything else is called by the
loop's thread.
"""

import logging
import sys
import threading
from collections.abc import Callable, Iterable, Sequence
from typing import Any
from uuid import uuid4

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from drymon.messages import topics
from drymon.messages.message import Message
from drymon.messages.settings import Broker
from drymon.service.connection import (
    RECEIVE_MAXIMUM,
    connect,
    make_client,
    publish_properties,
    set_will,
)
from drymon.service.inbox import Inbox, Received
from drymon.service.link import Due, Link

log = logging.getLogger(__name__)

SMALL_WINDOW = 20  # what MQTT 3.1.1 brokers let be on its way by default; they cannot be asked for more


class Listener:
    """One room's connection to its broker, kept up for ever; `link` is how it stands with it.

    room: its name; sources: foreign topics to listen to as well; will: the farewell that the broker says if
    we die.
    monotonic: seconds of running time.
    """

    def __init__(  # noqa: PLR0913, a broker, what is heard and said there, and time
        self,
        broker: Broker,
        room: str,
        sources: Sequence[str],
        inbox: Inbox,
        will: Message,
        monotonic: Callable[[], float],
        *,
        mqtt5: bool = True,
    ) -> None:
        self._broker, self._room, self._inbox, self._will = broker, room, inbox, will
        self._monotonic = monotonic
        self._own = topics.out_prefix(room)
        self._pulse_topic = topics.pulse_topic(room)
        self._topics = [topics.everything(room), *sources]
        self._name = uuid4().hex
        self._lock = threading.Lock()  # guards the generation; held only for moments, never while waiting
        self._subscription: int | None = None
        self.link = Link(mqtt5)
        self._client = self._make()

    # ---- for the loop --------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to connect; returns at once."""
        connect(self._client, self._broker, lasting=True)
        self._client.loop_start()

    def stop(self, farewell: Message) -> None:
        """Say farewell, wait a moment for the broker to have it, and leave; the session stays."""
        client = self._client
        if client.is_connected():
            info = client.publish(farewell.topic, farewell.payload, qos=1, retain=farewell.retain)
            try:
                info.wait_for_publish(2.0)
            except (RuntimeError, ValueError) as error:
                log.debug("no farewell: %s", error)
        self._leave()

    def drop(self) -> None:
        """Break the connection off without a farewell. The broker then tells the will, unless another process takes the
        session on before.
        """
        self._lost()
        self._client.loop_stop()
        wire = self._client.socket()
        if wire is not None:
            wire.close()

    @property
    def online(self) -> bool:
        """The subscriptions stand."""
        return self.link.standing

    @property
    def window(self) -> int:
        """How many unacknowledged messages the broker lets be on their way; never wait for more than half."""
        return RECEIVE_MAXIMUM if self.link.mqtt5 else SMALL_WINDOW

    def came_online(self) -> bool:
        """True once after each time that the subscriptions came to stand."""
        return self.link.came_online()

    def acknowledge(self, received: Iterable[Received]) -> None:
        """Acknowledge what is on disk. One that came over an earlier connection is skipped: its packet
        identifier may already name another message, which would then be lost."""
        for each in received:
            if each.message.qos == 1 and each.message.mid is not None:
                with self._lock:
                    if each.generation == self.link.generation:
                        self._client.ack(each.message.mid, 1)

    def publish(self, message: Message, expiry_s: int | None = None) -> None:
        """Hand one message to the broker, QoS 1; `expiry_s` counts from now."""
        properties = publish_properties(self._client, expiry_s)
        self._client.publish(message.topic, message.payload, qos=1, retain=message.retain, properties=properties)

    def tend(self) -> None:
        """Once a second or so: whatever a callback must not do itself."""
        now = self._monotonic()
        due = self.link.due(now)
        if due is Due.OTHER_PROTOCOL or not self._thread_alive():
            self._begin_again(due)
        elif due is Due.SUBSCRIPTIONS:
            self._subscribe(self._client)
        elif due is Due.PULSE:
            if self.link.pulse_is_missing():
                log.warning("what we publish does not come back; allow %s# to this user", self._own)
            self.link.pulse_sent = now
            self._client.publish(self._pulse_topic, self._pulse(), qos=1)

    def heard_out(self) -> bool:
        """All that waited in the broker when the subscriptions came to stand is in the inbox."""
        return self.link.heard_out(self._monotonic())

    def alive(self) -> bool:
        """The network's thread lives, and what we say comes back to us (where it ever did on this connection)."""
        return self._thread_alive() and not self.link.pulse_is_late(self._monotonic())

    # ---- inside --------------------------------------------------------------------------------------------

    def _pulse(self) -> bytes:
        """This connection's: one of an earlier connection, or of a process before, may still be in the broker."""
        return f'{{"by": "{self._name}", "connection": {self.link.generation}}}'.encode()

    def _make(self) -> Client:
        client = make_client(self._broker, f"drymon-{self._room}", mqtt5=self.link.mqtt5, lasting=True)
        set_will(client, self._will)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_socket_open = self._on_socket_open
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        return client

    def _thread_alive(self) -> bool:
        thread: threading.Thread | None = getattr(self._client, "_thread", None)
        return thread is not None and thread.is_alive()

    def _begin_again(self, due: Due) -> None:
        if due is Due.OTHER_PROTOCOL:
            self.link.change_protocol()
            log.warning("the broker does not answer; trying MQTT %s", "5" if self.link.mqtt5 else "3.1.1")
        else:
            log.error("the network's thread has ended; starting it again")
        self._leave()
        self._client = self._make()
        self.start()

    def _leave(self) -> None:
        self._lost()
        self._client.disconnect()
        self._client.loop_stop()

    def _lost(self) -> None:
        with self._lock:
            self.link.lost()

    def _subscribe(self, client: Client) -> None:
        self.link.asked_at = self._monotonic()
        try:
            if self.link.mqtt5:
                _, self._subscription = client.subscribe(self._options())
            else:
                _, self._subscription = client.subscribe([(topic, 1) for topic in self._topics])
        except (OSError, ValueError) as error:  # the connection went while we were asking; it will come again
            log.warning("could not subscribe: %s", error)

    def _options(self) -> list[tuple[str, SubscribeOptions]]:
        """Retained values only with a new subscription: one that stands already must not play them again. Not
        our own words, but for the pulse."""
        new_only = SubscribeOptions.RETAIN_SEND_IF_NEW_SUB
        others = SubscribeOptions(qos=1, noLocal=True, retainAsPublished=False, retainHandling=new_only)
        pulse = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND)
        return [*((topic, others) for topic in self._topics), (self._pulse_topic, pulse)]

    # ---- in the network's thread ---------------------------------------------------------------------------

    def _on_connect(
        self, client: Client, _: Any, flags: ConnectFlags, reason: ReasonCode, __: Properties | None
    ) -> None:
        self.link.answered()
        if reason.is_failure:
            self.link.other_protocol = str(reason) == "Unsupported protocol version"
            if not self.link.other_protocol:
                log.error("broker %s refuses us: %s", self._where, reason)
            return
        self._lost()
        log.info("connected to broker %s", self._where)
        if not self.link.mqtt5 and flags.session_present and self.link.ever_stood:
            self._stands()  # asking again would make a 3.1.1 broker play every retained value once more
        else:
            self._subscribe(client)

    def _on_socket_open(self, client: Client, _: Any, __: Any) -> None:
        self.link.opened(self._monotonic())

    def _on_connect_fail(self, client: Client, _: Any) -> None:
        self.link.answered()
        self.link.away(self._monotonic())
        log.warning("broker %s cannot be reached (%s); trying on", self._where, sys.exc_info()[1])

    def _on_disconnect(
        self, client: Client, _: Any, __: DisconnectFlags, reason: ReasonCode, ___: Properties | None
    ) -> None:
        self._lost()
        if str(reason) == "Session taken over":
            log.error("another client took our name: is drymon serving the room %s twice?", self._room)
        elif reason.is_failure:
            self.link.away(self._monotonic())
            log.warning("connection to broker %s lost: %s", self._where, reason)

    def _on_subscribe(self, client: Client, _: Any, mid: int, reasons: list[ReasonCode], __: Properties | None) -> None:
        if mid != self._subscription:
            return
        asked = [*self._topics, self._pulse_topic]
        refused = [f"{topic} ({why})" for topic, why in zip(asked, reasons, strict=False) if why.is_failure]
        if refused:
            log.error("the broker refuses these topics: %s; allow them to this user", ", ".join(refused))
        else:
            self._stands()

    def _stands(self) -> None:
        gone = self.link.stands(self._monotonic())
        if gone is not None:
            minutes = int(gone / 60.0)
            # A line of its own, for that of the first connection is held back; in minutes, for a broker that comes
            # and goes every second must not fill the log.
            away = f"{minutes} min" if minutes else "less than a minute"
            log.info("broker %s is back after %s: the subscriptions stand again", self._where, away)

    def _on_message(self, client: Client, _: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            log.error("a message with a topic that is no UTF-8 was dropped")
            client.ack(message.mid, message.qos)
            return
        if topic.startswith(self._own):
            if topic == self._pulse_topic and message.payload == self._pulse():
                self.link.pulse_seen = self._monotonic()
            client.ack(message.mid, message.qos)
            return
        self._inbox.put(
            topic,
            bytes(message.payload),
            retain=message.retain,
            qos=message.qos,
            dup=message.dup,
            mid=message.mid,
            generation=self.link.generation,
        )

    def _on_publish(self, client: Client, _: Any, mid: int, reason: ReasonCode, __: Properties | None) -> None:
        if reason.is_failure:
            log.error("the broker refused what we published: %s; allow %s# to this user", reason, self._own)

    @property
    def _where(self) -> str:
        return f"{self._broker.host}:{self._broker.port}"
