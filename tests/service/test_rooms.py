"""Several rooms by one command: a process each, started again when it ends or hangs, all ended with the command."""

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import psutil
import pytest
from paho.mqtt.publish import single

from drymon.cli.main import main
from drymon.messages.config import load_home
from drymon.messages.settings import Server
from drymon.service import systemd
from drymon.service.rooms import Room, serve_all
from drymon.store import Store
from tests.postgres import Cluster
from tests.service.conftest import Mosquitto, make_home, until


def home_of(folder: Path, room: str, url: str, broker: int) -> Path:
    home = make_home(folder / room, broker)
    file = home / "room.toml"
    file.write_text(file.read_text().replace('name = "shop"', f'name = "{room}"') + f'\n[store]\nurl = "{url}"\n')
    return home


def values(url: str, room: str) -> list[float]:
    with Store.open(Server(url, room), readonly=True) as store:
        return [reading.value for reading in store.readings()]


@pytest.mark.timeout(200)
def test_two_rooms_share_a_database_and_end_with_their_command(
    broker: Mosquitto, postgres: Cluster, tmp_path: Path, capsys
) -> None:
    url = postgres.database()
    homes = [home_of(tmp_path, room, url, broker.port) for room in ("north", "south")]
    log = tmp_path / "log"
    words = [word for home in homes for word in ("--home", str(home))]
    with log.open("wb") as out:
        parent = subprocess.Popen([sys.executable, "-m", "drymon.cli", "serve", *words], stderr=out)
    try:
        assert until(lambda: len(re.findall("subscriptions stand", log.read_text())) == 2, 90)
        children = psutil.Process(parent.pid).children()
        assert len(children) == 2
        for room, value in (("north", "20"), ("south", "21")):
            single(f"drymon/{room}/rack-a/temperature", value, qos=1, hostname="127.0.0.1", port=broker.port)
        assert until(lambda: values(url, "north") == [20.0], 30)
        assert until(lambda: values(url, "south") == [21.0], 30)
        assert main(["status", "--json", "--home", str(homes[0])]) == 0
        assert json.loads(capsys.readouterr().out)["service"] == "online"
        children[0].kill()
        assert until(lambda: len(re.findall("subscriptions stand", log.read_text())) == 3, 90)
        assert "ended (by signal 9); starting it again" in log.read_text()
        assert children[1].is_running(), "one room's end is not the other's"
        living = psutil.Process(parent.pid).children()
        parent.send_signal(signal.SIGTERM)
        assert parent.wait(30) == 0
        assert not [child for child in living if child.is_running()]
    finally:
        parent.kill()


def heard(room: Room, now: float) -> Room:
    room.tend(now)
    return room


def hang(_: Path) -> int:
    systemd.tell("READY=1", "STATUS=listening")
    time.sleep(60)
    return 0


def fail(_: Path) -> int:
    raise ValueError("no such room")


def test_a_process_that_hangs_is_ended_and_started_again(tmp_path: Path) -> None:
    room = Room(tmp_path, 0, "a room with a long name", hang)
    before = psutil.Process(os.getpid()).children()  # others' servers and browsers
    room.tend(0.0)
    (child,) = set(psutil.Process(os.getpid()).children()) - set(before)
    assert until(lambda: heard(room, 10.0).patience_s == 60.0, 10)
    assert Path(f"/proc/{child.pid}/comm").read_text() == "a room with a l\n", "as ps shows it"
    assert all(each.fd <= 2 for each in child.open_files())
    room.tend(69.0)
    assert child.is_running()
    room.tend(71.0)
    assert until(lambda: heard(room, 71.0).process is None, 10), "what hangs is ended"
    room.tend(71.9)
    assert room.process is None, "a pause first"
    room.tend(72.1)
    assert room.process is not None
    room.tell_to_end()
    room.see_it_end(5.0)
    assert room.process.code == -signal.SIGTERM


def test_many_rooms_start_in_waves(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drymon.service.rooms.AT_ONCE", 2)
    monkeypatch.setattr("drymon.service.rooms.LOOK_EVERY_S", 0.01)
    started = tmp_path / "started"
    started.mkdir()

    def slowly(home: Path) -> int:
        (started / home.name).touch()
        assert until((tmp_path / "go").exists, 30)
        return hang(home)

    homes = [make_home(tmp_path / f"room-{number}") for number in range(5)]
    for home in homes:
        (home / "room.toml").write_text((home / "room.toml").read_text().replace('"shop"', f'"{home.name}"'))
    stop = threading.Event()
    rooms = threading.Thread(target=serve_all, args=([load_home(home) for home in homes], stop, slowly))
    rooms.start()
    try:
        assert until(lambda: len(list(started.iterdir())) == 2, 10)
        assert not until(lambda: len(list(started.iterdir())) > 2, 0.3), "the others wait until these are ready"
        (tmp_path / "go").touch()
        assert until(lambda: len(list(started.iterdir())) == 5, 10)
    finally:
        stop.set()
        rooms.join(30)


def test_a_process_whose_service_fails_ends_by_itself(tmp_path: Path) -> None:
    room = Room(tmp_path, 1, "room", fail)
    room.tend(0.0)
    process = room.process
    assert process is not None
    assert process.wait(10.0) == 1
    room.tend(1.0)
    assert room.process is None
    room.see_it_end(0.0)


@pytest.mark.parametrize(
    ("room", "port", "told"),
    [("north", "", "received the room 'north' twice"), ("south", "port = 8123", "received page.port 8123 twice")],
)
def test_rooms_that_would_be_in_each_others_way_are_refused(
    tmp_path: Path, capsys, room: str, port: str, told: str
) -> None:
    homes = [make_home(tmp_path / "one"), make_home(tmp_path / "two")]
    for home, name in zip(homes, ("north", room), strict=True):
        text = (home / "room.toml").read_text().replace('name = "shop"', f'name = "{name}"')
        (home / "room.toml").write_text(re.sub(r"port = \d+", port, text) if port else text)
    assert main(["serve", "--home", str(homes[0]), "--home", str(homes[1])]) == 2
    assert told in capsys.readouterr().err
    assert main(["serve", "--home", str(homes[0]), "--home", str(homes[0])]) == 2
    assert "allowed is each home once" in capsys.readouterr().err
