"""The whole service as a process of its own, with a real broker, watched from outside."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from drymon.cli.main import main
from drymon.errors import StoreError
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.streams import StreamWriter
from drymon.service.replay import replay
from drymon.service.serve import Service
from drymon.store.store import Store
from tests.memory import OWN_MB, own_mb
from tests.service.conftest import Ear, Mosquitto, Serving, make_home, until

Start = Callable[..., Serving]
OUT = "drymon/shop/out"
DIP = '{"tree": "t-7", "rack": "rack-a", "coat": "backup", "shelter": "open"}'


def state_of_service(ear: Ear) -> str | None:
    said = ear.last(f"{OUT}/service")
    return None if said is None else str(json.loads(said)["state"])


def online(ear: Ear) -> bool:
    return until(lambda: state_of_service(ear) == "online", 60)


def verdict(ear: Ear, tree: str) -> dict[str, Any]:
    said = ear.last(f"{OUT}/tree/{tree}")
    return {} if not said else dict(json.loads(said))


def say_air(ear: Ear, rack: str = "rack-a") -> None:
    ear.say(f"drymon/shop/{rack}/temperature", "22.5")
    ear.say(f"drymon/shop/{rack}/humidity", "45")


def test_the_first_verdict_comes_within_two_seconds_of_the_dip(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start
) -> None:
    serving(make_home(tmp_path / "home", broker.port))
    assert online(ear)
    say_air(ear)
    ear.say("drymon/shop/log/dip", DIP)
    assert until(lambda: verdict(ear, "t-7"), 2.0)
    said = verdict(ear, "t-7")
    assert (said["state"], said["safe_to_redip"], said["number"]) == ("drying", False, 1)
    assert said["dry_at"]["best"] is not None
    late = Ear(broker.port, f"{OUT}/tree/#")
    assert until(lambda: late.heard)
    assert late.heard[0].retain
    left = vars(late.heard[0].properties)["MessageExpiryInterval"]
    valid = datetime.fromisoformat(said["valid_until"]) - datetime.now(UTC)
    assert 0 < left <= valid.total_seconds() + 3
    late.close()


def test_it_stops_cleanly_and_says_offline(broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start) -> None:
    service = serving(make_home(tmp_path / "home", broker.port))
    assert online(ear)
    assert service.end(signal.SIGTERM) == 0
    assert until(lambda: state_of_service(ear) == "offline")
    assert "Traceback" not in service.log.read_text()


def test_a_killed_service_goes_offline_by_the_will_and_takes_up_its_trees_again(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start
) -> None:
    service = serving(make_home(tmp_path / "home", broker.port))
    assert online(ear)
    say_air(ear)
    ear.say("drymon/shop/log/dip", DIP)
    assert until(lambda: verdict(ear, "t-7"))
    service.end(signal.SIGKILL)
    assert until(lambda: state_of_service(ear) == "offline", 15)
    before = len(ear.heard)
    ear.say("drymon/shop/log/dip", '{"tree": "t-8", "rack": "rack-a", "coat": "prime"}')
    service.start()
    assert until(lambda: verdict(ear, "t-8"), 20)
    time.sleep(6.0)  # past the next instant at which the room looks at its facts
    gone = [m for m in ear.heard[before:] if m.topic == f"{OUT}/tree/t-7" and not m.payload]
    assert gone == []
    alerts = [json.loads(m.payload) for m in ear.heard if m.topic == f"{OUT}/alert"]
    assert len({alert["id"] for alert in alerts}) == len(alerts)


def test_a_broker_that_restarts_is_found_again_and_told_everything(
    broker: Mosquitto, tmp_path: Path, serving: Start
) -> None:
    service = serving(make_home(tmp_path / "home", broker.port))
    before = Ear(broker.port, "drymon/#")
    assert online(before)
    say_air(before)
    before.say("drymon/shop/log/dip", DIP)
    assert until(lambda: verdict(before, "t-7"))
    before.close()
    assert "is back" not in service.log.read_text()
    broker.stop(signal.SIGKILL)  # with everything that it had retained
    broker.start()
    after = Ear(broker.port, "drymon/#")
    assert online(after)
    assert until(lambda: verdict(after, "t-7"))
    after.close()
    back = f"broker 127.0.0.1:{broker.port} is back after less than a minute: the subscriptions stand again"
    assert until(lambda: service.log.read_text().count(back) == 1)
    _, _, rest = service.log.read_text().partition(back)
    assert "lost" not in rest
    assert "trying on" not in rest


def test_what_cannot_be_understood_is_kept_with_the_reason_and_stops_nothing(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    service = serving(home)
    assert online(ear)
    nonsense = [
        ("rack-a/humidity", b"\xff\xfe"),
        ("rack-a/humidity", b"wet"),
        ("rack-z/humidity", b"40"),
        ("rack-a/nonsense", b"40"),
        ("rack-a/a/b/c/d", b"1"),
        ("log/dip", b'{"tree": "t-1", "rack": "nowhere", "coat": "prime"}'),
        ("log/dip", b"[" * 100_000),
        ("rack-a/humidity", b"4" * 10_000_000),
    ]
    for topic, payload in nonsense:
        ear.say(f"drymon/shop/{topic}", payload)
    say_air(ear)
    ear.say("drymon/shop/log/dip", DIP)
    assert until(lambda: verdict(ear, "t-7"))
    assert service.end() == 0
    with Store.open(home / "drymon.db", readonly=True) as store:
        assert store.refused_count() == len(nonsense)
        assert all(refused.reason for refused in store.latest_refused())


def test_a_node_s_mark_follows_what_is_on_disk(broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start) -> None:
    serving(make_home(tmp_path / "home", broker.port))
    assert online(ear)
    for seq in (1, 2, 4, 5):
        reading = {"value": 40 + seq / 10, "device": "node-1", "boot": "b7", "seq": seq}
        ear.say("drymon/shop/rack-a/humidity", json.dumps(reading))
    topic = f"{OUT}/received/node-1"
    assert until(lambda: ear.last(topic) and json.loads(ear.last(topic) or b"") == {"boot": "b7", "seq": 2})
    ear.say("drymon/shop/rack-a/humidity", '{"value": 40.3, "device": "node-1", "boot": "b7", "seq": 3}')
    assert until(lambda: json.loads(ear.last(topic) or b"")["seq"] == 5)


def test_a_retained_reading_is_never_fresh(broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start) -> None:
    ear.say("drymon/shop/rack-a/temperature", "22", retain=True)
    ear.say("drymon/shop/rack-a/humidity", "45", retain=True)
    serving(make_home(tmp_path / "home", broker.port))
    assert online(ear)
    ear.say("drymon/shop/log/dip", DIP)
    assert until(lambda: verdict(ear, "t-7"))
    assert verdict(ear, "t-7")["state"] == "unknown"
    assert "air-unknown" in [reason["code"] for reason in verdict(ear, "t-7")["reasons"]]


def test_live_and_replay_say_the_same(broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start) -> None:
    """What the service recorded, replayed into a fresh home: the same verdicts on the same instants."""
    if (second := datetime.now(UTC).second) > 20:  # a whole minute before the first message is looked at live only
        time.sleep(61 - second)
    home = make_home(tmp_path / "home", broker.port)
    service = serving(home)
    assert online(ear)
    for step in range(12):
        ear.say("drymon/shop/rack-a/temperature", str(22 + step / 10))
        ear.say("drymon/shop/rack-a/humidity", str(45 + step / 10))
        if step in (2, 5):
            ear.say("drymon/shop/log/dip", f'{{"tree": "t-{step}", "rack": "rack-a", "coat": "backup"}}')
        if step == 8:
            ear.say("drymon/shop/log/move", '{"tree": "t-5", "rack": "rack-b"}')
        time.sleep(0.9)
    time.sleep(1.0)
    assert service.end() == 0
    live = [m for m in ear.heard if m.topic.startswith((f"{OUT}/tree/", f"{OUT}/rack/"))]
    stream = tmp_path / "recorded.jsonl"
    with Store.open(home / "drymon.db", readonly=True) as store, StreamWriter(stream) as writer:
        for message in store.messages():
            writer.write(message)
    other = make_home(tmp_path / "second", broker.port)
    replay(load_home(other), [stream], tmp_path / "out.jsonl")
    lines = [json.loads(line) for line in (tmp_path / "out.jsonl").read_text().splitlines()]
    again = [line for line in lines if line["topic"].startswith((f"{OUT}/tree/", f"{OUT}/rack/"))]
    replayed = [(line["topic"], line["payload"]) for line in again]
    said = [(message.topic, bytes(message.payload).decode()) for message in live]
    assert len(replayed) >= 5
    assert said[: len(replayed)] == replayed  # live went on for a moment after the last message


HEAVY = ("pandas", "scipy", "sklearn", "matplotlib", "numpy.ma")
TELL_MODULES = f"""
import os, signal, sys, threading, time
from pathlib import Path
from drymon.web.server import PageServer
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service.serve import Service
service = Service(load_home(Path(sys.argv[1])), make_page=PageServer)
threading.Thread(target=lambda: (sys.stdin.read(), service.stop.set()), daemon=True).start()
service.run()
print([name for name in {HEAVY!r} if name in sys.modules])
"""


def test_the_service_never_imports_what_is_heavy(broker: Mosquitto, ear: Ear, tmp_path: Path) -> None:
    home = make_home(tmp_path / "home", broker.port)
    command = [sys.executable, "-c", TELL_MODULES, str(home)]
    child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert online(ear)
    say_air(ear)
    ear.say("drymon/shop/log/dip", DIP)
    assert until(lambda: verdict(ear, "t-7"), 20)
    urllib.request.urlopen(f"http://127.0.0.1:{load_home(home).page.port}/", timeout=5).read()
    said, _ = child.communicate(timeout=30)
    assert child.returncode == 0
    assert said.strip() == "[]"


def test_it_stays_within_80_megabytes(broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start) -> None:
    home = make_home(tmp_path / "home", broker.port)
    service = serving(home, anew=True)
    assert online(ear)
    say_air(ear)
    for number in range(20):
        ear.say("drymon/shop/log/dip", f'{{"tree": "t-{number}", "rack": "rack-a", "coat": "backup"}}')
    assert until(lambda: verdict(ear, "t-19"), 20)
    urllib.request.urlopen(f"http://127.0.0.1:{load_home(home).page.port}/", timeout=5).read()
    time.sleep(11.0)  # what was freed is given back every ten seconds
    assert service.process is not None
    assert own_mb(service.process.pid) < OWN_MB


def test_the_page_names_every_tree(broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start) -> None:
    home = make_home(tmp_path / "home", broker.port)
    serving(home)
    assert online(ear)
    for tree in ("hare", "otter"):
        ear.say("drymon/shop/log/dip", f'{{"tree": "{tree}", "rack": "rack-a", "coat": "prime"}}')
    assert until(lambda: verdict(ear, "otter"))
    page = urllib.request.urlopen(f"http://127.0.0.1:{load_home(home).page.port}/", timeout=5).read().decode()
    assert "hare" in page
    assert "otter" in page


def test_a_page_that_cannot_open_its_port_is_an_alarm_and_listening_goes_on(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", load_home(home).page.port))
        taken.listen()
        serving(home)
        assert online(ear)
        assert until(lambda: any(b"page-unavailable" in m.payload for m in ear.heard if m.topic == f"{OUT}/alert"))
        say_air(ear)
        ear.say("drymon/shop/log/dip", DIP)
        assert until(lambda: verdict(ear, "t-7"))


class Foreign(BaseHTTPRequestHandler):
    """Another program that shows a page of its own."""

    def do_GET(self) -> None:
        self.send_response(200)
        self.end_headers()
        self.wfile.write(b"a dashboard")

    def log_message(self, *_: object) -> None:
        pass


def checked(home: Path, capsys: pytest.CaptureFixture[str]) -> str:
    main(["check", "--home", str(home)])
    said = capsys.readouterr().out.splitlines()
    return next(line for line in said if line[7:].startswith("page"))


def test_check_knows_its_own_page_from_another_programs(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start, capsys: pytest.CaptureFixture[str]
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    with ThreadingHTTPServer(("127.0.0.1", load_home(home).page.port), Foreign) as other:
        threading.Thread(target=other.serve_forever, daemon=True).start()
        service = serving(home)
        assert online(ear)
        assert checked(home, capsys).startswith("wrong")
        other.shutdown()
    service.end(signal.SIGTERM)
    ear.heard.clear()
    serving(home)
    assert until(lambda: (home / "page.door").exists())
    assert checked(home, capsys).startswith("ok")


def test_a_model_file_that_cannot_be_used_is_an_alarm_and_the_starting_model_holds(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    (home / "models").mkdir()
    (home / "models" / "backup.toml").write_text('name = "backup"\n')
    service = serving(home)
    assert online(ear)
    assert until(lambda: any(m.topic == f"{OUT}/alert" for m in ear.heard)), "told of, if not before it is online"
    alerts = [json.loads(m.payload) for m in ear.heard if m.topic == f"{OUT}/alert"]
    assert [(alert["kind"], alert["subject"]) for alert in alerts] == [("model-doubt", "backup")]
    assert "models/backup.toml: its checksum is missing" in alerts[0]["text"]
    assert "models/backup.toml: its checksum is missing" in service.log.read_text()
    say_air(ear)
    ear.say("drymon/shop/log/dip", DIP)
    assert until(lambda: verdict(ear, "t-7"))
    assert verdict(ear, "t-7")["state"] == "drying"
    assert "starting-model" in [reason["code"] for reason in verdict(ear, "t-7")["reasons"]]


def test_a_second_service_on_the_same_home_is_refused(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    serving(home)
    assert online(ear)
    second = subprocess.run(
        [sys.executable, "-m", "drymon.cli", "serve", "--home", str(home)], capture_output=True, text=True, timeout=30
    )
    assert second.returncode == 1
    assert "in use" in second.stderr


def test_it_tells_the_service_manager(broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start) -> None:
    """READY, WATCHDOG and STOPPING as sd_notify(3) has them, at a real datagram socket."""
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address)
        manager.settimeout(20)
        service = serving(make_home(tmp_path / "home", broker.port), {**os.environ, "NOTIFY_SOCKET": address})
        said = [manager.recv(4096).decode() for _ in range(5)]
        assert [each.startswith("EXTEND_TIMEOUT_USEC=") for each in said[:2]] == [True, True]
        assert said[2].splitlines()[0] == "READY=1"
        assert any("WATCHDOG=1" in each.splitlines() for each in said[3:])
        assert service.end() == 0
        manager.settimeout(0.2)
        try:
            while True:
                said.append(manager.recv(4096).decode())
        except TimeoutError:
            pass
    assert "STOPPING=1" in said[-1]


def test_the_service_manager_is_asked_for_time_before_the_database_is_looked_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A damaged database without a backup ends the start; by then the manager has been told to wait."""
    home = make_home(tmp_path / "home")
    (home / "drymon.db").write_bytes(b"no database at all" * 100)
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(5)
        with pytest.raises(StoreError, match="damaged"):
            Service(load_home(home)).run()
        assert manager.recv(4096).decode().startswith("EXTEND_TIMEOUT_USEC=")


def test_a_broker_that_is_down_keeps_nobody_from_starting(broker: Mosquitto, tmp_path: Path, serving: Start) -> None:
    broker.stop()
    service = serving(make_home(tmp_path / "home", broker.port))
    assert until(lambda: "cannot be reached" in service.log.read_text(), 20)
    broker.start()
    ear = Ear(broker.port, "drymon/#")
    assert online(ear)
    assert service.log.read_text().count("cannot be reached") == 1  # said once, not at every try
    ear.close()


def test_without_a_broker_it_brings_its_own_and_says_so(tmp_path: Path, serving: Start) -> None:
    home = make_home(tmp_path / "home")
    service = serving(home)
    assert until(lambda: "subscriptions stand" in service.log.read_text(), 30)
    assert "TRYING OUT" in service.log.read_text()
    port = int((home / "broker.port").read_text())
    ear = Ear(port, "drymon/#", mqtt5=False)
    say_air(ear)
    ear.say("drymon/shop/log/dip", DIP)
    assert until(lambda: verdict(ear, "t-7"), 5)
    ear.close()
    assert service.end() == 0
    assert not (home / "broker.port").exists()


def test_the_wall_clock_of_long_ago_makes_every_tree_unknown(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start
) -> None:
    """The last message on record is from tomorrow: so the clock cannot be right, and nobody may trust a duration."""
    home = make_home(tmp_path / "home", broker.port)
    service = serving(home)
    assert online(ear)
    say_air(ear)
    ear.say("drymon/shop/log/dip", DIP)
    assert until(lambda: verdict(ear, "t-7"))
    assert service.end() == 0
    ahead = (datetime.now(UTC) + timedelta(days=1)).isoformat().replace("+00:00", "Z")
    import sqlite3

    with sqlite3.connect(home / "drymon.db") as db:
        last = int(datetime.fromisoformat(ahead).timestamp() * 1e6)
        db.execute("UPDATE message SET arrived = ? WHERE id = (SELECT max(id) FROM message)", (last,))
    db.close()
    service.start()
    assert until(lambda: "clock-unknown" in json.dumps(verdict(ear, "t-7")), 30)
    assert verdict(ear, "t-7")["state"] == "unknown"


def test_a_clock_doubted_when_the_power_went_is_believed_at_the_next_start_with_the_right_time(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    lost = datetime.now(UTC) - timedelta(minutes=10)
    stream = tmp_path / "before.jsonl"
    with StreamWriter(stream) as writer:
        writer.write(Message(lost, "drymon/shop/log/dip", DIP.encode()))
        writer.write(Message(lost, "drymon/shop/log/clock", b'{"known": false}'))
    replay(load_home(home), [stream])
    serving(home)
    assert online(ear)
    say_air(ear)
    assert until(lambda: verdict(ear, "t-7").get("state") == "drying", 20)


def test_nobody_overrules_the_clock_over_the_broker(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start
) -> None:
    """Refused with its reason, and not in what is replayed; the service's own word is."""
    home = make_home(tmp_path / "home", broker.port)
    tomorrow = datetime.now(UTC) + timedelta(days=1)
    stream = tmp_path / "before.jsonl"
    with StreamWriter(stream) as writer:
        writer.write(Message(tomorrow, "drymon/shop/log/dip", DIP.encode()))
    replay(load_home(home), [stream])
    service = serving(home)
    assert until(lambda: "clock-unknown" in json.dumps(verdict(ear, "t-7")), 30)
    for qos in (0, 1):
        ear.say("drymon/shop/log/clock", '{"known": true}', qos=qos)
    ear.say("drymon/shop/log/dip", DIP.replace("t-7", "t-8"))
    assert until(lambda: verdict(ear, "t-8"))
    assert verdict(ear, "t-8")["reasons"][0]["code"] == "clock-unknown"
    assert service.end() == 0
    with Store.open(home / "drymon.db", readonly=True) as store:
        assert [refused.topic for refused in store.latest_refused()] == ["drymon/shop/log/clock"] * 2
        words = [m.payload for m in store.messages() if m.topic == "drymon/shop/log/clock"]
    assert [json.loads(word)["known"] for word in words] == [False]


def test_after_days_without_power_it_catches_up_and_says_nothing_stale(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    begin = datetime.now(UTC) - timedelta(days=5)
    stream = tmp_path / "before.jsonl"
    with StreamWriter(stream) as writer:
        for minute in range(30):
            at = begin + timedelta(minutes=minute)
            writer.write(Message(at, "drymon/shop/rack-a/temperature", str(22 + minute % 3 / 10).encode()))
            writer.write(Message(at, "drymon/shop/rack-a/humidity", str(45 + minute % 5 / 10).encode()))
        writer.write(Message(at, "drymon/shop/log/dip", DIP.encode()))
    replay(load_home(home), [stream])
    serving(home)
    assert until(lambda: state_of_service(ear) == "online", 100)
    assert until(lambda: verdict(ear, "t-7"), 10)
    assert verdict(ear, "t-7")["state"] == "unknown"
    now = datetime.now(UTC)
    said = [json.loads(m.payload) for m in ear.heard if m.topic.startswith(f"{OUT}/tree/") and m.payload]
    assert all(datetime.fromisoformat(each["valid_until"]) > now - timedelta(minutes=2) for each in said)
    assert len(said) < 10


def test_it_stops_at_once_even_where_the_broker_has_been_gone_for_long(
    broker: Mosquitto, tmp_path: Path, serving: Start
) -> None:
    broker.stop()
    service = serving(make_home(tmp_path / "home", broker.port))
    assert until(lambda: "cannot be reached" in service.log.read_text(), 20)
    time.sleep(17.0)  # the pauses between its tries grow, each twice the last: one of 16 s has just begun
    assert service.end(signal.SIGTERM, patience_s=10.0) == 0


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGKILL])
def test_a_start_goes_on_from_an_image_of_the_room(
    broker: Mosquitto, ear: Ear, tmp_path: Path, serving: Start, how: signal.Signals
) -> None:
    service = serving(make_home(tmp_path / "home", broker.port))
    assert online(ear)
    say_air(ear)
    ear.say("drymon/shop/log/dip", DIP)
    assert until(lambda: verdict(ear, "t-7").get("state") == "drying", 60)
    before = verdict(ear, "t-7")["dipped_at"]
    service.end(how)
    ear.heard.clear()
    service.start()
    assert online(ear)
    assert until(lambda: verdict(ear, "t-7").get("state") == "drying", 60)
    assert verdict(ear, "t-7")["dipped_at"] == before
    assert "going on from an image of the room" in service.log.read_text("utf-8")
