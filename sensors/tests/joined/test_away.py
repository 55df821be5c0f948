"""A real broker and the real service, away for an hour of readings, killed in between: all arrive, in order, once."""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import Mosquitto, until
from drymon.store.store import Store

from drymon_sensors.config import Config, parse
from drymon_sensors.node import Node
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.kernel import Kernel
from drymon_sensors.trial import KernelTree, TrialClock

from .conftest import Serving, make_home

SENSORS = [("rack-a", "temperature"), ("rack-a", "humidity"), ("rack-b", "temperature"), ("rack-b", "humidity")]
CHIPS = {"rack-a": "1-0044", "rack-b": "1-0045"}
FILES = {"temperature": "temp1_input", "humidity": "humidity1_input"}
BEGIN = {"temperature": 20, "humidity": 40}
EVERY_S = 10.0
HOUR_S = 3600.0


class CountingKernel(Kernel):
    """Two chips whose numbers go up by a thousandth with every look: each reading can be told from all others."""

    def __init__(self, folder: Path) -> None:
        tree = KernelTree(str(folder / "sys"))
        super().__init__(tree.root)
        for number, at in enumerate(CHIPS.values()):
            tree.hwmon(number, at, "sht3x", {"temp1_input": "0", "humidity1_input": "0"})
        self.looks = dict.fromkeys(SENSORS, 0)

    def content(self, path: str) -> bytes:
        name = os.path.basename(path)
        for place, quantity in SENSORS:
            if name == FILES[quantity] and f"/{CHIPS[place]}/" in path:
                self.looks[place, quantity] += 1
                return b"%d\n" % (BEGIN[quantity] * 1000 + self.looks[place, quantity])
        return super().content(path)


def config(folder: Path, port: int, machine: Machine) -> Config:
    sensors: list[dict[str, Any]] = [
        {"place": place, "quantity": quantity, "kind": "hwmon", "at": CHIPS[place], "samples": 1}
        for place, quantity in SENSORS
    ]
    node = {"device": "node-1", "state": "state", "clock_kept": True}
    return parse({"node": node, "broker": {"host": "127.0.0.1", "port": port}, "sensor": sensors}, str(folder), machine)


class Trial:
    """A node on a clock of the test's own, that has just had its hour."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port, self.kernel = folder, port, CountingKernel(folder)
        self.clock = TrialClock(wall=time.time() - 2.0 * HOUR_S)
        self.machine = Machine(self.kernel, self.clock)
        self.node = self._start()

    def _start(self) -> Node:
        node = Node(config(self.folder, self.port, self.machine), self.clock, "s1")
        node.link.start()
        return node

    @property
    def taken(self) -> int:
        """Readings so far."""
        return sum(self.kernel.looks.values())

    def live(self, seconds: float, wait_s: float = 0.0) -> None:
        """Let the trial's time pass, a reading of each sensor every ten seconds."""
        for _ in range(int(seconds / EVERY_S)):
            self.node.turn(self.node.link.wait(wait_s))
            self.clock.sleep(EVERY_S)

    def die_and_start_again(self) -> None:
        """The program is gone; a new one finds the folder."""
        self.node.close()
        self.node = self._start()

    def handed_over(self, within_s: float = 120.0) -> bool:
        """Real time for the real broker and service, while little of the trial's passes."""

        def look() -> bool:
            self.clock.sleep(0.05)
            self.node.turn(self.node.link.wait(0.02))
            return self.node.ring.waiting == 0

        return until(look, within_s)


@pytest.fixture
def trial(tmp_path: Path, broker: Mosquitto) -> Iterator[Trial]:
    made = Trial(tmp_path, broker.port)
    yield made
    made.node.close()


def stored(home: Path) -> dict[tuple[str, str], list[float]]:
    """What is on the service's disk, in the order of arrival."""
    found: dict[tuple[str, str], list[float]] = {sensor: [] for sensor in SENSORS}
    with Store.open(home / "drymon.db", readonly=True) as store:
        for reading in store.readings():
            found[reading.place, reading.quantity.value].append(reading.value)
    return found


def expected(trial: Trial) -> dict[tuple[str, str], list[float]]:
    return {
        sensor: [round(BEGIN[sensor[1]] + n / 1000.0, 3) for n in range(1, looks + 1)]
        for sensor, looks in trial.kernel.looks.items()
    }


def timed_as_taken(home: Path) -> bool:
    """Ten seconds apart, and as long ago as they were taken: not when they arrived."""
    with Store.open(home / "drymon.db", readonly=True) as store:
        times = sorted(r.time.timestamp() for r in store.readings() if (r.place, r.quantity.value) == SENSORS[0])
    return all(9.5 < later - earlier < 21.0 for earlier, later in zip(times, times[1:]))


@pytest.mark.timeout(300)
def test_an_hour_without_broker_and_service_all_arrive_in_order_once(
    trial: Trial, broker: Mosquitto, tmp_path: Path, serving: Callable[[Path], Serving]
) -> None:
    broker.stop()
    trial.live(HOUR_S)
    assert trial.node.ring.waiting == trial.taken == 1440
    broker.start()
    home = make_home(tmp_path / "home", broker.port)
    service = serving(home)
    assert trial.handed_over()
    service.end()
    assert stored(home) == expected(trial)
    assert timed_as_taken(home)
    assert trial.node.status()["dropped"] == 0


@pytest.mark.timeout(300)
def test_an_hour_with_the_broker_there_and_the_service_away(
    trial: Trial, broker: Mosquitto, tmp_path: Path, serving: Callable[[Path], Serving]
) -> None:
    """The broker knows nobody who would want them, or keeps some for a session: once is once all the same."""
    home = make_home(tmp_path / "home", broker.port)
    first = serving(home)
    trial.live(300.0, 0.02)
    assert trial.handed_over()
    first.kill()
    trial.live(HOUR_S, 0.002)
    second = serving(home)
    assert trial.handed_over()
    second.end()
    assert stored(home) == expected(trial)


@pytest.mark.timeout(300)
def test_node_broker_and_service_dying_in_turn_lose_nothing(
    trial: Trial, broker: Mosquitto, tmp_path: Path, serving: Callable[[Path], Serving]
) -> None:
    import signal

    home = make_home(tmp_path / "home", broker.port)
    service = serving(home)
    moments = random.Random(5)
    for turn in range(9):
        trial.live(moments.uniform(200.0, 500.0), 0.01)
        if turn % 3 == 0:
            trial.die_and_start_again()
        elif turn % 3 == 1:
            broker.stop(signal.SIGKILL)  # what it had answered for and not saved is gone
            trial.live(200.0, 0.01)
            broker.start()
        else:
            service.kill()
            service = serving(home)
    assert trial.handed_over(180.0)
    service.end()
    found = stored(home)
    for sensor, values in expected(trial).items():
        assert sorted(found[sensor]) == values, sensor
    assert trial.node.status()["dropped"] == 0
