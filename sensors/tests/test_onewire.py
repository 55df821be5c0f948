"""1-wire thermometers against the kernel's own rules, quoted beside each test.

Quotes: Linux, Documentation/w1/slaves/w1_therm.rst unless another file is named.
"""

from __future__ import annotations

import errno

import pytest
from conftest import StumblingKernel, table

from drymon_sensors.errors import ReadError, SetupError
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.onewire import OneWire
from drymon_sensors.trial import KernelTree

ID = "28-0316a2795eff"
GOOD = "57 01 4b 46 7f ff 0c 10 e7 : crc=e7 YES\n57 01 4b 46 7f ff 0c 10 e7 t=21437"


def source(machine: Machine, number: str = ID) -> OneWire:
    return OneWire.from_table(table(id=number), "surface", machine)


def test_the_temperature_is_in_thousandths_of_a_degree(tree: KernelTree, machine: Machine) -> None:
    """ "The second line displays the retained values along with a temperature in millidegrees Centigrade after t=." The
    bytes agree: 0x0157 sixteenths of a degree are 343 / 16 = 21.4375 (the chip's data sheet, from memory)."""
    tree.onewire(ID, GOOD)
    assert source(machine).read() == 21.437


def test_below_freezing(tree: KernelTree, machine: Machine) -> None:
    tree.onewire(ID, GOOD.replace("t=21437", "t=-2062"))
    assert source(machine).read() == -2.062


def test_a_wrong_checksum_is_refused_for_the_driver_shows_the_old_bytes_then(
    tree: KernelTree, machine: Machine
) -> None:
    """ "The first line contains the nine hex bytes read along with a calculated crc value and YES or NO if it matched.
    If the crc matched the returned values are retained. The second line displays the retained values" """
    tree.onewire(ID, GOOD.replace("crc=e7 YES", "crc=12 NO"))
    with pytest.raises(ReadError, match="checksum is wrong"):
        source(machine).read()


@pytest.mark.parametrize("value", ["85000", "127937"])
def test_the_value_of_switching_on_is_no_measurement(tree: KernelTree, machine: Machine, value: str) -> None:
    """ "If byte 6 of scratchpad memory is 0xC after conversion and temperature reads 85.00 (powerup value) or 127.94
    (insufficient power), the driver returns a conversion error", but only where that check is switched on."""
    tree.onewire(ID, GOOD.replace("t=21437", f"t={value}"))
    with pytest.raises(ReadError, match="look at its power"):
        source(machine).read()


@pytest.mark.parametrize("said", ["", "00", GOOD.split("\n")[0], GOOD + "x", GOOD.replace("t=", "t=+"), "21437"])
def test_half_an_answer_is_none(tree: KernelTree, machine: Machine, said: str) -> None:
    """drivers/w1/slaves/w1_therm.c shows nothing at all where reading failed (temperature_show: return 0)."""
    tree.onewire(ID, said)
    with pytest.raises(ReadError, match="allowed are two lines"):
        source(machine).read()


def test_a_thermometer_that_is_unplugged(tree: KernelTree, kernel: StumblingKernel, machine: Machine) -> None:
    tree.onewire(ID, GOOD)
    kernel.fails["w1_slave"] = (errno.EIO, -1)
    with pytest.raises(ReadError, match="w1_slave: EIO"):
        source(machine).read()
    kernel.fails.clear()
    tree.remove(f"bus/w1/devices/{ID}")
    with pytest.raises(ReadError, match="w1_slave: ENOENT, it is gone"):
        source(machine).read()


def test_families_that_are_thermometers(machine: Machine) -> None:
    """ "W1_THERM_DS18S20 0x10, W1_THERM_DS1822 0x22, W1_THERM_DS18B20 0x28, W1_THERM_DS1825 0x3B, W1_THERM_DS28EA00
    0x42" """
    for family in ("10", "22", "28", "3b", "42"):
        assert source(machine, f"{family}-0316a2795eff").where().endswith("0316a2795eff")
    for wrong in ("29-0316a2795eff", "28-0316", "28-0316A2795EFF", "w1_bus_master1", "../28-0316a2795eff"):
        with pytest.raises(SetupError, match="id"):
            source(machine, wrong)
