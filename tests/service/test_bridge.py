"""A room's own broker tied to the foundry's by docs/install/bridge.conf, with drymon serving behind the foundry's."""

import json
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from drymon.drying.quantities import Quantity
from drymon.messages.config import load_home
from drymon.store import Store
from tests.service.conftest import Ear, Mosquitto, Serving, make_home, until

CONF = Path(__file__).resolve().parents[2] / "docs" / "install" / "bridge.conf"
if not CONF.is_file():
    pytest.skip("the documents live in the checkout only", allow_module_level=True)


@pytest.fixture
def room_broker(broker: Mosquitto, tmp_path: Path) -> Iterator[Mosquitto]:
    """The room's broker; `broker` is the foundry's."""
    lines = CONF.read_text().replace("foundry.local:1883", f"127.0.0.1:{broker.port}").replace("north", "shop")
    bridge = "\n".join(
        line for line in lines.splitlines() if not line.startswith(("remote_username", "remote_password"))
    )
    folder = tmp_path / "room-broker"
    folder.mkdir()
    running = Mosquitto(folder, extra=f"allow_anonymous true\n{bridge}")
    running.start()
    yield running
    running.stop()


def reading(number: int) -> tuple[str, float]:
    """When, and a value that no other has."""
    at = datetime.now(UTC) - timedelta(seconds=120 - number)
    return at.isoformat(timespec="milliseconds"), 21.0 + number / 100.0


def values(home: Path) -> Counter[float]:
    with Store.open(load_home(home).database, readonly=True) as store:
        return Counter(round(each.value, 2) for each in store.readings() if each.quantity is Quantity.TEMPERATURE)


def test_the_rooms_words_get_there_and_drymons_come_back_also_after_the_line_was_cut(
    broker: Mosquitto, room_broker: Mosquitto, serving: Callable[[Path], Serving], tmp_path: Path
) -> None:
    home = make_home(tmp_path / "home", broker.port)
    serving(home)
    room = Ear(room_broker.port, "drymon/shop/out/#")
    assert until(lambda: b"online" in (room.last("drymon/shop/out/service") or b""), 30), "what drymon says comes back"
    room.say("drymon/shop/log/dip", json.dumps({"tree": "t-1", "coat": "prime", "rack": "rack-a"}))
    assert until(lambda: room.last("drymon/shop/out/tree/t-1") is not None, 30), "a dip is judged"
    told = [reading(number) for number in range(60)]
    for at, value in told[:20]:
        room.say("drymon/shop/rack-a/temperature", json.dumps({"value": value, "time": at}))
    assert until(lambda: values(home).total() >= 20, 30)
    broker.stop()
    for at, value in told[20:]:
        room.say("drymon/shop/rack-a/temperature", json.dumps({"value": value, "time": at}))
    broker.start()
    assert until(lambda: values(home).total() >= 60, 60), "what was said meanwhile arrives"
    room.say("drymon/shop/log/weigh", json.dumps({"tree": "t-1", "mass": 3.2, "unit": "kg"}))
    assert until(lambda: any(b"weigh" in bytes(m.payload) for m in room.heard), 30), "the line stands again both ways"
    assert values(home) == Counter(round(value, 2) for _, value in told), "each once"
    room.close()


def test_every_quantity_of_a_room_crosses_and_nothing_of_another(broker: Mosquitto, room_broker: Mosquitto) -> None:
    there, here = Ear(broker.port, "#"), Ear(room_broker.port, "#")
    topics = [f"drymon/shop/rack-a/{quantity.value}" for quantity in Quantity]
    topics += ["drymon/shop/rack-a/temperature/low", "drymon/shop/rack-a/senml", "workshop/thermo3"]
    for topic in topics:
        assert until(partial(_said, here, there, topic), 20), topic
    here.say("drymon/other/rack-a/temperature", "21")
    there.say("drymon/shop/out/rack/rack-a", "{}")
    there.say("drymon/other/out/rack/rack-a", "{}")
    here.say("drymon/shop/rack-b/temperature", "22")
    assert until(lambda: there.last("drymon/shop/rack-b/temperature") == b"22", 20)
    assert until(lambda: here.last("drymon/shop/out/rack/rack-a") == b"{}", 20)
    assert there.last("drymon/other/rack-a/temperature") is None
    assert here.last("drymon/other/out/rack/rack-a") is None
    assert [m.topic for m in there.heard].count("drymon/shop/out/rack/rack-a") == 1, "no circle"
    for each in (there, here):
        each.close()


def _said(here: Ear, there: Ear, topic: str) -> bool:
    """Say it until the line stands."""
    here.say(topic, "21")
    return there.last(topic) == b"21"
