"""hwmon sources against the kernel's own rules, quoted beside each test.

Quotes: Linux, Documentation/hwmon/sysfs-interface.rst unless another file is named.
"""

from __future__ import annotations

import errno
import os

import pytest
from conftest import StumblingKernel, table

from drymon_sensors.errors import Heating, ReadError
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.hotwire import HotWire
from drymon_sensors.sources.hwmon import Hwmon
from drymon_sensors.trial import KernelTree, TrialClock


def sht3x(tree: KernelTree, number: int = 1, at: str = "1-0044", **more: str) -> str:
    """The attributes of Documentation/hwmon/sht3x.rst."""
    attributes = {
        "temp1_input": "31500",
        "humidity1_input": "52060",
        "temp1_alarm": "0",
        "heater_enable": "0",
        "update_interval": "0",
        "repeatability": "2",
        **more,
    }
    return tree.hwmon(number, at, "sht3x", attributes)


def source(machine: Machine, quantity: str, **keys: object) -> Hwmon:
    made = table(**keys)
    found = Hwmon.from_table(made, quantity, machine)
    made.done()
    return found


def test_temperature_is_in_thousandths_of_a_degree(tree: KernelTree, machine: Machine) -> None:
    """ "temp[1-*]_input: Temperature input value. Unit: millidegree Celsius"; Documentation/hwmon/sht3x.rst: "the value
    for 31.5 degrees celsius is 31500"."""
    sht3x(tree)
    assert source(machine, "temperature", chip="sht3x").read() == 31.5


def test_humidity_is_in_thousandths_of_a_percent(tree: KernelTree, machine: Machine) -> None:
    """ "humidity[1-*]_input: Humidity. Unit: milli-percent (per cent mille, pcm)" """
    sht3x(tree)
    assert source(machine, "humidity", chip="sht3x").read() == 52.06


def test_below_freezing_has_its_sign(tree: KernelTree, machine: Machine) -> None:
    """ "All sysfs values are fixed point numbers." """
    sht3x(tree, temp1_input="-1250")
    assert source(machine, "temperature", chip="sht3x").read() == -1.25


def test_numbering_starts_from_1_and_another_input_can_be_named(tree: KernelTree, machine: Machine) -> None:
    """ "Numbering usually starts from 1, except for voltages which start from 0" """
    tree.hwmon(2, "1-0018", "tc654", {"temp1_input": "20000", "temp2_input": "25000"})
    assert source(machine, "temperature", chip="tc654").read() == 20.0
    assert source(machine, "temperature", chip="tc654", channel="temp2").read() == 25.0


def test_a_voltage_of_a_converter_is_in_millivolts(tree: KernelTree, machine: Machine) -> None:
    """ "in[0-*]_input: Voltage input value. Unit: millivolt" """
    tree.hwmon(2, "1-0048", "ads1015", {"in4_input": "1850"})
    keys = {"converter": "hwmon", "chip": "ads1015", "channel": "in4", "points": [[0.0, 0.0], [4.0, 4.0]]}
    assert HotWire.from_table(table(**keys), "airflow", machine).read() == pytest.approx(1.85)


def test_what_the_chip_itself_does_not_trust_is_no_reading(tree: KernelTree, machine: Machine) -> None:
    """ "Each input channel may have an associated fault file. […] When this boolean has value 1, the measurement for
    that channel should not be trusted." """
    sht3x(tree, temp1_fault="1")
    with pytest.raises(ReadError, match="temp1_fault is 1"):
        source(machine, "temperature", chip="sht3x").read()
    assert source(machine, "humidity", chip="sht3x").read() == 52.06, "the fault is of that channel alone"


def test_a_channel_that_is_switched_off_says_so(tree: KernelTree, kernel: StumblingKernel, machine: Machine) -> None:
    """ "temp[1-*]_enable: Enable or disable the sensors. When disabled the sensor read will return -ENODATA." """
    sht3x(tree)
    kernel.fails["temp1_input"] = (errno.ENODATA, -1)
    with pytest.raises(ReadError, match="ENODATA, the channel is switched off"):
        source(machine, "temperature", chip="sht3x").read()


def test_the_heater_is_seen(tree: KernelTree, machine: Machine, clock: TrialClock) -> None:
    """Documentation/hwmon/sht3x.rst: "heater_enable: heater enable, heating element removes excess humidity from
    sensor: 0: turned off, 1: turned on" """
    folder = sht3x(tree, heater_enable="1")
    humidity = source(machine, "humidity", chip="sht3x")
    with pytest.raises(Heating):
        humidity.read()
    tree.write(os.path.join(folder, "heater_enable"), "0")
    with pytest.raises(Heating, match="cools down"):
        humidity.read()
    clock.sleep(121.0)
    assert humidity.read() == 52.06


def test_the_name_is_the_only_attribute_that_must_be_there(tree: KernelTree, machine: Machine) -> None:
    """ "All entries (except name) are optional"; "`name`: […] It is the only mandatory attribute." """
    tree.hwmon(1, "1-0044", "sht4x", {})
    with pytest.raises(ReadError, match="humidity1_input: ENOENT"):
        source(machine, "humidity", chip="sht4x").read()


def test_two_of_a_kind_are_told_apart_by_their_address_or_label(tree: KernelTree, machine: Machine) -> None:
    """Documentation/ABI/testing/sysfs-class-hwmon: "label: A descriptive label that allows to uniquely identify a
    device within the system." """
    sht3x(tree, 1, "1-0044")
    sht3x(tree, 2, "1-0045", humidity1_input="61000", label="rack-b")
    with pytest.raises(ReadError, match='at = "1-0044" or at = "1-0045"'):
        source(machine, "humidity", chip="sht3x").read()
    assert source(machine, "humidity", at="1-0045").read() == 61.0
    assert source(machine, "humidity", label="rack-b").read() == 61.0


def test_a_new_number_after_a_restart_does_not_matter(tree: KernelTree, machine: Machine) -> None:
    sht3x(tree, 1)
    humidity = source(machine, "humidity", chip="sht3x")
    assert humidity.read() == 52.06
    tree.remove("class/hwmon/hwmon1")
    tree.hwmon(1, "1-004c", "lm90", {"temp1_input": "70000"})
    sht3x(tree, 3, humidity1_input="40000")
    assert humidity.read() == 40.0
