"""What the listener does when nothing comes: how long it waits for what, with running time in the test's hand."""

import logging
import signal
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime

import pytest

from drymon.messages.message import Message
from drymon.messages.outgoing import last_will, service_state
from drymon.messages.settings import Broker
from drymon.service.clock import StreamTime, SystemClock
from drymon.service.connection import RECEIVE_MAXIMUM
from drymon.service.inbox import Inbox, Received
from drymon.service.listener import Listener
from tests.service.conftest import Ear, Mosquitto, until

NOW = datetime(2031, 3, 3, tzinfo=UTC)


class HandTime:
    """Running time that a test turns by hand."""

    def __init__(self) -> None:
        self.seconds = 1000.0

    def __call__(self) -> float:
        return self.seconds


@contextmanager
def listening(port: int) -> Iterator[tuple[Listener, Inbox, HandTime]]:
    """A listener on a port, stopped at the block's end."""
    running, inbox = HandTime(), Inbox("shop", StreamTime(SystemClock()))
    listener = Listener(Broker("127.0.0.1", port), "shop", (), inbox, last_will("shop", NOW), running)
    listener.start()
    try:
        yield listener, inbox, running
    finally:
        inbox.close()
        listener.stop(service_state("shop", "offline", NOW))


@pytest.fixture
def by_hand(broker: Mosquitto) -> Iterator[tuple[Listener, Inbox, HandTime]]:
    with listening(broker.port) as made:
        assert until(lambda: made[0].online)
        yield made


def test_a_pulse_goes_out_every_fifteen_seconds_and_one_that_does_not_come_back_is_told(
    by_hand: tuple[Listener, Inbox, HandTime], broker: Mosquitto, caplog: pytest.LogCaptureFixture
) -> None:
    """Here the broker is stopped without a word: nothing comes back, and after a minute we are not alive."""
    listener, _, running = by_hand
    ear = Ear(broker.port, "drymon/shop/out/pulse")
    listener.tend()
    assert until(lambda: len(ear.heard) == 1)
    assert until(lambda: listener.link.pulse_seen == running.seconds)
    running.seconds += 15.0
    listener.tend()
    running.seconds += 0.1
    listener.tend()
    assert until(lambda: len(ear.heard) == 2)
    assert until(lambda: listener.link.pulse_seen == running.seconds)
    ear.close()
    assert "does not come back" not in caplog.text
    process = broker._process
    assert process is not None
    process.send_signal(signal.SIGSTOP)
    try:
        for _ in range(2):
            running.seconds += 15.1
            listener.tend()
        assert "what we publish does not come back; allow drymon/shop/out/# to this user" in caplog.text
        assert listener.alive()
        seen = listener.link.pulse_seen
        for after, lives in ((60.0, True), (60.1, False)):
            running.seconds = seen + after
            assert listener.alive() is lives, f"{after} s after the last that came back"
    finally:
        process.send_signal(signal.SIGCONT)


def test_a_new_start_of_the_connection_leaves_the_old_one(by_hand: tuple[Listener, Inbox, HandTime]) -> None:
    """Two clients of one name would throw each other out for ever."""
    listener, _, _ = by_hand
    old = listener._client
    listener._client.loop_stop()  # its thread ends; the broker still holds the connection
    listener.tend()
    assert until(lambda: listener.online)
    assert listener._client is not old
    assert not old.is_connected()
    time.sleep(0.3)
    assert listener.online


@contextmanager
def silent(connack: bytes = b"") -> Iterator[tuple[int, Callable[[], bytes]]]:
    """A server that answers a connection with these bytes, and nothing else ever; all that it has been sent."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10)
        connections: list[socket.socket] = []
        heard = bytearray()

        def read() -> bytes:
            if not connections:
                connections.append(server.accept()[0])
                connections[0].settimeout(0.2)
                heard.extend(connections[0].recv(10_000))
                connections[0].sendall(connack)
            with suppress(TimeoutError):
                heard.extend(connections[0].recv(10_000))
            return bytes(heard)

        yield server.getsockname()[1], read
        for one in connections:
            one.close()


def test_a_broker_that_does_not_answer_in_ten_seconds_is_asked_in_the_other_protocol_and_back(
    caplog: pytest.LogCaptureFixture,
) -> None:
    with silent() as (port, _), listening(port) as (listener, _, running):
        for tried, window in (("3.1.1", 20), ("5", RECEIVE_MAXIMUM)):
            assert until(lambda: listener.link.unanswered_since == running.seconds)
            before = listener.window
            running.seconds += 10.0
            listener.tend()
            assert listener.window == before
            running.seconds += 0.1
            listener.tend()
            assert listener.window == window
            assert f"the broker does not answer; trying MQTT {tried}" in caplog.text


def test_subscriptions_that_are_not_answered_in_a_minute_are_asked_for_again() -> None:
    """CONNACK without properties, then nothing (MQTT 5, section 3.2; SUBSCRIBE begins with 0x82, section 3.8)."""
    with silent(b"\x20\x03\x00\x00\x00") as (port, heard), listening(port) as (listener, _, running):
        assert until(lambda: heard().count(b"drymon/shop/#") == 1)
        running.seconds += 60.0
        listener.tend()
        assert heard().count(b"drymon/shop/#") == 1
        running.seconds += 0.1
        listener.tend()
        assert until(lambda: heard().count(b"drymon/shop/#") == 2)
        listener.tend()
        assert heard().count(b"drymon/shop/#") == 2
        assert not listener.online


def test_how_long_a_broker_was_away_is_told_in_whole_minutes(
    by_hand: tuple[Listener, Inbox, HandTime], broker: Mosquitto, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, "drymon")
    listener, _, running = by_hand
    for away, told in ((59.9, "less than a minute"), (60.0, "1 min"), (150.0, "2 min")):
        caplog.clear()
        assert listener.came_online()
        assert not listener.came_online(), "once"
        broker.stop()
        assert until(lambda: not listener.online)
        running.seconds += away
        broker.start()
        assert until(lambda: listener.online, 20)
        assert f"is back after {told}: the subscriptions stand again" in caplog.text


def test_who_leaves_has_said_farewell_and_runs_no_more(broker: Mosquitto, ear: Ear) -> None:
    with listening(broker.port) as (listener, _, _):
        assert until(lambda: listener.online)
        thread = listener._client._thread
        assert thread is not None
        assert thread.is_alive()
    assert not thread.is_alive()
    assert not listener.alive()
    assert not listener.online
    assert until(lambda: b"offline" in (ear.last("drymon/shop/out/service") or b""))
    (said,) = [message for message in ear.heard if message.topic == "drymon/shop/out/service"]
    assert said.qos == 1


def test_what_no_broker_delivered_is_not_acknowledged(by_hand: tuple[Listener, Inbox, HandTime]) -> None:
    """The word on the clock is the service's own, and a message of QoS 0 has no number."""
    listener, _, _ = by_hand
    acknowledged: list[tuple[int, int]] = []
    listener._client.ack = lambda mid, qos: acknowledged.append((mid, qos))
    now = listener.link.generation
    for qos, mid, generation in ((1, None, now), (0, 7, now), (1, 8, now - 1), (1, 9, now)):
        listener.acknowledge([Received(Message(NOW, "t", b"x", qos=qos, mid=mid), generation)])
    assert acknowledged == [(9, 1)]
