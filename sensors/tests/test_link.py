"""The connection against a real mosquitto: readings, receipts, will, passwords, rights, TLS, comings and goings."""

from __future__ import annotations

import json
import shutil
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import Mosquitto, free_port, until
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from drymon_sensors.config import Broker
from drymon_sensors.errors import BrokerError, SetupError
from drymon_sensors.link.link import Down, Event, Link, Namesake, ServiceSaid, Taken, Up
from drymon_sensors.link.talk import Talk
from drymon_sensors.payload import Message, Receipt, status

READING = Message("drymon/shop/rack-a/temperature", b'{"value":21.5}')
GONE = status("node-1", {"state": "offline"})


class Ear:
    """An independent client: hears everything under a filter, and can speak."""

    def __init__(self, port: int, topic: str = "#", user: tuple[str, str] | None = None) -> None:
        self.heard: list[MQTTMessage] = []
        subscribed = threading.Event()
        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        if user:
            self.client.username_pw_set(*user)
        self.client.on_connect = lambda client, *_: client.subscribe(topic, 1)
        self.client.on_subscribe = lambda *_: subscribed.set()
        self.client.on_message = lambda _, __, message: self.heard.append(message)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert subscribed.wait(5)

    def last(self, topic: str) -> Any:
        return next((json.loads(m.payload) for m in reversed(self.heard) if m.topic == topic), None)

    def say(self, topic: str, content: object, retain: bool = False) -> None:
        self.client.publish(topic, json.dumps(content), qos=1, retain=retain).wait_for_publish(5)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def ear(broker: Mosquitto) -> Iterator[Ear]:
    listening = Ear(broker.port)
    yield listening
    listening.close()


Linked = Callable[..., Link]


@pytest.fixture
def linked() -> Iterator[Linked]:
    """Links that are left at the end of the test."""
    made: list[Link] = []

    def make(broker: Broker, device: str = "node-1") -> Link:
        made.append(Link(broker, "shop", device, GONE))
        made[-1].start()
        return made[-1]

    yield make
    for each in made:
        each.stop(GONE)


def here(port: int, **more: Any) -> Broker:
    return Broker("127.0.0.1", port, "node-1", **more)


def happens(link: Link, kind: type[Event], within_s: float = 60.0) -> Any:
    """The next event of a kind."""
    found: list[Event] = []

    def look() -> bool:
        while (event := link.wait(0.0)) is not None:
            found.append(event)
            if isinstance(event, kind):
                return True
        return False

    assert until(look, within_s), f"{kind.__name__} did not happen; {found} did"
    return found[-1]


@pytest.mark.parametrize("mqtt", [5, 3])
def test_a_reading_goes_out_and_is_taken(broker: Mosquitto, ear: Ear, linked: Linked, mqtt: int) -> None:
    link = linked(here(broker.port, mqtt=mqtt))
    happens(link, Up)
    mid = link.publish(READING)
    assert happens(link, Taken) == Taken(mid, None)
    assert until(lambda: ear.last(READING.topic) == {"value": 21.5})
    assert [(m.qos, m.retain) for m in ear.heard if m.topic == READING.topic] == [(1, False)]


def test_receipts_and_words_of_the_service_are_heard(broker: Mosquitto, ear: Ear, linked: Linked) -> None:
    ear.say("drymon/shop/out/service", {"state": "online", "time": "2031-03-02T06:40:00Z"}, retain=True)
    ear.say("drymon/shop/out/received/node-1", {"boot": "b1", "seq": 7}, retain=True)
    ear.say("drymon/shop/out/received/node-2", {"boot": "b2", "seq": 9}, retain=True)
    link = linked(here(broker.port))
    assert happens(link, Receipt) == Receipt("b1", 7)
    said = happens(link, ServiceSaid)
    assert (said.word.online, said.word.wall, said.live) == (True, 1_930_200_000.0, False)
    ear.say("drymon/shop/out/service", {"state": "online", "time": "2031-03-02T06:41:00Z"}, retain=True)
    assert happens(link, ServiceSaid).live, "one said now tells what time it is, one kept by the broker does not"
    ear.say("drymon/shop/out/received/node-1", ["nonsense"])
    ear.say("drymon/shop/out/received/node-1", {"boot": "b1", "seq": 8})
    assert happens(link, Receipt) == Receipt("b1", 8)


def test_nobody_listens_and_that_is_told(broker: Mosquitto, linked: Linked) -> None:
    link = linked(here(broker.port))
    happens(link, Up)
    link.publish(READING)
    assert happens(link, Taken).refusal == "No matching subscribers"


def test_the_broker_says_that_the_node_is_gone_when_it_dies(broker: Mosquitto, ear: Ear, tmp_path: Path) -> None:
    import sys

    code = (
        "import time\nfrom drymon_sensors.config import Broker\nfrom drymon_sensors.link.link import Link\n"
        "from drymon_sensors.payload import status\n"
        f"link = Link(Broker('127.0.0.1', {broker.port}, 'node-1'), 'shop', 'node-1', status('node-1', "
        "{'state': 'offline'}))\nlink.start()\nprint(link.wait(10), flush=True)\n"
        "link.publish(status('node-1', {'state': 'online'}))\ntime.sleep(60)"
    )
    node = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
    assert until(lambda: ear.last("workshop/node-1/status") == {"state": "online"})
    node.kill()
    node.wait()
    assert until(lambda: ear.last("workshop/node-1/status") == {"state": "offline"})
    assert node.stdout is not None
    node.stdout.close()


def test_a_broker_that_comes_and_goes(broker: Mosquitto, linked: Linked) -> None:
    link = linked(here(broker.port))
    happens(link, Up)
    broker.stop()
    assert "the connection is lost" in happens(link, Down).why
    broker.start()
    happens(link, Up)
    assert link.trouble == ""


def test_a_broker_that_is_not_there_yet_is_an_ordinary_morning(linked: Linked) -> None:
    link = linked(here(free_port()))
    assert "cannot be reached" in happens(link, Down).why
    assert not link.up


def test_two_nodes_of_one_name_both_get_through_and_are_told_of(broker: Mosquitto, ear: Ear, linked: Linked) -> None:
    first, second = linked(here(broker.port)), linked(here(broker.port))
    happens(first, Up)
    happens(second, Up)
    first.publish(status("node-1", {"state": "online", "instance": first.instance}))
    happens(second, Namesake)
    assert until(lambda: isinstance(first.wait(0.1), Taken))
    assert not isinstance(first.wait(0.5), Namesake), "one's own words are no namesake's"


# ---- passwords, rights, TLS ------------------------------------------------------------------------------------------


RIGHTS = """allow_anonymous false
password_file {folder}/passwords
acl_file {folder}/acl
"""
ACL = """user drymon
topic readwrite #
pattern write drymon/+/+/temperature/#
pattern read drymon/+/out/received/%u
pattern read drymon/+/out/service
pattern readwrite workshop/%u/#
"""


@pytest.fixture
def guarded(tmp_path: Path, mosquitto_here: None) -> Iterator[tuple[Mosquitto, Path]]:
    """A broker with a user for the node, and the rights that drymon's installation gives it."""
    tool = shutil.which("mosquitto_passwd")
    if tool is None:
        pytest.skip("mosquitto_passwd is needed: apt install mosquitto")
    folder = tmp_path / "guarded"
    folder.mkdir()
    (folder / "acl").write_text(ACL)
    for flag, user in (("-c", "node-1"), ("", "drymon")):
        words = [tool, *filter(None, [flag]), "-b", str(folder / "passwords"), user, f"secret of {user}"]
        subprocess.run(words, check=True, capture_output=True)
    (tmp_path / "broker.password").write_text("secret of node-1\n")
    running = Mosquitto(folder, RIGHTS.format(folder=folder))
    running.start()
    yield running, tmp_path
    running.stop()


def test_user_and_password(guarded: tuple[Mosquitto, Path], linked: Linked) -> None:
    broker, folder = guarded
    link = linked(here(broker.port, password_file=str(folder / "broker.password")))
    assert isinstance(happens(link, Up), Up)


def test_a_wrong_password_is_told_and_tried_on(guarded: tuple[Mosquitto, Path], linked: Linked) -> None:
    broker, folder = guarded
    (folder / "wrong").write_text("guess\n")
    link = linked(here(broker.port, password_file=str(folder / "wrong")))
    assert "refuses us: Not authorized: look at username and password" in happens(link, Down).why


def test_a_topic_that_is_not_allowed_is_told_by_its_reason_code(
    guarded: tuple[Mosquitto, Path], linked: Linked
) -> None:
    """A broker takes such a message and hands it to nobody; only MQTT 5 says so (section 4.13, reason code 0x87)."""
    broker, folder = guarded
    link = linked(here(broker.port, password_file=str(folder / "broker.password")))
    happens(link, Up)
    link.publish(Message("drymon/shop/log/dip", b"{}"))
    assert happens(link, Taken).refusal == "Not authorized"
    listener = Ear(broker.port, "drymon/#", ("drymon", "secret of drymon"))
    link.publish(READING)
    assert happens(link, Taken).refusal is None
    assert until(lambda: listener.last(READING.topic) == {"value": 21.5})
    listener.close()


@pytest.mark.parametrize(("content", "words"), [(None, "cannot be read"), ("\n", "is empty")])
def test_a_password_file_that_is_no_use(tmp_path: Path, content: str | None, words: str) -> None:
    path = tmp_path / "p"
    if content is not None:
        path.write_text(content)
    with pytest.raises(SetupError, match=words):
        Link(here(1, password_file=str(path)), "shop", "node-1", GONE)


def openssl(folder: Path, *words: str) -> None:
    subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)


def make_authority(folder: Path, host: str) -> None:
    """An authority and a certificate for `host`, as a shop would make them."""
    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    openssl(folder, "req", "-x509", *key, "-days", "30", "-keyout", "ca.key", "-out", "ca.crt", "-subj", "/CN=shop")
    openssl(folder, "req", *key, "-keyout", "server.key", "-out", "server.csr", "-subj", f"/CN={host}")
    (folder / "names").write_text(f"subjectAltName=DNS:{host}\n")
    sign = ("-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial", "-days", "30", "-extfile", "names")
    openssl(folder, "x509", "-req", "-in", "server.csr", *sign, "-out", "server.crt")


@pytest.fixture
def secured(tmp_path: Path, mosquitto_here: None) -> Iterator[tuple[int, Path]]:
    """A TLS listener of a broker that is called localhost."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is needed")
    make_authority(tmp_path, "localhost")
    port = free_port()
    files = f"cafile {tmp_path}/ca.crt\ncertfile {tmp_path}/server.crt\nkeyfile {tmp_path}/server.key"
    running = Mosquitto(tmp_path, listener=f"listener {port}\n{files}")
    running.start()
    yield port, tmp_path
    running.stop()


def test_tls_with_the_shops_own_authority(secured: tuple[int, Path], linked: Linked) -> None:
    port, folder = secured
    assert isinstance(happens(linked(Broker("localhost", port, "node-1", ca_file=str(folder / "ca.crt"))), Up), Up)


def test_a_broker_of_another_name_or_authority_is_not_believed(secured: tuple[int, Path], linked: Linked) -> None:
    port, folder = secured
    by_number = linked(Broker("127.0.0.1", port, "node-1", ca_file=str(folder / "ca.crt")))
    assert "certificate" in happens(by_number, Down).why
    other = folder / "other"
    other.mkdir()
    make_authority(other, "localhost")
    stranger = linked(Broker("localhost", port, "node-2", ca_file=str(other / "ca.crt")), "node-2")
    assert "certificate" in happens(stranger, Down).why


def test_a_certificate_file_that_is_none(tmp_path: Path) -> None:
    (tmp_path / "ca.crt").write_text("no certificate\n")
    with pytest.raises(SetupError, match="give PEM files"):
        Link(here(1, ca_file=str(tmp_path / "ca.crt")), "shop", "node-1", GONE)


# ---- the commands' short talk ----------------------------------------------------------------------------------------


def test_a_short_talk(broker: Mosquitto, ear: Ear) -> None:
    ear.say("drymon/shop/out/service", {"state": "online"}, retain=True)
    with Talk(here(broker.port)) as talk:
        assert talk.kept("drymon/shop/out/service") == b'{"state": "online"}'
        assert talk.kept("drymon/shop/out/other", 0.2) is None
        assert talk.say(READING) is None
    assert until(lambda: ear.last(READING.topic) == {"value": 21.5})


def test_a_talk_says_why_a_message_is_not_handed_on(broker: Mosquitto, guarded: tuple[Mosquitto, Path]) -> None:
    with Talk(here(broker.port)) as talk:
        assert "nobody listens to drymon/shop/rack-a/temperature" in str(talk.say(READING))
    keeper, folder = guarded
    with Talk(here(keeper.port, password_file=str(folder / "broker.password"))) as talk:
        assert "Not authorized" in str(talk.say(Message("drymon/shop/log/dip", b"{}")))


def test_a_talk_with_nobody(guarded: tuple[Mosquitto, Path]) -> None:
    with pytest.raises(BrokerError, match="cannot be reached"), Talk(here(free_port())):
        pass
    broker, _ = guarded
    with pytest.raises(BrokerError, match="refuses us: Not authorized"), Talk(here(broker.port)):
        pass
