"""The listener against real brokers: mosquitto (MQTT 5 and 3.1.1), and the embedded one, which has no MQTT 5."""

import json
import signal
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from socket import socket
from typing import Any, cast

import pytest

from drymon.messages.outgoing import last_will, service_state
from drymon.messages.settings import Broker
from drymon.service.clock import StreamTime, SystemClock
from drymon.service.embedded import EmbeddedBroker
from drymon.service.inbox import Inbox, Received
from drymon.service.listener import Listener
from tests.service.conftest import Ear, Mosquitto, free_port, until

TOPIC = "drymon/shop/rack-a/humidity"
NOW = datetime(2031, 3, 3, tzinfo=UTC)
Make = Callable[..., tuple[Listener, Inbox]]


@pytest.fixture
def make() -> Iterator[Make]:
    """Listeners with their inboxes, stopped with the test."""
    made: list[tuple[Listener, Inbox]] = []

    def start(port: int, sources: tuple[str, ...] = (), mqtt5: bool = True) -> tuple[Listener, Inbox]:
        clock = SystemClock()
        inbox = Inbox("shop", StreamTime(clock))
        broker = Broker("127.0.0.1", port)
        will = last_will("shop", NOW)
        listener = Listener(broker, "shop", sources, inbox, will, clock.monotonic, mqtt5=mqtt5)
        listener.start()
        made.append((listener, inbox))
        return listener, inbox

    yield start
    for listener, inbox in made:
        inbox.close()
        listener.stop(service_state("shop", "offline", NOW))


def take(inbox: Inbox, count: int, wait_s: float = 10.0) -> list[Received]:
    taken: list[Received] = []
    end = time.monotonic() + wait_s
    while len(taken) < count and time.monotonic() < end:
        taken += inbox.drain(1, 1000, 0.1)[0]
    return taken


def payloads(received: list[Received]) -> list[bytes]:
    return [each.message.payload for each in received]


def leave_session(listener: Listener, inbox: Inbox) -> None:
    inbox.close()
    listener.stop(service_state("shop", "offline", NOW))


def test_what_was_said_while_the_service_was_down_waits_for_it(broker: Mosquitto, make: Make) -> None:
    first, inbox = make(broker.port)
    assert until(lambda: first.online)
    leave_session(first, inbox)
    speaker = Ear(broker.port, "nothing/here")
    for number in range(5):
        speaker.say(TOPIC, str(number))
    speaker.close()
    _, inbox = make(broker.port)
    assert payloads(take(inbox, 5)) == [b"0", b"1", b"2", b"3", b"4"]


def test_what_was_not_acknowledged_comes_again_and_what_was_does_not(broker: Mosquitto, make: Make) -> None:
    first, inbox = make(broker.port)
    assert until(lambda: first.online)
    speaker = Ear(broker.port, "nothing/here")
    for number in range(4):
        speaker.say(TOPIC, str(number))
    got = take(inbox, 4)
    first.acknowledge(got[:2])
    time.sleep(0.3)
    leave_session(first, inbox)
    _, inbox = make(broker.port)
    again = take(inbox, 2)
    assert payloads(again) == [b"2", b"3"]
    assert all(each.message.dup for each in again)
    speaker.close()


def test_our_own_words_that_come_back_are_acknowledged(broker: Mosquitto, make: Make) -> None:
    """A 3.1.1 broker sends us what we say, too; it lets twenty be on their way, and then waits for ever."""
    listener, inbox = make(broker.port, mqtt5=False)
    assert until(lambda: listener.online)
    speaker = Ear(broker.port, "nothing/here")
    for number in range(3 * listener.window):
        speaker.say("drymon/shop/out/tree/t-1", str(number))
    speaker.say(TOPIC, "45")
    assert payloads(take(inbox, 1)) == [b"45"]
    speaker.close()


def test_a_stale_acknowledgement_takes_no_message_away(broker: Mosquitto, make: Make) -> None:
    """After the broker lost the session, packet identifiers begin again at 1: the old acknowledgement of 1
    must not reach the new 1."""
    listener, inbox = make(broker.port)
    assert until(lambda: listener.online)
    speaker = Ear(broker.port, "nothing/here")
    speaker.say(TOPIC, "old")
    old = take(inbox, 1)
    speaker.close()
    broker.stop(signal.SIGKILL)  # within the autosave interval: session and message are gone
    broker.start()
    assert until(lambda: not listener.online)
    assert until(lambda: listener.online, 20)
    speaker = Ear(broker.port, "nothing/here")
    speaker.say(TOPIC, "new")
    new = take(inbox, 1)
    assert new[0].message.mid == old[0].message.mid
    listener.acknowledge(old)
    time.sleep(0.3)
    leave_session(listener, inbox)
    _, inbox = make(broker.port)
    assert payloads(take(inbox, 1)) == [b"new"]
    speaker.close()


def test_a_broker_that_is_not_up_yet_is_waited_for(broker: Mosquitto, make: Make) -> None:
    broker.stop()
    listener, _ = make(broker.port)
    time.sleep(0.5)
    assert not listener.online
    assert listener.alive()
    broker.start()
    assert until(lambda: listener.online, 20)


def test_a_broker_without_mqtt_5_is_spoken_to_in_3_1_1(
    tmp_path: Path, make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The embedded broker leaves an MQTT 5 client without an answer."""
    monkeypatch.setattr("drymon.service.link.NO_ANSWER_S", 1.0)
    embedded = EmbeddedBroker(tmp_path, free_port())
    embedded.start()
    try:
        listener, inbox = make(embedded.port)

        def online() -> bool:
            listener.tend()
            return listener.online

        assert until(online, 20)
        assert listener.window < 100
        listener.tend()
        assert listener.online  # what the broker speaks is known now: no other protocol is tried
        speaker = Ear(embedded.port, "nothing/here", mqtt5=False)
        speaker.say(TOPIC, "41")
        assert payloads(take(inbox, 1)) == [b"41"]
        speaker.close()
        leave_session(listener, inbox)
    finally:
        embedded.stop()


def test_retained_values_come_with_a_new_session_only_and_are_marked(broker: Mosquitto, make: Make) -> None:
    speaker = Ear(broker.port, "nothing/here")
    speaker.say(TOPIC, "39", retain=True)
    first, inbox = make(broker.port)
    got = take(inbox, 1)
    assert [(each.message.payload, each.message.retain) for each in got] == [(b"39", True)]
    speaker.say(TOPIC, "40", retain=True)
    live = take(inbox, 1)
    assert [(each.message.payload, each.message.retain) for each in live] == [(b"40", False)]
    first.acknowledge([*got, *live])
    time.sleep(0.3)
    leave_session(first, inbox)
    second, inbox = make(broker.port)
    assert until(lambda: second.online)
    assert take(inbox, 1, wait_s=1.0) == []
    speaker.close()


def test_the_will_says_offline_when_the_service_dies(broker: Mosquitto, ear: Ear, make: Make) -> None:
    listener, _ = make(broker.port)
    assert until(lambda: listener.online)
    listener.publish(service_state("shop", "online", NOW))
    assert until(lambda: b"online" in (ear.last("drymon/shop/out/service") or b""))
    cast(socket, listener._client.socket()).shutdown(2)  # the network goes, without a word
    listener._client.loop_stop()
    assert until(lambda: b"offline" in (ear.last("drymon/shop/out/service") or b""), 15)
    late = Ear(broker.port, "drymon/shop/out/service")
    assert until(lambda: late.heard)
    assert json.loads(late.heard[0].payload)["state"] == "offline"
    assert late.heard[0].retain
    late.close()


class RefusingBroker(EmbeddedBroker):
    """A broker that refuses the topic "prohibited" (mosquitto would allow it and stay silent)."""

    def _settings(self) -> dict[str, Any]:
        settings = super()._settings()
        settings["plugins"]["amqtt.plugins.topic_checking.TopicTabooPlugin"] = {}
        return settings


def test_topics_that_the_broker_refuses_keep_it_from_being_online(
    tmp_path: Path, make: Make, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("drymon.service.link.NO_ANSWER_S", 1.0)
    refusing = RefusingBroker(tmp_path, free_port())
    refusing.start()
    try:
        listener, inbox = make(refusing.port, ("prohibited",))

        def refused() -> bool:
            listener.tend()
            return "refuses these topics: prohibited" in caplog.text

        assert until(refused, 20)
        assert not listener.online
        leave_session(listener, inbox)
    finally:
        refusing.stop()


def test_its_own_words_do_not_come_back_as_messages(broker: Mosquitto, make: Make) -> None:
    listener, inbox = make(broker.port)
    assert until(lambda: listener.online)
    listener.publish(service_state("shop", "online", NOW))
    listener.tend()
    assert until(lambda: listener.link.pulse_seen > 0)
    assert take(inbox, 1, wait_s=0.5) == []


def test_a_dead_network_thread_is_noticed_and_started_again(broker: Mosquitto, make: Make) -> None:
    listener, inbox = make(broker.port)
    assert until(lambda: listener.online)
    listener._client.disconnect()
    listener._client.loop_stop()
    assert not listener.alive()
    listener.tend()
    assert until(lambda: listener.online)
    speaker = Ear(broker.port, "nothing/here")
    speaker.say(TOPIC, "44")
    assert payloads(take(inbox, 1)) == [b"44"]
    speaker.close()
