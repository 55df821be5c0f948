"""Log events typed at a terminal: through a real broker to a real service."""

import json
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drymon.cli.events import event_message, typed_at
from drymon.cli.slips import WrongUse
from drymon.messages.config import load_home
from tests import processes
from tests.service.conftest import Ear, Mosquitto, Serving, free_port, make_home, until

NOW = datetime(2031, 7, 3, 12, 30, tzinfo=UTC)


def say(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return processes.run("--home", str(home), *words, within_s=60)


def test_a_dip_typed_is_a_verdict_and_the_next_coat_and_rack_are_known(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Callable[[Path], Serving]
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    service = serving(home)
    assert until(lambda: "subscriptions stand" in service.log.read_text(), 30)
    done = say(home, "dip", "t-7", "--recipe", "standard", "--rack", "rack-a", "--by", "Ada")
    assert done.returncode == 0, done.stderr
    assert until(lambda: ear.last("drymon/shop/out/tree/t-7"), 5)
    assert json.loads(ear.last("drymon/shop/out/tree/t-7") or b"")["coat"] == "prime"
    assert say(home, "dip", "t-7").returncode == 0
    assert until(lambda: json.loads(ear.last("drymon/shop/out/tree/t-7") or b"")["number"] == 2)
    said = json.loads(ear.last("drymon/shop/out/tree/t-7") or b"")
    assert (said["coat"], said["rack"]) == ("backup", "rack-a")
    assert say(home, "undo", "t-7").returncode == 0
    assert until(lambda: json.loads(ear.last("drymon/shop/out/tree/t-7") or b"")["number"] == 1)
    assert say(home, "leave", "t-7").returncode == 0
    assert until(lambda: ear.last("drymon/shop/out/tree/t-7") == b"")


def test_a_tree_is_called_as_people_write_it(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Callable[[Path], Serving]
) -> None:
    """Capitals, a space and an umlaut: the topic has the name, people keep the word; any way of writing it finds it."""
    home = make_home(tmp_path / "home", broker.port)
    service = serving(home)
    assert until(lambda: "subscriptions stand" in service.log.read_text(), 30)

    def heard() -> dict[str, object]:
        return dict(json.loads(ear.last("drymon/shop/out/tree/grosser-loewe-3") or b"{}"))

    assert say(home, "dip", "Großer Löwe 3", "prime", "--rack", "rack-a").returncode == 0
    assert until(lambda: heard().get("number") == 1, 5)
    assert say(home, "dip", "grosser löwe 3", "backup").returncode == 0
    assert until(lambda: heard().get("number") == 2, 5)
    assert say(home, "dip", "grosser-loewe-3", "backup").returncode == 0
    assert until(lambda: heard().get("number") == 3, 5)
    assert heard()["label"] == "grosser löwe 3", "as it was written last"
    assert "grosser löwe 3" in say(home, "status").stdout
    service.end()
    serving(home)
    assert until(lambda: service.log.read_text().count("subscriptions stand") == 2, 30)
    assert say(home, "weigh", "Großer Löwe 3", "3kg").returncode == 0
    assert until(lambda: heard().get("label") == "grosser löwe 3", 10)


RECIPES = """
[[recipe]]
name = "iron"
coats = ["backup", "prime", "seal"]
"""


def test_the_recipe_that_is_typed_wins_and_a_stranger_that_is_told_of_stays_a_fact(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Callable[[Path], Serving]
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    with (home / "room.toml").open("a") as room:
        room.write(RECIPES)
    service = serving(home)
    assert until(lambda: "subscriptions stand" in service.log.read_text(), 30)
    dip = {"tree": "t-7", "rack": "rack-a", "coat": "prime", "recipe": "standard", "cell": "cell-9"}
    ear.say("drymon/shop/log/dip", json.dumps(dip))
    assert until(lambda: ear.last("drymon/shop/out/tree/t-7"), 5)
    assert json.loads(ear.last("drymon/shop/out/tree/t-7") or b"")["next_coat"] == "backup"
    assert say(home, "dip", "t-7", "--recipe", "iron").returncode == 0
    assert until(lambda: json.loads(ear.last("drymon/shop/out/tree/t-7") or b"")["number"] == 2)
    said = json.loads(ear.last("drymon/shop/out/tree/t-7") or b"")
    assert (said["coat"], said["recipe"], said["next_coat"]) == ("prime", "iron", "seal")
    status = say(home, "status")
    assert 'cell: received "cell-9"' in " ".join(status.stdout.split())


def test_a_slip_in_a_tree_s_name_is_told_where_it_is_made(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Callable[[Path], Serving]
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    service = serving(home)
    assert until(lambda: "subscriptions stand" in service.log.read_text(), 30)
    assert say(home, "dip", "t-1", "backup", "--rack", "rack-a").returncode == 0
    assert say(home, "weigh", "t-1", "5kg").returncode == 0  # said in the same breath as the dip
    for words in (("weigh", "tt-1", "5kg"), ("undo", "tt-1"), ("leave", "tt-1")):
        done = say(home, *words)
        assert done.returncode == 1
        assert 'received "tt-1"' in done.stderr
        assert "in the room hang t-1; nothing was sent" in done.stderr
    assert not [message for message in ear.heard if b"tt-1" in message.payload]
    service.end()
    done = say(home, "weigh", "tt-1", "5kg")
    assert done.returncode == 0
    assert "the tree's dip may wait in the broker" in done.stderr
    assert until(lambda: [message for message in ear.heard if b"tt-1" in message.payload])


def test_no_broker_is_exit_1(tmp_path: Path) -> None:
    done = say(make_home(tmp_path / "home", free_port()), "leave", "t-7")
    assert done.returncode == 1
    assert "cannot be reached" in done.stderr


def test_no_embedded_broker_is_exit_1_and_says_how_to_start_one(tmp_path: Path) -> None:
    done = say(make_home(tmp_path / "home"), "leave", "t-7")
    assert done.returncode == 1
    assert "drymon serve" in done.stderr


def test_an_event_that_nobody_would_hear_is_exit_1(broker: Mosquitto, tmp_path: Path) -> None:
    done = say(make_home(tmp_path / "home", broker.port), "leave", "t-7")
    assert done.returncode == 1
    assert "nobody who listens" in done.stderr


def test_an_event_waits_in_the_broker_for_a_service_that_is_down(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Callable[[Path], Serving]
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    service = serving(home)
    assert until(lambda: "subscriptions stand" in service.log.read_text(), 30)
    service.end()
    done = say(home, "dip", "t-9", "backup", "--rack", "rack-b")
    assert done.returncode == 0
    assert "when it starts" in done.stderr
    service.start()
    assert until(lambda: ear.last("drymon/shop/out/tree/t-9"), 30)


def test_what_the_broker_does_not_allow_is_exit_1(tmp_path: Path, mosquitto_here: None) -> None:
    rights = tmp_path / "acl"
    rights.write_text("topic read drymon/#\n")
    running = Mosquitto(tmp_path, extra=f"allow_anonymous true\nacl_file {rights}")
    running.start()
    try:
        listening = Ear(running.port, "drymon/#")
        done = say(make_home(tmp_path / "home", running.port), "leave", "t-7")
        listening.close()
    finally:
        running.stop()
    assert done.returncode == 1
    assert "Not authorized" in done.stderr


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (("dip", "t-1"), "say which coat"),
        (("dip", "t-1", "--recipe", "irn"), "--recipe: received 'irn'; in room.toml are standard"),
        (("dip", "t-1", "--recipe", "standard", "--number", "4"), "coat 4 of t-1 is none of the 3 of standard"),
        (("dip", "t-1", "prime"), "--rack"),
        (("dip", "t-1", "prime", "--rack", "rack-q"), "rack-a, rack-b"),
        (("dip", "Tree #1", "prime", "--rack", "rack-a"), "tree"),
        (("weigh", "t-1", "heavy"), "12.4kg"),
        (("weigh", "t-1", "-3kg"), "mass: received -3; allowed is more than nothing"),
        (("weigh", "t-1", "-0,5", "kg"), "mass: received -0.5; allowed is more than nothing"),
        (("weigh", "t-1", "-3stone"), "lb"),
        (("weigh", "t-1", "--by", "Ana"), "MASS"),
        (("weigh", "t-1", "3kg", "-x"), "-x"),
        (("weigh", "t-1", "12stone"), "lb"),
        (("felt", "t-1", "damp"), "wet"),
        (("look", "t-1", "fine"), "sound"),
        (("move", "t-1", "nowhere"), "rack-a"),
        (("fan", "rack-a", "maybe"), "on"),
        (("leave", "t-1", "--at", "noon"), "14:05"),
    ],
)
def test_wrong_words_are_exit_2_with_what_is_allowed(tmp_path: Path, words: tuple[str, ...], wanted: str) -> None:
    done = say(make_home(tmp_path / "home"), *words)
    assert done.returncode == 2
    assert wanted in done.stderr


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("14:05", "2031-07-03T12:05:00+00:00"),  # Berlin is two hours ahead in July (IANA time zone database)
        ("14:35", "2031-07-03T12:35:00+00:00"),  # the clock on the wall is a little ahead, as RFC 3339 times may be
        ("14:36", "2031-07-02T12:36:00+00:00"),  # not yet today: so it was yesterday
        ("2031-07-03T06:00:00Z", "2031-07-03T06:00:00+00:00"),
        (None, "2031-07-03T12:30:00+00:00"),
    ],
)
def test_a_time_of_day_is_the_last_one_on_the_room_s_clock(text: str | None, utc: str) -> None:
    assert typed_at(text, NOW, "Europe/Berlin").isoformat() == utc


@pytest.mark.parametrize(
    ("now", "text", "utc"),
    [
        ("2031-07-03T21:58:00Z", "00:02", "2031-07-03T22:02:00+00:00"),  # just before midnight in Berlin
        ("2031-07-03T22:01:00Z", "23:58", "2031-07-03T21:58:00+00:00"),  # just after it
        ("2031-10-26T01:40:00Z", "02:30", "2031-10-26T01:30:00+00:00"),  # the night in which 02:30 comes twice
        ("2031-10-26T00:40:00Z", "02:30", "2031-10-26T00:30:00+00:00"),
    ],
)
def test_a_time_of_day_is_the_last_one_at_the_day_s_edge(now: str, text: str, utc: str) -> None:
    assert typed_at(text, datetime.fromisoformat(now), "Europe/Berlin").isoformat() == utc


@pytest.mark.parametrize(
    ("at", "told"),
    [("14:34", False), ("14:05", False), ("14:45", True), ("2031-07-01T00:00:00Z", False), (None, False)],
)
def test_a_day_that_is_not_today_s_is_told(tmp_path: Path, capsys, at: str | None, told: bool) -> None:
    words = {"command": "leave", "subject": "t-1", "by": None, "at": at}
    event_message(load_home(make_home(tmp_path)), words, NOW)
    assert ("taken as Wednesday, 2031-07-02 14:45, not today" in capsys.readouterr().err) is told


def test_a_time_that_is_none_is_refused() -> None:
    with pytest.raises(WrongUse, match="14:05"):
        typed_at("25:00", NOW, "UTC")


@pytest.mark.parametrize(("mass", "value", "unit"), [("12,4", 12.4, None), ("27.3lb", 27.3, "lb"), ("950 g", 950, "g")])
def test_a_mass_has_a_unit_or_is_in_kilograms(tmp_path: Path, mass: str, value: float, unit: str | None) -> None:
    words = {"command": "weigh", "subject": "t-1", "mass": mass.split(), "by": None, "at": None}
    content = json.loads(event_message(load_home(make_home(tmp_path)), words, NOW).payload)
    assert content["mass"] == value
    assert content.get("unit") == unit
