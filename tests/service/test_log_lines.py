"""What the log says when something happens that a person should know of: the line, at its weight."""

import logging
import os
import pty
import socket
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.outgoing import last_will, service_state
from drymon.messages.settings import Broker
from drymon.messages.streams import StreamWriter
from drymon.service import systemd
from drymon.service.clock import StreamTime, SystemClock
from drymon.service.inbox import Inbox
from drymon.service.listener import Listener
from drymon.service.pipeline import Pipeline
from drymon.service.suspects import FILE, Suspects
from drymon.store.store import Store
from tests.service.conftest import Mosquitto, free_port, make_home, until

NOW = datetime(2031, 3, 3, tzinfo=UTC)
Lines = Callable[[], list[tuple[str, str]]]


@pytest.fixture
def lines(caplog: pytest.LogCaptureFixture) -> Lines:
    """All lines of drymon's so far: level and words."""
    caplog.set_level(logging.INFO, "drymon")
    return lambda: [(one.levelname, one.getMessage()) for one in caplog.records if one.name.startswith("drymon")]


def said(lines: Lines, level: str, words: str) -> bool:
    return any(one == level and words in line for one, line in lines())


class Listening:
    """A listener on a port, stopped at the block's end."""

    def __init__(self, port: int) -> None:
        clock = SystemClock()
        self.inbox = Inbox("shop", StreamTime(clock))
        broker = Broker("127.0.0.1", port)
        self.listener = Listener(broker, "shop", (), self.inbox, last_will("shop", NOW), clock.monotonic)

    def __enter__(self) -> Listener:
        self.listener.start()
        return self.listener

    def __exit__(self, *_: object) -> None:
        self.inbox.close()
        self.listener.stop(service_state("shop", "offline", NOW))


def test_a_broker_that_comes_and_goes_is_told_of(broker: Mosquitto, lines: Lines) -> None:
    where = f"127.0.0.1:{broker.port}"
    with Listening(broker.port) as listener:
        assert until(lambda: listener.online)
        assert lines() == [("INFO", f"connected to broker {where}")]
        broker.stop()
        assert until(lambda: said(lines, "WARNING", f"connection to broker {where} lost"))
        assert not listener.online
        broker.start()
        back = f"broker {where} is back after less than a minute: the subscriptions stand again"
        assert until(lambda: said(lines, "INFO", back), 20)
        assert listener.online


def test_a_broker_that_is_not_there_is_told_of(lines: Lines) -> None:
    port = free_port()
    with Listening(port):
        assert until(lambda: said(lines, "WARNING", f"broker 127.0.0.1:{port} cannot be reached"))


def test_another_client_of_our_name_is_told_of(lines: Lines) -> None:
    """A broker that says why it hangs up: CONNACK, then DISCONNECT with 0x8E, session taken over (MQTT 5, sections 3.2
    and 3.14, from memory). Mosquitto 2.0.11 hangs up without a word.
    """
    with socket.create_server(("127.0.0.1", 0)) as server, Listening(server.getsockname()[1]):
        connection, _ = server.accept()
        with connection:
            connection.settimeout(5)
            assert connection.recv(1000)
            connection.sendall(b"\x20\x03\x00\x00\x00" + b"\xe0\x02\x8e\x00")
            words = "another client took our name: is drymon serving the room shop twice?"
            assert until(lambda: said(lines, "ERROR", words))


def test_a_broker_that_does_not_know_us_is_told_of(tmp_path: Path, mosquitto_here: None, lines: Lines) -> None:
    refusing = Mosquitto(tmp_path, "allow_anonymous false")
    refusing.start()
    try:
        with Listening(refusing.port) as listener:
            assert until(lambda: said(lines, "ERROR", f"broker 127.0.0.1:{refusing.port} refuses us: Not authorized"))
            assert not listener.online
    finally:
        refusing.stop()


def test_what_the_service_died_over_is_told_at_its_start(tmp_path: Path, lines: Lines) -> None:
    for count in (1, 2):
        life = Suspects(tmp_path)
        life.begin(Message(NOW, "t", b"x"))
        life.close()
        Suspects(tmp_path).pause()
        words = f"the service ended while it worked on a message, for the {count}. time in a row"
        assert said(lines, "ERROR", words)
        life = Suspects(tmp_path)
    (tmp_path / FILE).write_bytes(b"\xff")
    Suspects(tmp_path)
    assert said(lines, "WARNING", "it is begun anew")


def test_a_service_manager_that_cannot_be_told_is_told_of(
    tmp_path: Path, lines: Lines, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    assert not systemd.tell("READY=1")
    assert said(lines, "WARNING", "the service manager could not be told")


def test_a_service_manager_that_does_not_read_holds_nobody_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its socket's queue is full: after a second it is let be."""
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        told = [systemd.tell("WATCHDOG=1")]
        while told[-1]:
            told.append(systemd.tell("WATCHDOG=1"))
        assert len(told) > 1
        assert manager.recv(100) == b"WATCHDOG=1"


def test_going_on_from_an_image_is_told_with_what_came_after_it(tmp_path: Path, lines: Lines) -> None:
    home = make_home(tmp_path / "home")
    config = load_home(home)
    with Store.open(home / "drymon.db") as store:
        first = Pipeline(config, {}, store)
        first.resume()
        first.batch([Message(NOW, "drymon/shop/room/humidity", b"45")], NOW + timedelta(minutes=1))
        first.keep_image()
        first.batch(
            [Message(NOW + timedelta(minutes=2), "drymon/shop/room/humidity", b"46")], NOW + timedelta(minutes=3)
        )
        Pipeline(config, {}, store).resume()
        assert said(lines, "INFO", "going on from an image of the room; 1 messages came after it")
        store._db.execute("UPDATE image SET checksum = x'00'")
        Pipeline(config, {}, store).resume()
        assert said(lines, "WARNING", "an image of the room is not used: it is damaged, or of another version")
        assert store._row("SELECT count(*) FROM image") == (0,)


def test_a_fault_while_going_on_from_an_image_is_told(
    tmp_path: Path, lines: Lines, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = make_home(tmp_path / "home")
    with Store.open(home / "drymon.db") as store:
        first = Pipeline(load_home(home), {}, store)
        first.batch([Message(NOW, "drymon/shop/room/humidity", b"45")], NOW + timedelta(minutes=1))
        assert first.keep_image()
        with monkeypatch.context() as broken:
            broken.setattr(Pipeline, "_take_again", lambda *_: 1 / 0)
            Pipeline(load_home(home), {}, store).resume()
        assert said(lines, "ERROR", "an image of the room is not used")


PLAYED = """
import sys
from pathlib import Path
from drymon.messages.config import load_home
from drymon.service.replay import replay
print(replay(load_home(Path(sys.argv[1])), [Path(sys.argv[2])]))
"""


@pytest.mark.parametrize("terminal", [True, False])
def test_a_replay_tells_how_far_it_is_where_somebody_looks(tmp_path: Path, terminal: bool) -> None:
    """On a terminal, in one line that is written anew; nothing of it in a file."""
    home = make_home(tmp_path / "home")
    with StreamWriter(tmp_path / "s.jsonl") as stream:
        for minute in range(5):
            stream.write(Message(NOW + timedelta(minutes=minute), "drymon/shop/room/humidity", b"45"))
    command = [sys.executable, "-c", PLAYED, str(home), str(tmp_path / "s.jsonl")]
    seen, other = pty.openpty() if terminal else os.pipe()
    words = b""
    try:
        done = subprocess.run(command, stdout=subprocess.PIPE, stderr=other, check=True, timeout=60)
    finally:
        os.close(other)
    with os.fdopen(seen, "rb", buffering=0) as shown:
        while True:
            try:
                piece = shown.read(1000)
            except OSError:  # the terminal is closed
                break
            if not piece:
                break
            words += piece
    assert done.stdout == b"5\n"
    assert words == (b"\r2031-03-03 00:04  5 messages\r\n" if terminal else b"")
