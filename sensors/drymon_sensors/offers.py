"""What this computer's kernel offers: every device that can be a source, with the keys that would name it."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from drymon_sensors.errors import ReadError
from drymon_sensors.quantities import QUANTITIES
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.hwmon import Hwmon
from drymon_sensors.sources.iio import TYPES, Iio, IioChannel
from drymon_sensors.sources.kernel import COUNTER, HWMON, IIO, Device, Kernel, Wanted, devices
from drymon_sensors.sources.onewire import DEVICES, ID, OneWire

BY_ID = "/dev/serial/by-id"
ON_A_WIRE = re.compile(r"\d+-[0-9a-f]{4}\Z|spi\d+\.\d+\Z")
"""Bus addresses of what somebody has wired up; all else is the computer's own."""


NOT_OFFERED = ("surface", "voltage")
"""A chip's own temperature is no probe's, and a voltage needs to be told what it stands for."""


@dataclass
class Offer:
    """A device. found: a line for people; tables: [[sensor]] tables that would read it, keys in their order."""

    found: str
    tables: list[dict[str, object]] = field(default_factory=list)
    note: str = ""


def offers(machine: Machine, by_id: str = BY_ID) -> list[Offer]:
    """Everything that is there."""
    return [
        *(_iio(machine, device) for device in devices(machine.kernel, IIO)),
        *_hwmon(machine),
        *(_counter(machine.kernel, device) for device in devices(machine.kernel, COUNTER)),
        *_onewire(machine),
        *_serial(machine.kernel, by_id),
    ]


def _iio(machine: Machine, device: Device) -> Offer:
    names = machine.kernel.names(device.path)
    voltages = sorted(
        {match[1] for match in (re.match(r"in_(voltage[\d\-a-z]*)_raw\Z", name) for name in names) if match}
    )
    values, tables = _air(machine, device, names)
    for voltage in voltages:
        values.append(_raw(machine, device, voltage))
    if device.name == "hx711":
        tables += [_bridge(device, voltage) for voltage in voltages[:1]]
        return Offer(f"iio {device}: {', '.join(values)}", tables, "a load cell's converter: take the points first")
    note = "a voltage: kind hotwire or bridge, see wiring/" if voltages else ""
    return Offer(f"iio {device}: {', '.join(values) or 'nothing that drymon can use'}", tables, note)


def _air(machine: Machine, device: Device, names: list[str]) -> tuple[list[str], list[dict[str, object]]]:
    values, tables = [], []
    for quantity, (kind, _) in TYPES.items():
        if quantity in NOT_OFFERED:
            continue
        if any(re.match(rf"in_{kind}\w*_(input|raw)\Z", name) for name in names):
            wanted = Wanted(device.name, "", device.at)
            source = Iio(machine, IioChannel(machine, wanted, kind), quantity)
            values.append(_value(source, quantity))
            tables.append(_sensor(quantity, "iio", device))
    return values, tables


def _hwmon(machine: Machine) -> Iterator[Offer]:
    for device in devices(machine.kernel, HWMON):
        names = machine.kernel.names(device.path)
        humid, warm = "humidity1_input" in names, "temp1_input" in names
        if not humid and not ON_A_WIRE.match(device.at):
            if warm and not ID.match(device.at):
                yield Offer(f"hwmon {device}: this computer's own, left out")
            continue
        wanted = Wanted(device.name, "", device.at)
        there = [quantity for quantity, is_there in (("temperature", warm), ("humidity", humid)) if is_there]
        values = [_value(Hwmon(machine, wanted, quantity), quantity) for quantity in there]
        yield Offer(f"hwmon {device}: {', '.join(values)}", [_sensor(quantity, "hwmon", device) for quantity in there])


def _counter(kernel: Kernel, device: Device) -> Offer:
    folder = os.path.join(device.path, "count0")
    count, enable = (_text_or(kernel, os.path.join(folder, name), "?") for name in ("count", "enable"))
    table: dict[str, object] = {**_sensor("airflow", "counter", device), "slope": 0.0}
    note = "put the anemometer's m/s in one pulse per second into slope"
    return Offer(
        f"counter {device}: count0 {count}{', not counting: write 1 to count0/enable' if enable == '0' else ''}",
        [table],
        note,
    )


def _text_or(kernel: Kernel, path: str, default: str) -> str:
    try:
        return kernel.text(path)
    except ReadError:
        return default


def _onewire(machine: Machine) -> Iterator[Offer]:
    for number in machine.kernel.names(machine.kernel.below(DEVICES)):
        if ID.match(number):
            value = _value(OneWire(machine, number, "surface"), "surface")
            table: dict[str, object] = {
                "place": "room",
                "quantity": "surface",
                "name": "probe-1",
                "kind": "onewire",
                "id": number,
            }
            yield Offer(
                f"1-wire {number}: {value}", [table], "place and name: the rack, and the probe as the dip names it"
            )


def _serial(kernel: Kernel, by_id: str) -> Iterator[Offer]:
    for name in kernel.names(by_id):
        yield Offer(
            f"serial {by_id}/{name}", note="a scale or a thermometer: [[scale]] or [[thermometer]], see wiring/"
        )


def _value(source: Iio | Hwmon | OneWire, quantity: str) -> str:
    unit = QUANTITIES[quantity].unit
    named = "temperature" if quantity == "surface" else quantity
    try:
        return f"{named} {source.read():.6g} {unit}"
    except ReadError as error:
        return f"{named} gives nothing ({error})"


def _raw(machine: Machine, device: Device, channel: str) -> str:
    try:
        return f"{channel} raw {machine.kernel.text(os.path.join(device.path, f'in_{channel}_raw'))}"
    except ReadError as error:
        return f"{channel} gives nothing ({error})"


def _sensor(quantity: str, kind: str, device: Device) -> dict[str, object]:
    named = {"name": "anemometer-1"} if quantity == "airflow" else {}
    return {"place": "room", "quantity": quantity, **named, "kind": kind, "chip": device.name, "at": device.at}


def _bridge(device: Device, voltage: str) -> dict[str, object]:
    place = {"place": "rack-a", "quantity": "weight", "name": "cell-1", "kind": "bridge"}
    return {**place, "chip": device.name, "at": device.at, "channel": voltage, "points": [[0.0, 0.0], [100000.0, 1.0]]}
