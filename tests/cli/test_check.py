"""check: each part gets a finding, and what is wrong is exit 1 with what to do."""

import re
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from drymon.cli.main import main
from drymon.messages.coat_models import load_models, write_model
from drymon.messages.message import Message
from drymon.shop.facts.events import Dip
from drymon.shop.facts.outcome import Reason, State, Verdict, When
from drymon.shop.facts.value_words import value_words
from drymon.store import HomeLock, Store
from tests.cli.cli_home import BEGIN

MOSQUITTO = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[int]:
    """A mosquitto that knows the user `drymon` with the password `right`."""
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    passwords, settings = tmp_path / "passwords", tmp_path / "mosquitto.conf"
    tool = shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd"
    subprocess.run([tool, "-c", "-b", str(passwords), "drymon", "right"], check=True, capture_output=True)
    passwords.chmod(0o644)
    settings.write_text(f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\nuser root\n")
    child = subprocess.Popen([MOSQUITTO, "-c", str(settings)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        for _ in range(100):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        yield port
    finally:
        child.terminate()
        child.wait(10)


def shown(home: Path, capsys) -> tuple[int, list[str]]:
    code = main(["check", "--home", str(home)])
    return code, capsys.readouterr().out.splitlines()


def line(lines: list[str], subject: str) -> str:
    return next(text for text in lines if text[7:].startswith(subject))


def test_a_fresh_home_is_well_but_for_what_is_to_be_looked_at(home: Path, capsys) -> None:
    code, lines = shown(home, capsys)
    assert code == 0
    assert line(lines, "configuration").startswith("ok")
    assert "1 rack, 1 coat, 0 recipes" in line(lines, "configuration")
    assert line(lines, "broker").startswith("look")
    assert "starting models" in line(lines, "models")
    assert line(lines, "page").startswith("ok")


def test_what_it_says_is_in_the_words_of_a_shop(played: Path, tmp_path: Path, capsys) -> None:
    home = tmp_path / "home"
    shutil.copytree(played, home)
    with HomeLock(home):  # as a running service does
        with Store.open(home / "drymon.db") as store:
            store.mark_served(BEGIN)
        _, lines = shown(home, capsys)
    said = " ".join(lines)
    assert "WAL" not in said
    assert "fault" not in said
    assert re.search(r"rack-a temperature: [a-z]+, last 2[0-9]\.[0-9]+ °C", said)


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (21.6667, "Cel", "21.7 °C"), (-0.04, "Cel", "0 °C"), (52.0, "%RH", "52 %RH"), (0.1, "m/s", "0.1 m/s"),
        (1.2844, "kg", "1.284 kg"), (99123.0, "Pa", "991 hPa"), (100.0, "%RH", "100 %RH"), (120000.0, "Pa", "1200 hPa"),
    ],
)  # fmt: skip
def test_values_are_said_in_peoples_units_with_the_digits_of_a_sensor(value: float, unit: str, words: str) -> None:
    assert value_words(value, unit) == words


def test_a_broken_room_is_wrong_with_the_key_named(home: Path, capsys) -> None:
    room = home / "room.toml"
    room.write_text(room.read_text().replace("[20, 26]", "[26, 20]"), encoding="utf-8")
    code, lines = shown(home, capsys)
    assert code == 1
    assert line(lines, "configuration").startswith("wrong")
    assert "temperature_c" in " ".join(lines)


def with_broker(home: Path, port: int, password: str) -> None:
    (home / "broker.password").write_text(password + "\n")
    entry = f'[broker]\nhost = "127.0.0.1"\nport = {port}\nusername = "drymon"\npassword_file = "broker.password"\n'
    (home / "room.toml").write_text(entry + (home / "room.toml").read_text(), encoding="utf-8")


@pytest.mark.parametrize(
    ("password", "verdict", "words"), [("right", "ok", "lets us in"), ("wrong", "wrong", "refuses us")]
)
def test_the_broker_is_asked_with_our_password(
    password: str, verdict: str, words: str, home: Path, broker: int, capsys
) -> None:
    with_broker(home, broker, password)
    code, lines = shown(home, capsys)
    assert line(lines, "broker").startswith(verdict)
    assert words in line(lines, "broker")
    assert code == (0 if verdict == "ok" else 1)


def test_a_broker_that_is_not_there_is_wrong(home: Path, capsys) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        with_broker(home, probe.getsockname()[1], "right")
        code, lines = shown(home, capsys)
    assert code == 1
    assert "cannot be reached" in line(lines, "broker")


def test_a_damaged_database_is_wrong(home: Path, capsys) -> None:
    (home / "drymon.db").write_bytes(b"no database at all" * 100)
    code, lines = shown(home, capsys)
    assert code == 1
    assert line(lines, "database").startswith("wrong")


def test_a_coat_that_goes_by_the_model_of_its_family_is_well(home: Path, capsys) -> None:
    """docs/room.md: a name without a model of its own starts from its family's."""
    room = home / "room.toml"
    room.write_text(room.read_text().replace('name = "backup"', 'name = "my-backup"'), encoding="utf-8")
    code, lines = shown(home, capsys)
    assert code == 0
    assert line(lines, "models").startswith("look")
    assert "starting models, wide on purpose: my-backup" in line(lines, "models")


def test_a_model_file_that_cannot_be_used_is_wrong_and_the_starting_model_holds(home: Path, capsys) -> None:
    (home / "models").mkdir()
    (home / "models" / "backup.toml").write_text('name = "backup"\n', encoding="utf-8")
    code, lines = shown(home, capsys)
    assert code == 1
    first = next(number for number, text in enumerate(lines) if text.startswith("wrong  models"))
    told = " ".join(" ".join(lines[first:]).split())
    assert f"{home}/models/backup.toml:itschecksumismissing" in told.replace(" ", "")  # however it is wrapped
    assert "→ copy it again from where it came, or fit it again with drymon fit" in told
    assert "starting models, wide on purpose: backup" in told
    assert main(["status", "--home", str(home)]) == 0
    assert "backup.toml" in capsys.readouterr().err


def test_a_model_that_misses_its_own_runs_is_wrong(home: Path, capsys) -> None:
    missing = "the fitted curve misses 3 of 3 weighed runs"
    model = replace(load_models(None)["backup"], runs=3, run_ids=("a", "b", "c"), doubt=missing)
    write_model(model, home / "models" / "backup.toml")
    code, lines = shown(home, capsys)
    assert code == 1
    told = " ".join(text.strip() for text in lines)
    assert f"backup: {missing}" in told
    assert "learned from 3 weighed runs" not in told


def with_usual_wait(home: Path, hours: float, more: str = "") -> None:
    room = home / "room.toml"
    text = room.read_text().replace('family = "backup"', f'family = "backup"\nusual_wait_h = {hours}\n{more}')
    room.write_text(text, encoding="utf-8")


def test_without_a_usual_wait_the_first_thing_to_do_is_to_say_it(home: Path, capsys) -> None:
    told = " ".join(" ".join(shown(home, capsys)[1]).split())
    assert "say your usual_wait_h in room.toml; weigh some dryings, then `drymon fit`" in told
    with_usual_wait(home, 4)
    told = " ".join(" ".join(shown(home, capsys)[1]).split())
    assert "say your usual_wait_h" not in told
    assert "weigh some dryings, then `drymon fit`" in told


def usual_wait_words(home: Path, capsys) -> tuple[int, str]:
    """The finding with its lines that follow, as one."""
    code, lines = shown(home, capsys)
    first = next(number for number, text in enumerate(lines) if text[7:].startswith("usual wait"))
    more = next(number for number, text in enumerate(lines) if number > first and not text.startswith(" "))
    return code, " ".join(" ".join(lines[first:more]).split())


def test_a_usual_wait_that_can_be_is_told_as_counted(home: Path, capsys) -> None:
    with_usual_wait(home, 5)
    assert usual_wait_words(home, capsys) == (0, "ok usual wait backup: 5 h is counted in its starting model")


@pytest.mark.parametrize("hours", [0.02, 300])
def test_a_usual_wait_far_from_what_the_coat_would_take_is_to_be_looked_at(hours: float, home: Path, capsys) -> None:
    with_usual_wait(home, hours)
    code, told = usual_wait_words(home, capsys)
    assert code == 0
    assert told.startswith(f"look usual wait backup: {hours:g} h is far from what an open tree of it takes")
    assert re.search(r"likely [0-9.]+ h \([0-9.]+ to [0-9.]+ h\): it is counted little", told)
    assert "→ is it in hours, and of open trees?" in told


def test_a_usual_wait_past_the_longest_is_to_be_looked_at(home: Path, capsys) -> None:
    with_usual_wait(home, 30, "longest_wait_h = 24")
    _, told = usual_wait_words(home, capsys)
    assert told.startswith(
        "look usual wait backup: 30 h is past its longest_wait_h of 24 h, after which trees are held"
    )


def test_a_usual_wait_of_a_fitted_coat_counts_no_more(home: Path, capsys) -> None:
    with_usual_wait(home, 4)
    write_model(replace(load_models(None)["backup"], runs=3, run_ids=("a", "b", "c")), home / "models" / "backup.toml")
    assert usual_wait_words(home, capsys) == (
        0,
        "ok usual wait backup: 4 h counts no more: its model has this shop's weighed runs",
    )


def test_a_port_that_somebody_has_is_wrong(home: Path, capsys) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        room = home / "room.toml"
        port = f"port = {taken.getsockname()[1]}"
        room.write_text(re.sub("port = [0-9]+", port, room.read_text()), encoding="utf-8")
        code, lines = shown(home, capsys)
    assert code == 1
    assert line(lines, "page").startswith("wrong")


def test_a_password_that_everybody_can_read_is_told(home: Path, capsys) -> None:
    """Where others can reach it: a folder on the way that lets nobody in is enough."""
    toml = (home / "room.toml").read_text()
    (home / "room.toml").write_text(toml.replace("[page]", '[page]\npassword_file = "page.password"'))
    secret = home / "page.password"
    secret.write_text("the shop's own\n")
    secret.chmod(0o640)
    assert not [text for text in shown(home, capsys)[1] if "passwords" in text]
    secret.chmod(0o644)
    home.chmod(0o750)
    assert not [text for text in shown(home, capsys)[1] if "passwords" in text]
    for folder in (home, *home.parents[:-2]):
        folder.chmod(folder.stat().st_mode | 0o001)
    code, lines = shown(home, capsys)
    assert code == 1
    assert line(lines, "passwords").startswith("wrong")
    assert "chmod o=" in " ".join(lines)


def test_whether_surely_by_was_kept_is_told(home: Path, capsys) -> None:
    """Two coats of one tree: the first dry by its bound, the second an hour late."""
    at = [BEGIN + timedelta(hours=hour) for hour in range(12)]
    never = When(None, None, None)
    with Store.open(home / "drymon.db") as store:
        for number, begin, late, dry in ((1, 0, 4, 3), (2, 5, 8, 9)):
            dip = Dip(time=at[begin], arrived=at[begin], tree="t-7", rack="rack-a", coat="backup", number=number)
            store.record(Message(at[begin], "drymon/shop/log/dip", str(number).encode()), [dip])
            wet = Verdict(
                at[begin], at[begin], "t-7", "rack-a", "backup", number, at[begin], State.DRYING, None,
                When(at[begin], at[begin], at[late]), None, (Reason("wet", "wet"),),
            )  # fmt: skip
            store.add_outcomes([wet, replace(wet, time=at[dry], state=State.READY, dry_at=never, reasons=())])
    told = line(shown(home, capsys)[1], "surely by")
    assert told.split("surely by")[1].strip() == "2 told at a dip, 1 kept; 1 overrun, by 1.0 h (backup)"
    assert told.startswith("ok")  # one alone is no habit
