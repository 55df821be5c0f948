"""The small parts: what is kept for the broker, the word to the service manager, the log."""

import logging
import os
import socket
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drymon.messages.message import Message
from drymon.service import systemd
from drymon.service.logs import Line, OncePerWhile
from drymon.service.unsaid import MOST_ALERTS, Unsaid

NOW = datetime(2031, 3, 3, 6, tzinfo=UTC)


class Said:
    """Notes what was published, with the expiry it was given."""

    def __init__(self) -> None:
        self.messages: list[tuple[str, bytes, int | None]] = []

    def __call__(self, message: Message, expiry_s: int | None) -> None:
        self.messages.append((message.topic, message.payload, expiry_s))


def tree(name: str, payload: bytes, at: datetime = NOW, expiry_s: int | None = 600) -> Message:
    return Message(at, f"drymon/shop/out/tree/{name}", payload, retain=True, qos=1, expiry_s=expiry_s)


def alert(number: int) -> Message:
    return Message(NOW, "drymon/shop/out/alert", str(number).encode(), qos=1)


def test_without_a_broker_the_latest_word_and_every_alert_wait() -> None:
    said = Said()
    unsaid = Unsaid(said)
    unsaid.say([tree("a", b"1"), alert(1), tree("a", b"2"), alert(2)], False, NOW)
    assert said.messages == []
    unsaid.say_all(NOW)
    assert [payload for _, payload, _ in said.messages] == [b"1", b"2", b"2"]


def test_what_waited_longer_than_it_was_valid_is_not_said() -> None:
    said = Said()
    unsaid = Unsaid(said)
    unsaid.say([tree("a", b"old"), tree("b", b"new", NOW + timedelta(minutes=9))], False, NOW)
    unsaid.say_all(NOW + timedelta(minutes=10))
    assert said.messages == [("drymon/shop/out/tree/b", b"new", 540)]


def test_a_word_that_is_past_is_left_out_and_those_after_it_are_said() -> None:
    """More than a minute old, and not the last of its topic: one that a look back at the gap has left behind."""
    said = Said()
    unsaid = Unsaid(said)
    minute = NOW - timedelta(minutes=1)
    older = minute - timedelta(seconds=1)
    past = [tree("a", b"1", older), tree("a", b"2", minute), tree("b", b"3", older), alert(4), tree("a", b"5")]
    unsaid.say(past, True, NOW)
    assert [payload for _, payload, _ in said.messages] == [b"2", b"3", b"4", b"5"]
    assert [left for _, _, left in said.messages] == [540, 539, None, 600]


@pytest.mark.parametrize(("after", "left"), [(599.0, [1]), (599.1, []), (-5.0, [600])])
def test_a_word_has_what_is_left_of_its_life(after: float, left: list[int]) -> None:
    """In whole seconds, of which one is the least; never more than it was given, though a clock stepped back."""
    said = Said()
    Unsaid(said).say([tree("a", b"1")], True, NOW + timedelta(seconds=after))
    assert [expiry for _, _, expiry in said.messages] == left


def test_a_cleared_topic_is_cleared_at_the_broker_once() -> None:
    said = Said()
    unsaid = Unsaid(said)
    unsaid.say([tree("a", b"1"), tree("a", b"", expiry_s=None)], False, NOW)
    unsaid.say_all(NOW)
    unsaid.say_all(NOW)
    assert said.messages == [("drymon/shop/out/tree/a", b"", None)]


def test_alerts_that_wait_are_bounded() -> None:
    said = Said()
    unsaid = Unsaid(said)
    unsaid.say([alert(number) for number in range(MOST_ALERTS + 10)], False, NOW)
    unsaid.say_all(NOW)
    assert len(said.messages) == MOST_ALERTS
    assert said.messages[-1][1] == str(MOST_ALERTS + 9).encode()


@pytest.mark.parametrize("abstract", [False, True])
def test_the_service_manager_is_told_at_its_socket(
    abstract: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As sd_notify(3) says: a datagram with newline-separated assignments; "@" names an abstract socket."""
    name = f"@drymon-test-{tmp_path.name}" if abstract else str(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", name)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + name[1:] if abstract else name)
        assert systemd.tell("READY=1", "STATUS=here")
        assert manager.recv(100) == b"READY=1\nSTATUS=here"


def test_without_a_service_manager_nothing_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not systemd.tell("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    assert not systemd.tell("READY=1")


def record(level: int, text: str, *args: object) -> logging.LogRecord:
    return logging.LogRecord("drymon", level, __file__, 1, text, args, None)


def test_the_same_line_is_logged_once_and_then_counted() -> None:
    quiet = OncePerWhile(quiet_s=1e-9)
    assert quiet.filter(record(logging.ERROR, "x"))
    loud = OncePerWhile(quiet_s=3600)
    passed = [loud.filter(record(logging.ERROR, "no broker at %s", "here")) for _ in range(5)]
    assert passed == [True, False, False, False, False]
    assert loud.filter(record(logging.ERROR, "no broker at %s", "there"))


def test_what_was_held_back_is_told_later() -> None:
    quiet = OncePerWhile(quiet_s=0.05)
    assert quiet.filter(record(logging.ERROR, "x"))
    assert not quiet.filter(record(logging.ERROR, "x"))
    import time

    time.sleep(0.06)
    later = record(logging.ERROR, "x")
    assert quiet.filter(later)
    assert "1 times more" in later.getMessage()


@pytest.mark.parametrize(
    ("level", "prefix"),
    # sd-daemon(3): SD_CRIT 2, SD_ERR 3, SD_WARNING 4, SD_INFO 6, SD_DEBUG 7
    [
        (logging.CRITICAL, "<2>"),
        (logging.ERROR, "<3>"),
        (logging.WARNING, "<4>"),
        (logging.INFO, "<6>"),
        (logging.DEBUG, "<7>"),
        (logging.INFO + 1, "<6>"),
    ],
)
def test_under_a_service_manager_a_line_begins_with_its_priority(level: int, prefix: str) -> None:
    assert Line(journal=True).format(record(level, "one\ntwo")) == f"{prefix}one | two"


@pytest.mark.parametrize("journal", [False, True])
def test_a_service_logs_its_own_steps_and_others_warnings_to_stderr(journal: bool) -> None:
    """The library's chatter would bury what the service does."""
    script = (
        "import logging; from drymon.service.logs import log_to_stderr; log_to_stderr()\n"
        "for name in ('drymon.service', 'werkzeug'):\n"
        "    logging.getLogger(name).info('%s steps', name); logging.getLogger(name).warning('%s warns', name)\n"
    )
    environment = {name: value for name, value in os.environ.items() if name != "JOURNAL_STREAM"}
    environment |= {"JOURNAL_STREAM": "8:1"} if journal else {}
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, env=environment, check=True)
    lines = done.stderr.splitlines()
    said = ["INFO drymon.service steps", "WARNING drymon.service warns", "WARNING werkzeug warns"]
    if journal:  # sd-daemon(3): SD_WARNING 4, SD_INFO 6; the manager has the time
        assert lines == ["<6>drymon.service steps", "<4>drymon.service warns", "<4>werkzeug warns"]
    else:
        assert [line.split(" ", 2)[2] for line in lines] == said
    assert done.stdout == ""
