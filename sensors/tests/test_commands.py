"""The commands as a person types them."""

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
from conftest import Mosquitto, free_port, until
from test_link import Ear

from drymon_sensors.cli.main import COMMANDS, build_parser, main
from drymon_sensors.config import load
from drymon_sensors.offers import offers
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.kernel import Kernel
from drymon_sensors.trial import KernelTree, drying_room

HEAD = '[node]\ndevice = "node-1"\nstate = "state"\n[broker]\nhost = "127.0.0.1"\nport = {port}\n'
AIR = '[[sensor]]\nplace = "room"\nquantity = "humidity"\nkind = "hwmon"\nchip = "sht4x"\n'


@pytest.fixture
def sys_tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> KernelTree:
    tree = drying_room(str(tmp_path / "sys"))
    monkeypatch.setenv("DRYMON_SENSORS_SYS", tree.root)
    return tree


def configured(tmp_path: Path, port: int, text: str = AIR) -> str:
    path = tmp_path / "sensors.toml"
    path.write_text(HEAD.format(port=port) + text, encoding="utf-8")
    return str(path)


# ---- find ------------------------------------------------------------------------------------------------------------


def test_find_lists_what_is_there_and_writes_a_file_that_works(
    sys_tree: KernelTree, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(tmp_path / "new.toml")
    assert main(["find", "--write", path, "--device", "node-7", "--room", "north", "--host", "drymon.local"]) == 0
    said = capsys.readouterr().out
    assert "hwmon sht4x at 1-0044: temperature 21.48 Cel, humidity 52.06 %RH" in said
    assert "hwmon cpu_thermal at thermal_zone0: this computer's own, left out" in said
    config = load(path, Machine(Kernel(sys_tree.root)))
    assert (config.device, config.room, config.broker.host) == ("node-7", "north", "drymon.local")
    assert [sensor.tail for sensor in config.sensors] == ["room/temperature", "room/humidity"]
    assert [sensor.source.read() for sensor in config.sensors] == [21.48, 52.06]


def test_find_never_writes_over_a_file(
    sys_tree: KernelTree, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("mine")
    assert main(["find", "--write", str(path)]) == 2
    assert "never written over" in capsys.readouterr().err
    assert path.read_text() == "mine"


def test_find_in_a_bare_computer_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["find", "--sys", str(tmp_path / "nothing")]) == 1
    assert "nothing found: is the sensor wired" in capsys.readouterr().out


def test_find_knows_every_kind_of_device(tmp_path: Path) -> None:
    tree = KernelTree(str(tmp_path / "sys"))
    tree.iio(0, "1-0076", "bme280", {"in_temp_input": "21500", "in_humidityrelative_input": "52000"})
    tree.iio(1, "weight", "hx711", {"in_voltage0_raw": "8421345", "in_voltage_scale": "0.000002327"})
    tree.iio(2, "1-0048", "ads1115", {"in_voltage0_raw": "1200", "in_voltage0_scale": "0.125"})
    tree.counter(0, "pulses", "pulses", {"count0/count": "7", "count0/enable": "0"})
    tree.onewire("28-0316a2795eff", "57 01 4b 46 7f ff 0c 10 e7 : crc=e7 YES\n57 01 4b 46 7f ff 0c 10 e7 t=21437")
    tree.hwmon(3, "28-0316a2795eff", "w1_slave_temp", {"temp1_input": "21437"}, "devices/w1_bus_master1")
    (tmp_path / "by-id").mkdir()
    (tmp_path / "by-id" / "usb-scale-0001").touch()
    found = {offer.found: offer for offer in offers(Machine(Kernel(tree.root)), str(tmp_path / "by-id"))}
    assert list(found) == [
        "iio bme280 at 1-0076: temperature 21.5 Cel, humidity 52 %RH",
        "iio hx711 at weight: voltage0 raw 8421345",
        "iio ads1115 at 1-0048: voltage0 raw 1200",
        "counter pulses at pulses: count0 7, not counting: write 1 to count0/enable",
        "1-wire 28-0316a2795eff: temperature 21.437 Cel",
        f"serial {tmp_path}/by-id/usb-scale-0001",
    ], "a 1-wire thermometer is offered once, though hwmon has it too"


def test_find_leaves_what_needs_a_persons_numbers_commented_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tree = KernelTree(str(tmp_path / "sys"))
    tree.iio(1, "weight", "hx711", {"in_voltage0_raw": "8421345", "in_voltage_scale": "0.000002327"})
    tree.counter(0, "pulses", "pulses", {"count0/count": "7"})
    path = tmp_path / "new.toml"
    assert main(["find", "--sys", tree.root, "--write", str(path)]) == 0
    assert load(str(path)).sensors == ()
    text = path.read_text()
    assert '# kind = "bridge"' in text
    head, tables = text.split("# iio hx711")
    lines = [line[2:] for line in tables.splitlines() if line.startswith("# ") and ("=" in line or "[[" in line)]
    path.write_text(head + "\n".join(lines).replace("slope = 0.0", "slope = 0.5"))
    assert [sensor.tail for sensor in load(str(path)).sensors] == ["rack-a/weight/cell-1", "room/airflow/anemometer-1"]


# ---- show ------------------------------------------------------------------------------------------------------------


def test_show_tells_values_and_what_they_are_made_of(
    sys_tree: KernelTree, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["show", "--once", "--config", configured(tmp_path, 1)]) == 0
    assert capsys.readouterr().out == "room/humidity  52.06 %RH  (humidity1_input 52060)\n"


def test_show_tells_what_is_wrong(sys_tree: KernelTree, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sys_tree.remove("class/hwmon/hwmon1")
    assert main(["show", "--once", "--config", configured(tmp_path, 1)]) == 1
    assert "sht4x: not found" in capsys.readouterr().out


def test_show_waits_a_moment_for_a_counter(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tree = KernelTree(str(tmp_path / "sys"))
    tree.counter(0, "pulses", "pulses", {"count0/count": "7"})
    text = '[[sensor]]\nplace = "room"\nquantity = "airflow"\nkind = "counter"\nchip = "pulses"\nslope = 0.5\n'
    words = ["show", "--once", "--every", "0.2", "--sys", tree.root, "--config", configured(tmp_path, 1, text)]
    assert main(words) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "room/airflow  0 m/s  (count0/count 7)"


def test_show_of_a_sensor_that_is_not_there(
    sys_tree: KernelTree, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["show", "room/humidty", "--once", "--config", configured(tmp_path, 1)]) == 2
    assert "received room/humidty; in the configuration are room/humidity" in capsys.readouterr().err


# ---- check -----------------------------------------------------------------------------------------------------------


def test_check_of_a_sound_node(
    sys_tree: KernelTree, tmp_path: Path, broker: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    ear = Ear(broker.port)
    ear.say("drymon/shop/out/service", {"state": "online", "time": "2031-03-02T06:40:00Z"}, retain=True)
    told = {"state": "online", "waiting": 0, "dropped": 0, "damaged": 0}
    ear.say("workshop/node-1/status", told, retain=True)
    assert main(["check", "--config", configured(tmp_path, broker.port)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "ok     sensor         room/humidity: 52.06 %RH" in lines
    assert f"ok     broker         127.0.0.1:{broker.port} answers and lets us in" in lines
    assert "ok     drymon         online" in lines
    assert "ok     node           running: 0 waiting, 0 dropped, 0 damaged" in lines
    ear.close()


def test_check_says_what_is_wrong_and_what_to_do(
    sys_tree: KernelTree, tmp_path: Path, broker: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    sys_tree.remove("class/hwmon/hwmon1")
    ear = Ear(broker.port)
    ear.say("drymon/shop/out/service", {"state": "offline", "time": "2031-03-02T06:40:00Z"}, retain=True)
    ear.say("workshop/node-1/status", {"state": "online", "trouble": "Not authorized", "waiting": 9}, retain=True)
    password = tmp_path / "open.password"
    password.write_text("secret\n")
    password.chmod(0o644)
    text = AIR.replace("[[sensor]]", 'password_file = "open.password"\n[[sensor]]')
    assert main(["check", "--config", configured(tmp_path, broker.port, text)]) == 1
    said = capsys.readouterr().out
    assert "wrong  sensor         room/humidity: sht4x: not found" in said
    assert "look   password       " in said
    assert "sudo chmod o= " in said
    assert "look   drymon         offline: readings wait here" in said
    assert "wrong  node           Not authorized (9 waiting" in said
    ear.close()


def test_check_without_a_broker(sys_tree: KernelTree, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--config", configured(tmp_path, free_port())]) == 1
    assert "cannot be reached" in capsys.readouterr().out


def test_check_of_a_value_that_is_not_plausible(
    sys_tree: KernelTree, tmp_path: Path, broker: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    text = AIR + "plausible = [60, 90]\n"
    assert main(["check", "--config", configured(tmp_path, broker.port, text)]) == 1
    assert "room/humidity: 52.06 %RH; plausible are 60 to 90: humidity1_input 52060" in capsys.readouterr().out


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
