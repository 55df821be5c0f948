"""The commands that find, show and check, as a person types them."""

from __future__ import annotations

from pathlib import Path

import pytest
from conftest import Mosquitto, free_port
from nodes import AIR, configured
from test_link import Ear

from drymon_sensors.cli.main import main
from drymon_sensors.config import load
from drymon_sensors.offers import offers
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.kernel import Kernel
from drymon_sensors.trial import KernelTree

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
