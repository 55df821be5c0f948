"""The configuration: one TOML file says what hangs where. Read at the door; SetupError says what is wrong with it."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from drymon_sensors.errors import SetupError, words_of
from drymon_sensors.quantities import QUANTITIES
from drymon_sensors.sampling import Sensor
from drymon_sensors.sources import KINDS
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.scale import Scale
from drymon_sensors.sources.thermometer import Thermometer
from drymon_sensors.tables import Table, as_written, is_name

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

USUAL_PATH = "/etc/drymon-sensors/sensors.toml"
STATE = "/var/lib/drymon-sensors"
NO_PLACES = ("log", "out")


@dataclass(frozen=True)
class Broker:
    """How to reach the broker, and as whom. mqtt: 5, or 3 for one that knows no more than 3.1.1."""

    host: str = "localhost"
    port: int = 1883
    username: str = ""
    password_file: str = ""
    ca_file: str = ""
    cert_file: str = ""
    key_file: str = ""
    mqtt: int = 5


@dataclass(frozen=True)
class Buffer:
    """most_mb: the ring's size on disk; sync_s: at most so many seconds of readings are lost with the power."""

    most_mb: float = 32.0
    sync_s: float = 30.0


@dataclass(frozen=True)
class Config:
    """A node. clock_kept: a battery clock keeps this machine's time."""

    device: str
    room: str
    state: str
    clock_kept: bool
    broker: Broker
    buffer: Buffer
    sensors: tuple[Sensor, ...]
    scales: Mapping[str, Scale]
    thermometers: Mapping[str, Thermometer]


def usual_path() -> str:
    """Where the configuration is looked for: $DRYMON_SENSORS_CONFIG, else the usual place."""
    return os.environ.get("DRYMON_SENSORS_CONFIG", USUAL_PATH)


def load(path: str, machine: Machine | None = None) -> Config:
    """Read a configuration. SetupError for a file that is not there, no TOML, or not as it must be."""
    try:
        with open(path, "rb") as file:
            data = tomllib.load(file)
    except FileNotFoundError:
        raise SetupError(f"{path}: not there; `drymon-sensors find --write {path}` makes one") from None
    except UnicodeDecodeError:
        raise SetupError(f"{path}: is no text; allowed is TOML in UTF-8") from None
    except OSError as error:
        raise SetupError(f"{path}: cannot be read: {words_of(error)}") from None
    except tomllib.TOMLDecodeError as error:
        raise SetupError(f"{path}: is no TOML: {error}") from None
    return parse(data, os.path.dirname(os.path.abspath(path)), machine or Machine(), os.path.basename(path))


def parse(data: Mapping[str, Any], folder: str, machine: Machine, name: str = "sensors.toml") -> Config:
    """A configuration's content. folder: where the files that it names are looked for."""
    whole = Table(data, name)
    node, broker, buffer = (_table(whole, key, name) for key in ("node", "broker", "buffer"))
    sensors = [_sensor(table, machine) for table in _tables(whole, "sensor", name)]
    scales = {table.name("name"): Scale.from_table(table, "weight", machine) for table in _ended(whole, "scale", name)}
    spots = {
        table.name("name"): Thermometer.from_table(table, "surface", machine)
        for table in _ended(whole, "thermometer", name)
    }
    whole.done()
    device = node.name("device")
    config = Config(
        device=device,
        room=node.name("room", "shop"),
        state=os.path.join(folder, node.text("state", STATE)),
        clock_kept=node.flag("clock_kept", False),
        broker=_broker(broker, folder, device),
        buffer=Buffer(buffer.number("most_mb", 32.0, 0.5, 4096.0), buffer.number("sync_s", 30.0, 0.0, 600.0)),
        sensors=tuple(sensors),
        scales=scales,
        thermometers=spots,
    )
    for table in (node, broker, buffer):
        table.done()
    _all_different(sensors, name)
    return config


def _broker(table: Table, folder: str, device: str) -> Broker:
    def file(key: str) -> str:
        named = table.text(key, "")
        return os.path.join(folder, named) if named else ""

    ca = file("ca_file")
    broker = Broker(
        host=table.text("host", "localhost"),
        port=table.whole("port", 8883 if ca else 1883, 1, 65535),
        username=table.text("username", device),
        password_file=file("password_file"),
        ca_file=ca,
        cert_file=file("cert_file"),
        key_file=file("key_file"),
        mqtt=table.choice("mqtt", (5, 3), 5),
    )
    if not ca and (broker.cert_file or broker.key_file):
        raise table.wrong("ca_file", "", "the authority's certificate, wherever cert_file or key_file is given")
    if bool(broker.cert_file) != bool(broker.key_file):
        raise table.wrong("cert_file", broker.cert_file, "cert_file and key_file together")
    return broker


def _sensor(table: Table, machine: Machine) -> Sensor:
    quantity = table.choice("quantity", tuple(QUANTITIES))
    kind = KINDS[table.choice("kind", tuple(KINDS))]
    if quantity not in kind.quantities:
        raise table.wrong("quantity", quantity, f"{', '.join(kind.quantities)} for this kind")
    every_s = table.number("every_s", 10.0, 0.05, 3600.0)
    sensor = Sensor(
        place=_place(table),
        quantity=quantity,
        name=_name(table, quantity),
        source=kind.make(table, quantity, machine),
        every_s=every_s,
        samples=table.whole("samples", kind.usual_samples(every_s), 1, 1000),
        plausible=table.pair("plausible", (QUANTITIES[quantity].low, QUANTITIES[quantity].high)),
    )
    table.done()
    return sensor


def _place(table: Table) -> str:
    place = table.name("place")
    if place in NO_PLACES:
        raise table.wrong("place", place, "a rack's name, or room")
    return place


def _name(table: Table, quantity: str) -> str:
    """The last level of the topic; some quantities mean nothing without it."""
    named = QUANTITIES[quantity].named
    if named and "name" not in table:
        raise table.wrong("name", None, f"the {named}'s name: {quantity} means nothing without it")
    return table.name("name", "")


def _all_different(sensors: list[Sensor], name: str) -> None:
    seen: set[str] = set()
    for sensor in sensors:
        if sensor.tail in seen:
            raise SetupError(f"{name}: received two sensors for {sensor.tail}; allowed is one: give each a name")
        seen.add(sensor.tail)


def _table(whole: Table, key: str, name: str) -> Table:
    data = whole.table(key)
    if not isinstance(data, dict):
        raise SetupError(f"{name}.{key}: received {as_written(data)}; allowed is a table [{key}]")
    return Table(data, f"{name}: [{key}]")


def _tables(whole: Table, key: str, name: str) -> list[Table]:
    data = whole.table(key, [])
    if not isinstance(data, list) or not all(isinstance(one, dict) for one in data):
        raise SetupError(f"{name}.{key}: received {as_written(data)}; allowed are tables [[{key}]]")
    return [Table(one, f"{name}: [[{key}]] {number}{_called(one)}") for number, one in enumerate(data, 1)]


def _ended(whole: Table, key: str, name: str) -> Any:
    """Each table, refused afterwards for what nobody took."""
    for table in _tables(whole, key, name):
        yield table
        table.done()


def _called(table: Mapping[str, Any]) -> str:
    parts = [str(table[key]) for key in ("place", "quantity", "name") if is_name(table.get(key))]
    return f" ({'/'.join(parts)})" if parts else ""
