"""Log events typed at a terminal: slips are asked about before anything is sent, and the answer is a sentence."""

import json
import os
import pty
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.service.conftest import Ear, Mosquitto, Serving, make_home, until
from tests.service.test_events import say

TREE = "drymon/shop/out/tree/t-1"


@pytest.fixture
def home(broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Callable[[Path], Serving]) -> Path:
    """A home whose service runs, with air at every rack."""
    folder = make_home(tmp_path / "home", broker.port)
    service = serving(folder)
    assert until(lambda: "subscriptions stand" in service.log.read_text(), 30)
    for quantity, value in (("temperature", "22"), ("humidity", "45"), ("airflow", "1.2")):
        ear.say(f"drymon/shop/room/{quantity}", value)
    return folder


def answer(home: Path, *words: str) -> str:
    done = say(home, *words)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


CLOCK = r"(\w{3} )?\d\d:\d\d"


def test_every_event_is_answered_in_a_sentence(home: Path) -> None:
    outlook = rf"likely dry at {CLOCK}: touch-test it in the pocket then; surely by {CLOCK}"
    for words, wanted in (
        ("dip t-1 --recipe standard --rack rack-a", rf"t-1, coat 1 \(prime\), rack-a, {CLOCK}: {outlook}"),
        ("weigh t-1 3.29kg", rf"t-1 weighs 3\.29 kg, {CLOCK}: coat 1 \(prime\) {outlook}"),
        ("felt t-1 wet", rf"t-1 felt wet, {CLOCK}: coat 1 \(prime\) {outlook}"),
        ("felt t-1 dry --where pocket", rf"t-1 felt dry in a pocket, {CLOCK}: coat 1 \(prime\) {outlook}"),
        ("look t-1 sound", rf"t-1 looked at: sound, {CLOCK}: coat 1 \(prime\) {outlook}"),
        ("move t-1 rack-b", rf"t-1 hangs on rack-b now, {CLOCK}: coat 1 \(prime\) {outlook}"),
        ("fan rack-b off", rf"fans of rack-b off, {CLOCK}"),
        ("leave t-1", rf"t-1 left the room, {CLOCK}"),
    ):
        said = answer(home, *words.split())
        assert re.fullmatch(wanted, said), said
        assert "{" not in said


def test_an_event_for_a_service_that_is_down_says_where_it_went(home: Path, ear: Ear, broker: Mosquitto) -> None:
    """Another home of the same room, where no service runs."""
    elsewhere = make_home(home.parent / "elsewhere", broker.port)
    done = say(elsewhere, "dip", "t-1", "prime", "--rack", "rack-a")
    assert done.returncode == 0
    assert re.fullmatch(rf"t-1, dipped: prime, rack-a, {CLOCK}: sent to 127.0.0.1:{broker.port}", done.stdout.strip())
    assert "the service does not run here now" in done.stderr


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("", 'coat: received "primee"; in room.toml are prime, backup, seal (did you mean prime?)'),
        ("--cell cell1", 'cell: received "cell1"; in room.toml are cell-1 (did you mean cell-1?)'),
        ("--recipe standart", 'recipe: received "standart"; in room.toml are standard (did you mean standard?)'),
    ],
)
def test_a_name_that_room_toml_has_not_is_refused_with_the_near_ones(
    home: Path, ear: Ear, words: str, told: str
) -> None:
    done = say(home, "dip", "t-1", "prime" if words else "primee", "--rack", "rack-a", *words.split())
    assert done.returncode == 2
    assert told in done.stderr
    assert "nothing was sent" in done.stderr
    assert not [message for message in ear.heard if message.topic == "drymon/shop/log/dip"]


def test_an_unknown_coat_over_the_broker_stays_a_fact(home: Path, ear: Ear) -> None:
    ear.say("drymon/shop/log/dip", json.dumps({"tree": "t-1", "rack": "rack-a", "coat": "primee"}))
    assert until(lambda: ear.last(TREE))
    assert json.loads(ear.last(TREE) or b"")["state"] == "unknown"


def weighed(ear: Ear) -> list[float]:
    return [json.loads(message.payload)["mass"] for message in ear.heard if message.topic == "drymon/shop/log/weigh"]


def test_a_weighing_far_from_the_last_one_is_sent_only_where_somebody_insists(home: Path, ear: Ear) -> None:
    answer(home, "dip", "t-1", "prime", "--rack", "rack-a")
    answer(home, "weigh", "t-1", "3.29kg")
    done = say(home, "weigh", "t-1", "32.92kg")
    assert done.returncode == 2
    assert "t-1 weighed 3.29 kg at" in done.stderr
    assert "32.92 kg is 10 times that" in done.stderr
    assert "say it again with --sure" in done.stderr
    assert weighed(ear) == [3.29]
    assert say(home, "weigh", "t-1", "3.4lb").returncode == 2, "1.54 kg: the unit is another"
    answer(home, "weigh", "t-1", "32.92kg", "--sure")
    assert until(lambda: weighed(ear) == [3.29, 32.92])


@pytest.mark.parametrize(("typed", "code", "sent"), [("y\n", 0, [3.29, 32.92]), ("\n", 2, [3.29]), ("no\n", 2, [3.29])])
def test_at_a_terminal_it_asks(home: Path, ear: Ear, typed: str, code: int, sent: list[float]) -> None:
    answer(home, "dip", "t-1", "prime", "--rack", "rack-a")
    answer(home, "weigh", "t-1", "3.29kg")
    terminal, its_end = pty.openpty()
    command = [sys.executable, "-m", "drymon.cli", "--home", str(home), "weigh", "t-1", "32.92kg"]
    child = subprocess.Popen(command, stdin=its_end, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    os.write(terminal, typed.encode())
    _, told = child.communicate(timeout=60)
    os.close(terminal)
    os.close(its_end)
    assert child.returncode == code, told
    assert "Is it right all the same? [y/N]" in told
    assert until(lambda: weighed(ear) == sent)


def test_an_early_dip_is_warned_of_and_sent(home: Path, ear: Ear) -> None:
    first = say(home, "dip", "t-1", "prime", "--rack", "rack-a", "--recipe", "standard")
    assert "not ready" not in first.stderr
    early = say(home, "dip", "t-1")
    assert early.returncode == 0
    assert re.search(rf"t-1 is not ready: likely dry at {CLOCK}: .*A dip now shuts its water in", early.stderr)
    assert "drymon undo t-1" in early.stderr
    assert early.stdout.startswith("t-1, coat 2 (backup), rack-a, ")
    assert until(lambda: json.loads(ear.last(TREE) or b"{}").get("number") == 2)
    another = say(home, "dip", "t-1", "prime", "--rack", "rack-a", "--number", "1")
    assert "not ready" not in another.stderr, "a first coat is another tree's"
