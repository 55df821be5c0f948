"""One typed message: every way in which a broker may answer it, or not, and what stays behind.

Packets are those of MQTT 5, sections 3.2 (CONNACK, reason 0x84: unsupported protocol version) and 3.4 (from memory).
"""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

import pytest

from drymon.errors import BrokerError
from drymon.messages.message import Message
from drymon.messages.settings import Broker
from drymon.service import publisher
from drymon.service.publisher import publish_once
from tests.service.conftest import Ear, Mosquitto, free_port, until

EVENT = Message(datetime(2031, 3, 3, tzinfo=UTC), "drymon/shop/log/leave", b'{"tree": "t-1"}', qos=1)
WELCOME_5, WELCOME_3 = b"\x20\x03\x00\x00\x00", b"\x20\x02\x00\x00"
TOO_NEW, REFUSED = b"\x20\x03\x00\x84\x00", b"\x20\x03\x00\x87\x00"


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody here needs ten seconds for an answer."""
    monkeypatch.setattr(publisher, "NO_ANSWER_S", 1.0)
    monkeypatch.setattr(publisher, "TIMEOUT_S", 1.0)


@contextmanager
def answering(*answers: bytes) -> Iterator[tuple[int, list[int]]]:
    """A server that answers each connection's first packet with the next of these; the protocols it was asked in."""
    levels: list[int] = []

    def serve(server: socket.socket) -> None:
        for answer in answers:
            try:
                connection, _ = server.accept()
            except OSError:
                return
            held.append(connection)
            packet = connection.recv(1000)
            levels.append(packet[packet.index(b"MQTT") + 4])
            connection.sendall(answer)

    held: list[socket.socket] = []
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10)
        thread = threading.Thread(target=serve, args=(server,), daemon=True)
        thread.start()
        yield server.getsockname()[1], levels
    for one in held:
        one.close()


@pytest.mark.parametrize(
    ("answers", "levels", "told"),
    [
        ((b"", b""), [5, 4], "does not answer: is it an MQTT broker"),
        ((WELCOME_5,), [5], "did not acknowledge; look whether it has the message"),
        ((TOO_NEW, WELCOME_3), [5, 4], "did not acknowledge"),
        ((b"", WELCOME_3), [5, 4], "did not acknowledge"),
        ((REFUSED,), [5], "refuses us: Not authorized"),
    ],
)
def test_what_is_told_of_a_broker_that_does_not_take_it(answers: tuple[bytes], levels: list[int], told: str) -> None:
    with answering(*answers) as (port, asked), pytest.raises(BrokerError, match=told):
        publish_once(Broker("127.0.0.1", port), EVENT)
    assert asked == levels


def test_a_broker_that_is_not_there_is_told_of() -> None:
    with pytest.raises(BrokerError, match="cannot be reached"):
        publish_once(Broker("127.0.0.1", free_port()), EVENT)


def test_a_message_that_nobody_listens_to_is_told_of(broker: Mosquitto) -> None:
    with pytest.raises(BrokerError, match="nobody who listens to drymon/shop/log/leave"):
        publish_once(Broker("127.0.0.1", broker.port), EVENT)
    publish_once(Broker("127.0.0.1", broker.port), EVENT, mqtt5=False)  # in 3.1.1 nobody can know


@pytest.mark.parametrize("mqtt5", [True, False])
def test_a_message_that_is_taken_arrives_once_and_nothing_of_its_sender_stays(
    broker: Mosquitto, ear: Ear, mqtt5: bool
) -> None:
    threads = threading.active_count()
    publish_once(Broker("127.0.0.1", broker.port), EVENT, mqtt5=mqtt5)
    assert until(lambda: ear.heard)
    assert [(one.topic, one.payload, one.qos, one.retain) for one in ear.heard] == [
        (EVENT.topic, EVENT.payload, 1, False)
    ]
    assert threading.active_count() == threads
