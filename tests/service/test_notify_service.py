"""The whole service telling people: a real broker, a real receiver, a killed process, the commands beside it."""

import json
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from drymon.store.store import Store
from tests import processes
from tests.service.conftest import Ear, Mosquitto, Serving, make_home, until
from tests.service.notify_servers import Hook, hook_server, mail_server

Start = Callable[..., Serving]
LAMP = "drymon/shop/lamp"


def telling_home(folder: Path, broker: Mosquitto, hook: Hook) -> Path:
    home = make_home(folder, broker.port)
    (home / "hook.secret").write_text("a secret of the shop\n")
    room = home / "room.toml"
    room.write_text(
        f'{room.read_text()}\n[notify]\nlamp_topic = "{LAMP}"\n'
        f'[[notify.webhook]]\nurl = "{hook.url}"\nsecret_file = "hook.secret"\n'
    )
    return home


def drymon(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return processes.run(*words, "--home", str(home), within_s=60)


def redip_early(ear: Ear) -> None:
    """The second dip follows the first at once: that is an alarm."""
    for quantity, value in (("temperature", "22"), ("humidity", "45")):
        ear.say(f"drymon/shop/rack-a/{quantity}", value)
    for coat in ("prime", "backup"):
        ear.say("drymon/shop/log/dip", json.dumps({"tree": "t-7", "rack": "rack-a", "coat": coat, "shelter": "open"}))


def online(ear: Ear) -> bool:
    return until(lambda: b'"online"' in (ear.last("drymon/shop/out/service") or b""), 30)


def lamp(ear: Ear) -> dict[str, Any]:
    said = json.loads(ear.last(LAMP) or b"{}")
    return {key: said.get(key) for key in ("lamp", "buzzer")}


def test_an_alarm_reaches_people_once_though_the_service_is_killed(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start
) -> None:
    with hook_server([503]) as hook:
        home = telling_home(tmp_path / "home", broker, hook)
        service = serving(home)
        assert online(ear)
        redip_early(ear)
        assert until(lambda: not hook.moods, 20), "the first try came and was refused"
        service.end(signal.SIGKILL)
        assert not hook.got
        serving(home)
        assert until(lambda: hook.got, 60)
        kinds = [json.loads(body)["data"]["kind"] for body in hook.arrived().values()]
        assert kinds == ["redipped-early"]
    with Store.open(home / "drymon.db", readonly=True) as store:
        assert until(lambda: store.last_delivered() is not None)


def test_an_alarm_is_acknowledged_from_the_command_line_and_the_lamp_follows(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start
) -> None:
    with hook_server() as hook:
        home = telling_home(tmp_path / "home", broker, hook)
        serving(home)
        assert online(ear)
        assert until(lambda: lamp(ear) == {"lamp": "off", "buzzer": False}, 20)
        redip_early(ear)
        assert until(lambda: lamp(ear) == {"lamp": "danger", "buzzer": True}, 20)
        done = drymon(home, "alarms", "acknowledge", "redipped-early:t-7", "--by", "kim")
        assert (done.returncode, done.stderr) == (0, "")
        assert until(lambda: lamp(ear) == {"lamp": "danger", "buzzer": False}, 20)
        listed = json.loads(drymon(home, "alarms", "list", "--json").stdout)
        assert [(row["kind"], row["state"], row["acknowledged_by"]) for row in listed] == [
            ("redipped-early", "active-acknowledged", "kim")
        ]


def test_alarms_without_a_service(broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start) -> None:
    with hook_server() as hook:
        home = telling_home(tmp_path / "home", broker, hook)
        service = serving(home)
        assert online(ear)
        redip_early(ear)
        assert until(lambda: lamp(ear)["lamp"] == "danger", 20)
        service.end()
        shelved = drymon(home, "alarms", "shelve", "redipped-early", "--for", "2h", "--reason", "trial", "--by", "kim")
        assert shelved.returncode == 0, shelved.stderr
        text = drymon(home, "alarms").stdout
        assert "shelved" in text
        assert "by kim: trial" in text
        wrong = drymon(home, "alarms", "acknowledge", "nothing-such")
        assert wrong.returncode == 1
        assert "no alarm with id" in wrong.stderr


@pytest.mark.parametrize(("answer", "code"), [(204, 0), (503, 1)])
def test_notify_test_says_which_way_works(tmp_path: Path, answer: int, code: int) -> None:
    with hook_server([answer]) as hook, mail_server() as box:
        home = make_home(tmp_path / "home")
        room = home / "room.toml"
        server = f'host = "127.0.0.1"\nport = {box.port}\nsender = "drymon@shop.example"\ntls = "none"\n'
        room.write_text(
            f'{room.read_text()}\n[notify.mail_server]\n{server}[[notify.mail]]\nto = ["kim@shop.example"]\n'
            f'[[notify.webhook]]\nurl = "{hook.url}"\n'
        )
        done = drymon(home, "notify", "--test")
        assert done.returncode == code
        assert "mail-1.1 (to kim@shop.example): delivered" in done.stdout
        assert "test message" in box.taken[0]["Subject"]
        assert ("503" in done.stderr) == bool(code)


def test_notify_where_nobody_is_told_says_what_to_add(tmp_path: Path) -> None:
    done = drymon(make_home(tmp_path / "home"), "notify", "--test")
    assert done.returncode == 2
    assert "[[notify.mail]]" in done.stderr
