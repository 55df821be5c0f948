"""The commands that weigh, read spots and run, as a person types them."""

from __future__ import annotations

import errno
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import Mosquitto, until
from nodes import AIR, configured
from test_link import Ear

from drymon_sensors.cli.main import COMMANDS, build_parser, main
from drymon_sensors.trial import KernelTree

# ---- weigh and thermometer -------------------------------------------------------------------------------------------


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """What a person types; then the end of the input."""

    def set_up(*lines: str) -> None:
        left = list(lines)

        def typed(prompt: str = "") -> str:
            if not left:
                raise EOFError
            return left.pop(0)

        monkeypatch.setattr("builtins.input", typed)

    return set_up


@pytest.fixture
def ear(broker: Mosquitto) -> Iterator[Ear]:
    listening = Ear(broker.port)
    yield listening
    listening.close()


def weighings(ear: Ear) -> list[dict[str, Any]]:
    return [json.loads(m.payload) for m in ear.heard if m.topic == "drymon/shop/log/weigh"]


def test_typed_weighings_are_published_with_their_digits(
    tmp_path: Path, broker: Mosquitto, ear: Ear, answers: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    answers("512.40 g", "512", "511.95 g", "0 g")
    path = configured(tmp_path, broker.port)
    out = tmp_path / "session.csv"
    assert main(["weigh", "witness-1", "--typed", "--by", "Maria", "--csv", str(out), "--config", path]) == 0
    assert until(lambda: len(weighings(ear)) == 2)
    said = capsys.readouterr()
    assert 'received "512" with no unit' in said.out
    assert "allowed is more than nothing" in said.err
    assert "2 weighings, 0.45 g lost" in said.out
    assert "last digit is 0.01 g" in said.out
    first, second = weighings(ear)
    assert (first["tree"], first["mass"], first["unit"], first["by"]) == ("witness-1", 512.4, "g", "Maria")
    assert first["id"] != second["id"]
    assert next(b'"mass":512.40' in m.payload for m in ear.heard if "weigh" in m.topic)
    assert [line.split(",")[1:] for line in out.read_text().splitlines()[1:]] == [
        ["witness-1", "512.40", "g"],
        ["witness-1", "511.95", "g"],
    ]


def test_weighings_that_reach_no_broker_are_kept_and_sent_first_the_next_time(
    tmp_path: Path, answers: Callable[..., None], mosquitto_here: None, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "broker"
    folder.mkdir()
    broker = Mosquitto(folder)
    path = configured(tmp_path, broker.port)
    answers("3.412 kg")
    assert main(["weigh", "t-7", "--typed", "--config", path]) == 1
    assert "kept here, not sent: the broker" in capsys.readouterr().out
    broker.start()
    listening = Ear(broker.port)
    answers("3.398 kg")
    assert main(["weigh", "t-7", "--typed", "--config", path]) == 0
    assert until(lambda: len(weighings(listening)) == 2)
    assert [said["mass"] for said in weighings(listening)] == [3.412, 3.398]
    listening.close()
    broker.stop()


def test_a_wet_cloth_says_how_fast_it_dries_or_that_it_is_too_early_to_tell(
    tmp_path: Path, broker: Mosquitto, ear: Ear, answers: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    answers("84.3 g", "83.9 g")
    assert main(["weigh", "cloth", "--cloth", "--typed", "--config", configured(tmp_path, broker.port)]) == 0
    said = capsys.readouterr().out
    assert "Wet the cloth" in said
    assert "too little to go by: weigh again after more time (at least 2 g, 10 min)" in said


def test_a_session_on_a_scale(
    tmp_path: Path, broker: Mosquitto, ear: Ear, answers: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("serial")
    from test_serial import Wire

    wire = Wire(tmp_path)
    text = f'[[scale]]\nname = "bench"\nport = "{wire.path}"\n'
    going = threading.Event()

    def talk() -> None:
        while not going.wait(0.05):
            wire.say(b"ST,GS,+  1.1280lb\r\n")

    voice = threading.Thread(target=talk)
    voice.start()
    answers("", "", "q")
    assert main(["weigh", "t-7", "--config", configured(tmp_path, broker.port, text)]) == 0
    going.set()
    voice.join()
    assert until(lambda: len(weighings(ear)) == 2)
    assert {(said["mass"], said["unit"]) for said in weighings(ear)} == {(1.128, "lb")}
    assert "No heavy tree is lifted" in capsys.readouterr().out


def test_which_scale_is_meant(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = configured(tmp_path, 1, "")
    assert main(["weigh", "t-7", "--config", path]) == 2
    assert "none yet: add a [[scale]], or use --typed" in capsys.readouterr().err
    assert main(["weigh", "T 7", "--typed", "--config", path]) == 2
    assert "allowed are 1 to 40" in capsys.readouterr().err


def test_spot_temperatures(
    tmp_path: Path, broker: Mosquitto, ear: Ear, answers: Callable[..., None], capsys: pytest.CaptureFixture[str]
) -> None:
    answers("19.4", "66.9 F", "hot", "400", "18.9 C")
    path = configured(tmp_path, broker.port)
    assert main(["thermometer", "rack-a", "tip", "--typed", "--config", path]) == 0
    topic = "drymon/shop/rack-a/surface/tip"
    assert until(lambda: len([m for m in ear.heard if m.topic == topic]) == 3)
    said = [json.loads(m.payload) for m in ear.heard if m.topic == topic]
    assert [(each["value"], each["unit"]) for each in said] == [(19.4, "Cel"), (66.9, "degF"), (18.9, "Cel")]
    told = capsys.readouterr()
    assert "possible are -60 to 150 Cel" in told.err
    assert "allowed is a number and its unit" in told.out


def test_a_spot_from_a_hand_held_thermometer(tmp_path: Path, broker: Mosquitto, ear: Ear) -> None:
    pytest.importorskip("serial")
    from test_serial import Wire

    wire = Wire(tmp_path)
    text = f'[[thermometer]]\nname = "spot"\nport = "{wire.path}"\n'
    voice = threading.Timer(1.0, lambda: wire.say(b"19.4 C\r\n"))
    voice.start()
    words = ["thermometer", "rack-a", "tip", "--count", "1", "--config", configured(tmp_path, broker.port, text)]
    assert main(words) == 0
    voice.join()
    assert until(lambda: ear.last("drymon/shop/rack-a/surface/tip"))


# ---- run and the rest ------------------------------------------------------------------------------------------------


def test_run_as_a_service_says_ready_and_ends_when_it_is_told_to(
    sys_tree: KernelTree, tmp_path: Path, broker: Mosquitto, ear: Ear
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(20)
        env = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify")}
        text = AIR + "every_s = 1\nsamples = 1\n"
        command = [sys.executable, "-m", "drymon_sensors", "run", "--config", configured(tmp_path, broker.port, text)]
        node = subprocess.Popen(command, env=env, stderr=subprocess.PIPE, text=True)
        assert manager.recv(4096) == b"READY=1"
        assert until(lambda: ear.last("drymon/shop/room/humidity"))
        assert until(lambda: (ear.last("workshop/node-1/status") or {}).get("state") == "online")
        node.send_signal(signal.SIGTERM)
        assert node.wait(10) == 0
        assert ear.last("workshop/node-1/status") == {"state": "offline"}
        assert node.stderr is not None
        log = node.stderr.read()
        node.stderr.close()
    assert "connected to the broker" in log
    assert "Traceback" not in log


def test_run_without_sensors_or_without_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", "--config", configured(tmp_path, 1, "")]) == 2
    assert "no [[sensor]] in the configuration" in capsys.readouterr().err
    assert main(["run", "--config", str(tmp_path / "none")]) == 2


def test_every_command_has_help(capsys: pytest.CaptureFixture[str]) -> None:
    for name in COMMANDS:
        assert main([name, "--help"]) == 0
        assert COMMANDS[name].split(",")[0].split(":")[0].lower() in capsys.readouterr().out.lower().replace("\n", " ")
    assert main(["--version"]) == 0
    assert main([]) == 2
    assert main(["weigh"]) == 2
    assert set(COMMANDS) == {"run", "find", "check", "show", "weigh", "thermometer"}
    assert build_parser("").prog == "drymon-sensors"


def test_ctrl_c_is_no_traceback(tmp_path: Path, sys_tree: KernelTree) -> None:
    command = [sys.executable, "-m", "drymon_sensors", "show", "--config", configured(tmp_path, 1)]
    shown = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, preexec_fn=_hears_ctrl_c
    )
    assert shown.stdout is not None
    assert "52.06" in shown.stdout.readline()
    shown.send_signal(signal.SIGINT)
    _, error = shown.communicate(timeout=10)
    assert (shown.returncode, error) == (130, "drymon-sensors: stopped\n")


def _hears_ctrl_c() -> None:
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a test in the background is born ignoring it


def test_an_error_number_has_a_name() -> None:
    from drymon_sensors.errors import words_of

    assert words_of(OSError(errno.ENOSPC, "No space left on device", "/x")) == "No space left on device"
