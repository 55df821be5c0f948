"""The same commands beside a running service, and just after it has stopped."""

import json
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from drymon.cli.door import ask_service
from drymon.cli.main import main
from drymon.drying.quantities import Quantity
from drymon.errors import SetupError
from drymon.shop.facts.reading import Reading
from drymon.store import Store
from tests import processes

START_S = 60.0


@pytest.fixture
def service(home: Path) -> Iterator[processes.Process]:
    """`drymon serve` with its embedded broker, up."""
    log = (home / "log.txt").open("wb")
    child = processes.start("serve", "--home", str(home), stderr=log, stdout=log)
    until = time.monotonic() + START_S
    while b"online" not in (home / "log.txt").read_bytes() and time.monotonic() < until and child.poll() is None:
        time.sleep(0.1)
    try:
        yield child
    finally:
        child.kill()
        child.wait(20)
        log.close()


def test_a_sensor_is_calibrated_by_the_running_service(
    home: Path, service: processes.Process, tmp_path: Path, capsys
) -> None:
    room = (home / "room.toml").read_text()
    (home / "room.toml").write_text(room + '[[cell]]\nname = "cell-1"\nrack = "rack-a"\n')
    (tmp_path / "points.csv").write_text("known_kg,reading_kg\n0,0.02\n5,5.07\n10,10.12\n5,5.07\n0,0.02\n")
    assert main(["calibrate", "cell", "cell-1", "--points", str(tmp_path / "points.csv"), "--home", str(home)]) == 0
    assert "kept; readings from now on are corrected; due again" in capsys.readouterr().out
    with Store.open(home / "drymon.db", readonly=True) as store:
        (kept,) = store.calibrations("cell-1")
    assert kept.document["points"][1] == {"known_kg": "5", "reading_kg": "5.07"}
    assert main(["calibrate", "undo", "cell-1", "--home", str(home)]) == 0
    assert "is taken back; its readings are taken as they come" in capsys.readouterr().out
    with Store.open(home / "drymon.db", readonly=True) as store:
        assert store.calibrations("cell-1") == []
    with pytest.raises(SetupError, match="cell-1 has no calibration to take back"):
        ask_service(home, "/control/calibration", {"act": "take-back", "sensor": "cell-1", "kind": "cell"})


def test_a_run_is_left_out_by_the_running_service(home: Path, service: processes.Process, capsys) -> None:
    """Through its door, as `drymon runs` does; the loop writes."""
    wanted = {"act": "leave-out", "run": "t-1.1.20310303T0700", "reason": "bumped", "by": "Ana"}
    assert ask_service(home, "/control/run", wanted) == "t-1.1.20310303T0700 is left out of fits: bumped"
    with pytest.raises(SetupError, match="received 'lose' of 't-1'"):
        ask_service(home, "/control/run", {"act": "lose", "run": "t-1"})
    with Store.open(home / "drymon.db", readonly=True) as store:
        assert [(one.run, one.reason, one.by) for one in store.runs_left_out().values()] == [
            ("t-1.1.20310303T0700", "bumped", "Ana")
        ]


def status(home: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    capsys.readouterr()
    assert main(["status", "--json", "--home", str(home)]) == 0
    return json.loads(capsys.readouterr().out)


def test_status_follows_the_service(home: Path, service: processes.Process, tmp_path: Path, capsys) -> None:
    assert main(["dip", "t-1", "backup", "--rack", "rack-a", "--home", str(home)]) == 0
    until = time.monotonic() + 10
    while not (now := status(home, capsys))["trees"] and time.monotonic() < until:
        time.sleep(0.2)
    assert now["service"] == "online"
    assert [(tree["tree"], tree["number"]) for tree in now["trees"]] == [("t-1", 1)]
    assert "not running" not in now["trees"][0]["reasons"][0]["text"]

    assert main(["check", "--home", str(home)]) == 0
    assert "ok     service" in capsys.readouterr().out
    assert main(["backup", str(tmp_path / "backup"), "--home", str(home)]) == 0
    assert main(["restore", str(tmp_path / "backup"), "--home", str(home)]) == 1
    assert "in use by another drymon" in capsys.readouterr().err

    service.send_signal(signal.SIGTERM)
    service.wait(20)
    down = status(home, capsys)
    assert down["service"] == "offline"
    assert (down["trees"][0]["state"], down["trees"][0]["safe_to_redip"]) == ("unknown", False)
    assert "the service is not running" in down["trees"][0]["reasons"][0]["text"]


def test_a_spot_reading_is_on_record_as_a_surface_reading_of_its_tree(
    home: Path, service: processes.Process, capsys
) -> None:
    assert main(["spot", "t-1", "66.2F", "--rack", "rack-a", "--home", str(home)]) == 0
    assert "t-1: surface 19.0 °C, sent to" in capsys.readouterr().out
    until = time.monotonic() + 10.0
    found: list[Reading] = []
    while not found and time.monotonic() < until:
        time.sleep(0.1)
        with Store.open(home / "drymon.db", readonly=True) as store:
            found = [one for one in store.readings() if one.quantity is Quantity.SURFACE]
    assert [(one.place, one.sensor, one.value) for one in found] == [("rack-a", "t-1", pytest.approx(19.0))]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["no-such-tree", "18.4"], "log its dip first"),
        (["t-1", "warm", "--rack", "rack-a"], "received 'warm'"),
        (["t-1", "18.4", "--rack", "rack-q"], "rack-q"),
    ],
)
def test_a_spot_reading_that_cannot_be_placed_is_refused(home: Path, capsys, words: list[str], told: str) -> None:
    assert main(["spot", *words, "--home", str(home)]) == 2
    assert told in capsys.readouterr().err
