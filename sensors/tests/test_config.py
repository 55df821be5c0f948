"""The configuration: what is right is understood, what is wrong is refused with what was received and allowed."""

from __future__ import annotations

from pathlib import Path

import pytest

from drymon_sensors.config import Config, load
from drymon_sensors.errors import SetupError
from drymon_sensors.quantities import QUANTITIES
from drymon_sensors.sources.fake import MEANS

NODE = '[node]\ndevice = "node-1"\n'
SENSOR = '[[sensor]]\nplace = "rack-a"\nquantity = "temperature"\nkind = "hwmon"\nchip = "sht4x"\n'


def loaded(tmp_path: Path, text: str) -> Config:
    (tmp_path / "sensors.toml").write_text(text, encoding="utf-8")
    return load(str(tmp_path / "sensors.toml"))


def refused(tmp_path: Path, text: str) -> str:
    with pytest.raises(SetupError) as why:
        loaded(tmp_path, text)
    return str(why.value)


def test_the_least_that_makes_a_node(tmp_path: Path) -> None:
    config = loaded(tmp_path, NODE + SENSOR)
    assert (config.device, config.room, config.broker.host, config.broker.port) == ("node-1", "shop", "localhost", 1883)
    assert config.broker.username == "node-1", "the broker's user is the node, so that it may hear its receipts"
    (sensor,) = config.sensors
    assert (sensor.tail, sensor.every_s, sensor.samples) == ("rack-a/temperature", 10.0, 3)
    assert sensor.plausible == (-60.0, 150.0)


def test_everything_said(tmp_path: Path) -> None:
    config = loaded(
        tmp_path,
        """
[node]
device = "node-7"
room = "north"
state = "ring"
clock_kept = true
[broker]
host = "drymon.local"
port = 8884
username = "n7"
password_file = "p"
ca_file = "ca.crt"
cert_file = "n7.crt"
key_file = "n7.key"
mqtt = 3
[buffer]
most_mb = 4
sync_s = 0
[[sensor]]
place = "rack-a"
quantity = "weight"
name = "cell-1"
kind = "bridge"
chip = "hx711"
channel = "voltage1"
points = [[12000.0, 0.0], [432000.0, 5.0]]
scale = "0.000002327"
every_s = 30
samples = 9
plausible = [-1, 30]
[[sensor]]
place = "rack-a"
quantity = "airflow"
kind = "hotwire"
converter = "iio"
chip = "ads1115"
channel = "voltage0"
law = "king"
points = [[1.0, 0.0], [1.41, 0.25], [1.73, 1.0], [2.23, 4.0]]
[[scale]]
name = "bench"
port = "/dev/serial/by-id/usb-scale"
speed = 2400
frame = "7E1"
ask = "W\\r\\n"
unit = "g"
equal = 5
[[thermometer]]
name = "spot"
port = "/dev/ttyUSB1"
""",
    )
    assert config.state == str(tmp_path / "ring")
    assert config.broker.password_file == str(tmp_path / "p")
    assert (config.broker.mqtt, config.buffer.sync_s, config.clock_kept) == (3, 0.0, True)
    assert config.sensors[0].tail == "rack-a/weight/cell-1"
    assert config.sensors[0].samples == 9
    assert list(config.scales) == ["bench"]
    assert list(config.thermometers) == ["spot"]


def test_tls_has_its_own_port(tmp_path: Path) -> None:
    assert loaded(tmp_path, NODE + '[broker]\nca_file = "ca.crt"\n').broker.port == 8883


def test_a_scale_is_listened_to_often_enough(tmp_path: Path) -> None:
    """What nobody reads for long gets old in the kernel: at most five seconds between two looks."""
    text = '[[sensor]]\nplace = "rack-a"\nquantity = "weight"\nname = "c"\nkind = "scale"\nport = "p"\nevery_s = 60\n'
    assert loaded(tmp_path, NODE + text).sensors[0].samples == 12


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "[node].device: is missing; it is required"),
        (
            '[node]\ndevice = "Node 1"\n',
            'device: received "Node 1"; allowed is 1 to 40 of the characters a-z, 0-9 and -',
        ),
        (NODE + "[brokre]\n", 'the unknown key "brokre"; allowed here are broker'),
        (NODE + "[brokre]\n", "did you mean broker?"),
        (NODE + "[broker]\npost = 1\n", "(did you mean port?)"),
        (NODE + "[broker]\nport = 70000\n", "port: received 70000; allowed is a whole number from 1 to 65535"),
        (NODE + "[broker]\nport = true\n", "port: received true"),
        (NODE + "[broker]\nmqtt = 4\n", "mqtt: received 4; allowed is 5, 3"),
        (NODE + '[broker]\ncert_file = "c"\n', "wherever cert_file or key_file is given"),
        (NODE + '[broker]\nca_file = "a"\ncert_file = "c"\n', "cert_file and key_file together"),
        (NODE + "[buffer]\nmost_mb = 0.1\n", "most_mb: received 0.1; allowed is a number from 0.5 to 4096"),
        (NODE + "sensor = 3\n", "received the unknown key"),
        ("sensor = 3\n" + NODE, "sensor: received 3; allowed are tables [[sensor]]"),
        ("broker = 3\n" + NODE, "broker: received 3; allowed is a table [broker]"),
        (NODE + SENSOR + "sampels = 3\n", "(did you mean samples?)"),
        (NODE + SENSOR + SENSOR, "received two sensors for rack-a/temperature"),
        (NODE + SENSOR.replace("hwmon", "i2c"), 'kind: received "i2c"; allowed is "iio", "hwmon"'),
        (NODE + SENSOR.replace('"temperature"', '"weight"'), "allowed is temperature, humidity, surface for this kind"),
        (NODE + SENSOR.replace('"temperature"', '"wetness"'), 'quantity: received "wetness"; allowed is "temperature"'),
        (NODE + SENSOR.replace('"temperature"', '"surface"'), "the probe's name"),
        (NODE + SENSOR.replace('"rack-a"', '"log"'), 'place: received "log"; allowed is a rack\'s name'),
        (NODE + SENSOR.replace('chip = "sht4x"\n', ""), "what `drymon-sensors find` shows"),
        (NODE + SENSOR + "plausible = [50, 0]\n", "the lower first"),
        (NODE + SENSOR + "plausible = [0, nan]\n", "two numbers"),
        (NODE + SENSOR + "every_s = 0\n", "every_s: received 0; allowed is a number from 0.05 to 3600"),
        (NODE + SENSOR + "every_s = nan\n", "every_s: received"),
        ("[node]\ndevice = 'node-1'\nstate = ''\n", 'state: received ""; allowed is text in quotes'),
        ("[node\n", "is no TOML"),
    ],
)
def test_what_is_wrong_is_refused_in_words(tmp_path: Path, text: str, words: str) -> None:
    assert words in refused(tmp_path, text)


def test_the_table_is_named_where_several_look_alike(tmp_path: Path) -> None:
    text = NODE + SENSOR + SENSOR.replace('"rack-a"', '"rack-b"') + "every_s = -1\n"
    assert "sensors.toml: [[sensor]] 2 (rack-b/temperature).every_s" in refused(tmp_path, text)


def test_a_file_that_is_not_there_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(SetupError, match="drymon-sensors find --write"):
        load(str(tmp_path / "none.toml"))


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "sensors.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SetupError, match="is no text"):
        load(str(tmp_path / "sensors.toml"))


def test_every_quantity_can_be_made_up() -> None:
    assert set(MEANS) == set(QUANTITIES)
