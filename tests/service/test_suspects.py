"""A message over which the service dies comes back after each start: the third one sets it aside, and goes on."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drymon.messages.message import Message
from drymon.service.suspects import FILE, Suspects
from drymon.store.store import Store
from tests.service.conftest import Ear, Mosquitto, make_home, until

DEADLY = Message(datetime(2031, 3, 3, tzinfo=UTC), "drymon/shop/rack-a/humidity", b"41.5")
HARMLESS = Message(datetime(2031, 3, 3, tzinfo=UTC), "drymon/shop/rack-b/humidity", b"41.5")

DYING = """
import os, sys
from drymon.messages.parse import Parser
from drymon.cli.main import main
parse = Parser.parse
def perhaps(parser, message):
    if message.payload == b'{"value": 666, "device": "n1", "boot": "b", "seq": 0}':
        os._exit(99)
    return parse(parser, message)
Parser.parse = perhaps
sys.exit(main(["serve", "--home", sys.argv[1]]))
"""
"""The service with a fault of its own, not to be had for the asking: it ends, without a word, over one message."""


def begin(home: Path) -> "subprocess.Popen[bytes]":
    return subprocess.Popen([sys.executable, "-c", DYING, str(home)], stderr=subprocess.DEVNULL)


@pytest.mark.timeout(120)
def test_the_third_start_sets_it_aside_with_an_alarm_and_hears_what_stands_behind_it(
    tmp_path: Path, broker: Mosquitto, ear: Ear
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    process = begin(home)
    assert until(lambda: b"online" in (ear.last("drymon/shop/out/service") or b""), 30)
    ear.say("drymon/shop/rack-a/temperature", '{"value": 666, "device": "n1", "boot": "b", "seq": 0}')
    ear.say("drymon/shop/log/dip", '{"tree": "t-1", "rack": "rack-a", "coat": "prime"}')
    assert [process.wait(30), begin(home).wait(30)] == [99, 99]
    process = begin(home)
    try:
        assert until(lambda: ear.last("drymon/shop/out/tree/t-1"), 30)
        assert until(lambda: ear.last("drymon/shop/out/alert"), 30)
        alert = json.loads(ear.last("drymon/shop/out/alert") or b"")
        assert (alert["kind"], alert["state"]) == ("message-set-aside", "raised")
        assert "drymon/shop/rack-a/temperature" in alert["text"]
        assert until(lambda: ear.last("drymon/shop/out/received/n1"), 30)
        assert json.loads(ear.last("drymon/shop/out/received/n1") or b"")["seq"] == 0
    finally:
        process.terminate()
        process.wait(30)
    with Store.open(home / "drymon.db", readonly=True) as store:
        assert [(one.topic, "ended 2 times" in one.reason) for one in store.latest_refused()] == [
            ("drymon/shop/rack-a/temperature", True)
        ]
        assert [message.topic for message in store.messages()] == ["drymon/shop/log/dip"]


def died_over(home: Path, message: Message) -> None:
    """A life that ends, and leaves its file behind as it is."""
    life = Suspects(home)
    life.begin(message)
    life.close()


def test_twice_is_enough_and_once_is_not(tmp_path: Path) -> None:
    died_over(tmp_path, DEADLY)
    assert not Suspects(tmp_path).condemned(DEADLY)
    died_over(tmp_path, DEADLY)
    life = Suspects(tmp_path)
    assert (life.condemned(DEADLY), life.condemned(HARMLESS)) == (True, False)


def test_who_comes_through_is_no_suspect_any_more(tmp_path: Path) -> None:
    died_over(tmp_path, DEADLY)
    life = Suspects(tmp_path)
    life.begin(DEADLY)
    life.begin(HARMLESS)
    life.done()
    died_over(tmp_path, DEADLY)
    assert not Suspects(tmp_path).condemned(DEADLY)


@pytest.mark.parametrize("left_off", [Suspects.pause, Suspects.done])
def test_a_death_between_messages_is_nobodys(tmp_path: Path, left_off: Callable[[Suspects], None]) -> None:
    for _ in range(3):
        life = Suspects(tmp_path)
        life.begin(DEADLY)
        left_off(life)
    died_over(tmp_path, DEADLY)
    assert not Suspects(tmp_path).condemned(DEADLY)


def test_two_deadly_ones_are_both_found(tmp_path: Path) -> None:
    for message in (DEADLY, HARMLESS, HARMLESS, DEADLY):
        died_over(tmp_path, message)
    life = Suspects(tmp_path)
    assert (life.condemned(DEADLY), life.condemned(HARMLESS)) == (True, True)


def test_what_was_set_aside_is_tried_again_a_day_later_and_for_good_once_it_comes_through(tmp_path: Path) -> None:
    """A sensor in still air sends the same words for days, and kill or the power may have struck there by chance."""
    late = [replace(DEADLY, arrived=DEADLY.arrived + timedelta(hours=hours)) for hours in (23.9, 24.1, 24.2)]
    died_over(tmp_path, DEADLY)
    died_over(tmp_path, DEADLY)
    assert Suspects(tmp_path).condemned(DEADLY)
    life = Suspects(tmp_path)
    assert [life.condemned(message) for message in late] == [True, False, False]
    life.begin(late[1])
    life.done()
    assert not Suspects(tmp_path).suspected(DEADLY)


def test_what_kills_again_a_day_later_is_set_aside_for_another_day(tmp_path: Path) -> None:
    next_day = replace(DEADLY, arrived=DEADLY.arrived + timedelta(days=1))
    died_over(tmp_path, DEADLY)
    died_over(tmp_path, DEADLY)
    assert Suspects(tmp_path).condemned(DEADLY)
    assert not Suspects(tmp_path).condemned(next_day)
    died_over(tmp_path, next_day)
    assert Suspects(tmp_path).condemned(next_day)


@pytest.mark.parametrize(
    "left", [b"", b"\xff\xfe", b"what\never and ever", b"-" * 5000, b"a\na 2 once upon\n", b"a\na 2 noon\n"]
)
def test_a_damaged_note_is_begun_anew(tmp_path: Path, left: bytes) -> None:
    (tmp_path / FILE).write_bytes(left)
    assert not Suspects(tmp_path).condemned(DEADLY)
    died_over(tmp_path, DEADLY)
    died_over(tmp_path, DEADLY)
    assert Suspects(tmp_path).condemned(DEADLY)


def test_where_nothing_can_be_noted_the_service_goes_on(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    (tmp_path / FILE).mkdir()
    life = Suspects(tmp_path)
    life.begin(DEADLY)
    life.done()
    assert "cannot be written" in caplog.text
    life.begin(DEADLY)
    life.pause()
    assert caplog.text.count("cannot be written") == 1, "said once"


def test_the_note_is_its_owner_s_and_is_let_go_of(tmp_path: Path) -> None:
    before = sorted(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").exists() else []
    life = Suspects(tmp_path)
    assert (tmp_path / FILE).stat().st_mode & 0o777 == 0o600
    life.close()
    life.close()
    assert (sorted(os.listdir("/proc/self/fd")) if before else []) == before
    life.begin(DEADLY)
    assert (tmp_path / FILE).read_text(encoding="ascii") == f"{'-' * 32}\n", "nobody works any more"
