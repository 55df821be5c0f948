"""What is said first after a start is the present, whatever the record ended with."""

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.streams import StreamWriter
from drymon.service.replay import replay
from drymon.service.unsaid import Unsaid
from drymon.store.store import Store
from tests.service.conftest import Ear, Mosquitto, Serving, make_home, until

TREE = "drymon/shop/out/tree/t-7"
SERVICE = "drymon/shop/out/service"
DIP = b'{"tree": "t-7", "rack": "rack-a", "coat": "backup", "shelter": "open"}'
NOW = datetime(2031, 3, 3, 12, tzinfo=UTC)


def record_that_ends(home: Path, ago: timedelta, folder: Path) -> None:
    """A tree that has dried for two days in warm, dry air, until so long ago."""
    end = datetime.now(UTC) - ago
    begin = end - timedelta(days=2)
    stream = folder / "before.jsonl"
    with StreamWriter(stream) as writer:
        for five in range(2 * 288 + 1):
            at = begin + timedelta(minutes=5 * five)
            for quantity, value in (("temperature", 26 + five % 3 / 10), ("humidity", 30 + five % 5 / 10)):
                writer.write(Message(at, f"drymon/shop/rack-a/{quantity}", str(value).encode()))
            if five == 0:
                writer.write(Message(at, "drymon/shop/log/dip", DIP))
    replay(load_home(home), [stream])


@pytest.mark.timeout(120)
@pytest.mark.parametrize("gap", [4, 14, 125])
def test_nothing_of_the_past_is_said_after_a_start(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Callable[..., Serving], gap: int
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    record_that_ends(home, timedelta(minutes=gap), tmp_path)
    with Store.open(home / "drymon.db", readonly=True) as store:
        (before,) = store.current_verdicts()
    assert before.state.value == "ready"
    started = datetime.now(UTC)
    serving(home)
    assert until(lambda: b"online" in (ear.last(SERVICE) or b""), 60)
    said = [message for message in ear.heard if message.topic in (TREE, SERVICE) and b"offline" not in message.payload]
    assert [message.topic for message in said[:2]] == [TREE, SERVICE], "the verdict, then that it can be believed"
    first = json.loads(said[0].payload)
    assert datetime.fromisoformat(first["time"]) > started - timedelta(minutes=1), "a whole minute at the earliest"
    assert first["state"] == ("ready" if gap < 10 else "unknown")


@pytest.mark.timeout(120)
def test_a_dip_that_waited_behind_many_readings_is_known_before_anything_is_said(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Callable[..., Serving]
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    record_that_ends(home, timedelta(minutes=1), tmp_path)
    away = serving(home)
    assert until(lambda: b"ready" in (ear.last(TREE) or b""), 60)
    away.end()
    for number in range(1500):
        ear.client.publish("drymon/shop/rack-a/humidity", str(30 + number % 5 / 10), qos=1)
    ear.say("drymon/shop/log/dip", DIP)
    said_before = len(ear.heard)
    serving(home)
    assert until(lambda: b"online" in (ear.last(SERVICE) or b""), 60)
    verdicts = [json.loads(message.payload) for message in ear.heard[said_before:] if message.topic == TREE]
    assert {(one["number"], one["state"]) for one in verdicts} == {(2, "drying")}


def test_of_many_words_on_one_topic_those_of_the_past_are_not_said() -> None:
    said: list[bytes] = []
    unsaid = Unsaid(lambda message, _: said.append(message.payload))
    words = [
        Message(NOW - timedelta(minutes=2), TREE, b"ready", retain=True),
        Message(NOW - timedelta(minutes=2), "drymon/shop/out/alert", b"raised"),
        Message(NOW - timedelta(seconds=3), TREE, b"drying", retain=True),
        Message(NOW, TREE, b"unknown", retain=True),
        Message(NOW, "drymon/shop/out/alert", b"cleared"),
    ]
    unsaid.say(words, True, NOW)
    assert said == [b"raised", b"drying", b"unknown", b"cleared"]
