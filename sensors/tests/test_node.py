"""The whole node on a clock of the test's own, with a real broker and a service played by the test."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import Mosquitto, StumblingKernel, until
from test_link import Ear

from drymon_sensors.buffer import ring as ring_module
from drymon_sensors.config import Config, parse
from drymon_sensors.node import Node
from drymon_sensors.sources.base import Machine
from drymon_sensors.trial import KernelTree, TrialClock, drying_room

TEMPERATURE, HUMIDITY = "drymon/shop/rack-a/temperature", "drymon/shop/rack-a/humidity"
STATUS = "workshop/node-1/status"


class Service:
    """What the real one does for a node: says that it is there, and confirms what it has seen without a hole."""

    def __init__(self, ear: Ear) -> None:
        self.ear, self.looked = ear, 0
        self.seen: dict[tuple[str, int], dict[str, Any]] = {}

    def confirm(self) -> None:
        last: dict[str, int] = {}
        for message in self.ear.heard[self.looked :]:
            self.looked += 1
            content = json.loads(message.payload) if message.topic.startswith("drymon/shop/rack-") else {}
            if "seq" in content:
                self.seen.setdefault((content["boot"], content["seq"]), content)
                last[content["boot"]] = content["seq"]
        for boot, seq in last.items():
            self.ear.say("drymon/shop/out/received/node-1", {"boot": boot, "seq": seq}, retain=True)

    def online(self, time: str) -> None:
        self.ear.say("drymon/shop/out/service", {"state": "online", "time": time}, retain=True)


def config(folder: Path, port: int, machine: Machine, **node: Any) -> Config:
    def sensor(quantity: str) -> dict[str, Any]:
        return {"place": "rack-a", "quantity": quantity, "kind": "hwmon", "chip": "sht4x"}

    data = {
        "node": {"device": "node-1", "state": "state", **node},
        "broker": {"host": "127.0.0.1", "port": port},
        "sensor": [sensor("temperature"), sensor("humidity")],
    }
    return parse(data, str(folder), machine)


Noded = Callable[..., Node]


@pytest.fixture
def noded(tmp_path: Path) -> Iterator[Noded]:
    made: list[Node] = []

    def make(port: int, machine: Machine, session: str = "s1", **node: Any) -> Node:
        made.append(Node(config(tmp_path, port, machine, **node), machine.clock, session))
        made[-1].link.start()
        return made[-1]

    yield make
    for node in made:
        node.close()


@pytest.fixture
def machine(tmp_path: Path, clock: TrialClock) -> Machine:
    tree = drying_room(str(tmp_path / "sys"))
    return Machine(StumblingKernel(tree.root), clock)


@pytest.fixture
def ear(broker: Mosquitto) -> Iterator[Ear]:
    listening = Ear(broker.port)
    yield listening
    listening.close()


def pass_time(node: Node, clock: TrialClock, seconds: float, service: Service | None = None) -> None:
    """Let the trial's time pass in steps of a second, with the real broker answering in between."""
    for _ in range(int(seconds)):
        clock.sleep(1.0)
        node.turn(node.link.wait(0.005))
        if service is not None:
            service.confirm()


def soon(node: Node, true: Callable[[], object]) -> bool:
    """What real time brings, while the trial's time stands still."""

    def look() -> object:
        node.turn(node.link.wait(0.01))
        return true()

    return until(look)


def test_readings_arrive_numbered_and_timed(broker: Mosquitto, ear: Ear, noded: Noded, machine: Machine) -> None:
    clock = machine.clock
    assert isinstance(clock, TrialClock)
    node, service = noded(broker.port, machine), Service(ear)
    assert soon(node, lambda: node.link.up)
    pass_time(node, clock, 60, service)
    assert soon(node, lambda: (service.confirm(), node.ring.waiting == 0)[1])
    said = sorted(service.seen.values(), key=lambda content: content["seq"])
    assert [content["seq"] for content in said] == list(range(1, len(said) + 1))
    assert len(said) == 12, "two sensors every ten seconds"
    assert {content["device"] for content in said} == {"node-1"}
    assert {content["value"] for content in said} == {21.48, 52.06}
    assert said[0]["time"].startswith("2031-03-02T06:40:0")


def test_what_a_sensor_does_not_say_is_not_sent_and_the_status_says_why(
    broker: Mosquitto, ear: Ear, noded: Noded, machine: Machine
) -> None:
    clock, kernel = machine.clock, machine.kernel
    assert isinstance(clock, TrialClock)
    assert isinstance(kernel, StumblingKernel)
    node, service = noded(broker.port, machine), Service(ear)
    assert soon(node, lambda: node.link.up)
    kernel.fails["humidity1_input"] = (errno.EIO, -1)
    pass_time(node, clock, 40, service)
    assert soon(node, lambda: (ear.last(STATUS) or {}).get("sensors", {}).get("rack-a/humidity"))
    told = ear.last(STATUS)["sensors"]
    assert told["rack-a/temperature"] == {"state": "ok", "value": 21.48}
    assert told["rack-a/humidity"]["state"] == "error"
    assert "EIO, the sensor does not answer" in told["rack-a/humidity"]["why"]
    assert not [message for message in ear.heard if message.topic == HUMIDITY]
    kernel.fails.clear()
    pass_time(node, clock, 40, service)
    assert soon(node, lambda: ear.last(STATUS)["sensors"]["rack-a/humidity"] == {"state": "ok", "value": 52.06})


def test_the_status_has_what_a_person_needs(broker: Mosquitto, ear: Ear, noded: Noded, machine: Machine) -> None:
    clock = machine.clock
    assert isinstance(clock, TrialClock)
    node = noded(broker.port, machine)
    assert soon(node, lambda: node.link.up)
    pass_time(node, clock, 130)
    assert soon(node, lambda: (ear.last(STATUS) or {}).get("uptime_s", 0) >= 60)
    told = ear.last(STATUS)
    assert told["state"] == "online"
    assert told["clock"] == "kept"
    assert told["waiting"] > 0
    assert (told["dropped"], told["damaged"], told["undated"]) == (0, 0, 0)
    assert told["time"].startswith("2031-03-02T06:4")
    assert [message.retain for message in ear.heard if message.topic == STATUS][-1] is False, "as it is said"


def test_a_node_without_a_clock_gets_its_time_from_the_service(
    broker: Mosquitto, ear: Ear, noded: Noded, machine: Machine
) -> None:
    clock = machine.clock
    assert isinstance(clock, TrialClock)
    clock.kept, clock.wall_s = False, 1_600_000_000.0
    broker.stop()
    node = noded(broker.port, machine)
    pass_time(node, clock, 600)
    assert node.ring.waiting == 120
    broker.start()
    again = Ear(broker.port)
    service = Service(again)
    assert soon(node, lambda: node.link.up)
    pass_time(node, clock, 20, service)
    assert not service.seen, "old readings wait until somebody tells the time"
    service.online("2031-03-02T06:40:00Z")
    assert soon(node, lambda: (pass_time(node, clock, 1, service), node.ring.waiting < 5)[1])
    first = service.seen[min(service.seen)]
    assert first["time"].startswith("2031-03-02T06:2"), "ten minutes and some before it was told"
    assert node.status()["clock"] == "from-service"
    again.close()


def test_a_word_that_the_broker_kept_from_before_tells_no_time(
    broker: Mosquitto, ear: Ear, noded: Noded, machine: Machine
) -> None:
    """A retained word may be of last week: it says whether the service was there, not what time it is."""
    clock = machine.clock
    assert isinstance(clock, TrialClock)
    clock.kept = False
    Service(ear).online("2031-03-02T06:40:00Z")
    node = noded(broker.port, machine)
    assert soon(node, lambda: node.link.up)
    pass_time(node, clock, 20)
    assert node.status()["clock"] == "not-set"
    Service(ear).online("2031-03-02T06:41:00Z")
    assert soon(node, lambda: node.status()["clock"] == "from-service")


def test_a_full_buffer_is_told(
    broker: Mosquitto, ear: Ear, machine: Machine, tmp_path: Path, noded: Noded, caplog: pytest.LogCaptureFixture
) -> None:
    clock = machine.clock
    assert isinstance(clock, TrialClock)
    setup = config(tmp_path, broker.port, machine)
    small = Config(**{**vars(setup), "buffer": type(setup.buffer)(0.04, 30.0), "state": str(tmp_path / "small")})
    node = Node(small, clock, "s1")
    for _ in range(3000):
        clock.sleep(3.4)
        node.turn()
    assert node.status()["dropped"] > 0
    assert "the buffer is full: the oldest readings were dropped" in caplog.text
    node.close()


def test_a_disk_that_takes_nothing_is_told_and_readings_are_held_meanwhile(
    broker: Mosquitto, ear: Ear, noded: Noded, machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = machine.clock
    assert isinstance(clock, TrialClock)
    node = noded(broker.port, machine)
    pass_time(node, clock, 20)
    kept = node.ring.waiting

    def full(_: int, __: bytes) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(ring_module.os, "write", full)
    pass_time(node, clock, 60)
    assert node.ring.waiting == kept
    assert "No space left on device" in node.status()["trouble"]
    monkeypatch.undo()
    pass_time(node, clock, 20)
    assert node.ring.waiting == kept + 16
    assert "trouble" not in node.status()


def test_the_disk_is_synced_now_and_then_and_not_for_every_reading(
    broker: Mosquitto, noded: Noded, machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At most 30 s of readings can be lost with the power, and a card is not worn by every one of them."""
    clock = machine.clock
    assert isinstance(clock, TrialClock)
    syncs: list[float] = []
    real = os.fdatasync

    def noted(handle: int) -> None:
        syncs.append(clock.monotonic())
        real(handle)

    monkeypatch.setattr(ring_module.os, "fdatasync", noted)
    node = noded(broker.port, machine)
    pass_time(node, clock, 600)
    assert 18 <= len(syncs) <= 21
    assert max(later - earlier for earlier, later in zip(syncs, syncs[1:])) <= 31.0


def test_a_sensor_that_is_plugged_in_anew_under_another_number_goes_on(
    broker: Mosquitto, ear: Ear, noded: Noded, machine: Machine, tmp_path: Path
) -> None:
    clock = machine.clock
    assert isinstance(clock, TrialClock)
    node, service = noded(broker.port, machine), Service(ear)
    assert soon(node, lambda: node.link.up)
    pass_time(node, clock, 20, service)
    tree = KernelTree(machine.kernel.root)
    tree.remove("class/hwmon/hwmon1")
    pass_time(node, clock, 20, service)
    assert "not found" in node.status()["sensors"]["rack-a/temperature"]["why"]
    tree.hwmon(7, "1-0044", "sht4x", {"temp1_input": "23000", "humidity1_input": "60000"})
    pass_time(node, clock, 20, service)
    assert soon(node, lambda: (service.confirm(), 23.0 in {said["value"] for said in service.seen.values()})[1])
