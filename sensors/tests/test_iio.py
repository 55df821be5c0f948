"""IIO sources against the kernel's own rules, quoted beside each test.

Quotes: Linux, Documentation/ABI/testing/sysfs-bus-iio unless another file is named. Trees have the attribute names and
number formats of real drivers (drivers/iio/humidity/hdc100x.c, drivers/iio/pressure, drivers/iio/adc); numbers in them
are made up, and what they mean is worked out by hand beside them.
"""

from __future__ import annotations

import errno
import os

import pytest
from conftest import StumblingKernel, table

from drymon_sensors.errors import Heating, ReadError, SetupError
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.hotwire import HotWire
from drymon_sensors.sources.iio import Iio
from drymon_sensors.trial import KernelTree, TrialClock


def source(machine: Machine, quantity: str, **keys: object) -> Iio:
    made = table(**keys)
    found = Iio.from_table(made, quantity, machine)
    made.done()
    return found


def hdc1080(tree: KernelTree, number: int = 0, at: str = "1-0040", **more: str) -> str:
    """As drivers/iio/humidity/hdc100x.c shows it: raw, own scales, an offset for the temperature alone; the device is
    named by its address (`indio_dev->name = dev_name(&client->dev)`)."""
    attributes = {
        "in_temp_raw": "24400",
        "in_temp_offset": "-15887.515151",
        "in_temp_scale": "2.517700195",
        "in_humidityrelative_raw": "34118",
        "in_humidityrelative_scale": "1.525878906",
        "out_current_heater_raw": "0",
        **more,
    }
    return tree.iio(number, at, at, attributes)


def test_an_offset_is_added_before_the_scale_is_applied(tree: KernelTree, machine: Machine) -> None:
    """ "offset to be added to <type>[Y]_raw prior to scaling by <type>[Y]_scale"; "Units after application of scale and
    offset are milli degrees Celsius." By hand: (24400 - 15887.515151) * 2.5177 = 21431.9 thousandths."""
    hdc1080(tree)
    assert source(machine, "temperature", at="1-0040").read() == pytest.approx(21.4319, abs=1e-4)


def test_a_share_of_co2_is_in_percent(tree: KernelTree, machine: Machine) -> None:
    """ "in_concentration_co2_raw: Raw (unscaled no offset etc.) reading of a substance. Units after application of
    scale and offset are percents." A ten-thousandth of a percent is one part in a million: 812 of them."""
    tree.iio(0, "1-0061", "co2", {"in_concentration_co2_raw": "812", "in_concentration_co2_scale": "0.0001"})
    assert source(machine, "co2", chip="co2").read() == pytest.approx(812.0)


def test_no_offset_is_an_offset_of_nothing(tree: KernelTree, machine: Machine) -> None:
    """ "Not present if the offset is always 0 or unknown." By hand: 34118 * 1.525878906 = 52059.94 thousandths."""
    hdc1080(tree)
    assert source(machine, "humidity", chip="1-0040").read() == pytest.approx(52.05994, abs=1e-5)


def test_an_input_is_scaled_already(tree: KernelTree, machine: Machine) -> None:
    """ "in_humidityrelative_input: Scaled humidity measurement in milli percent." Scale and offset must not be applied
    on top of it, even where a driver has them."""
    tree.iio(0, "1-0076", "bme280", {"in_humidityrelative_input": "48213", "in_humidityrelative_scale": "0.5"})
    assert source(machine, "humidity", chip="bme280").read() == pytest.approx(48.213)


def test_pressure_is_in_kilopascal(tree: KernelTree, machine: Machine) -> None:
    """ "in_pressure_input: Scaled pressure measurement from channel Y, in kilopascal." drymon's unit is the pascal."""
    tree.iio(0, "1-0076", "bme280", {"in_pressure_input": "100.962593750"})
    assert source(machine, "pressure", chip="bme280").read() == pytest.approx(100_962.59375)


def test_raw_pressure_is_in_kilopascal_after_its_scale(tree: KernelTree, machine: Machine) -> None:
    """ "Raw pressure measurement from channel Y. Units after application of scale and offset are kilopascal." """
    tree.iio(0, "1-0060", "mpl3115", {"in_pressure_raw": "403850", "in_pressure_scale": "0.00025"})
    assert source(machine, "pressure", chip="mpl3115").read() == pytest.approx(100_962.5)


def test_a_channels_own_scale_goes_before_the_shared_one(tree: KernelTree, machine: Machine) -> None:
    """ "If shared across all in channels then Y and <x|y|z> are not present and the value is called
    <type>[Y][_name]_scale." The channel's own is the more particular one."""
    tree.iio(
        0,
        "1-0048",
        "ads1015",
        {"in_voltage0_raw": "700", "in_voltage0_scale": "3.000000000", "in_voltage_scale": "1.000000000"},
    )
    points = [[0.0, 0.0], [4.0, 4.0]]
    wire = HotWire.from_table(table(chip="ads1015", channel="voltage0", points=points), "airflow", machine)
    assert wire.read() == pytest.approx(2.1)  # 700 * 3 mV


def test_a_shared_scale_holds_for_every_channel(tree: KernelTree, machine: Machine) -> None:
    """The same sentence: "Units after application of scale and offset are millivolts." 1400 * 2 mV = 2.8 V."""
    tree.iio(
        0,
        "1-0048",
        "ads1115",
        {"in_voltage0_raw": "10", "in_voltage1_raw": "1400", "in_voltage_scale": "2.000000000"},
    )
    points = [[0.0, 0.0], [4.0, 4.0]]
    wire = HotWire.from_table(table(chip="ads1115", channel="voltage1", points=points), "airflow", machine)
    assert wire.read() == pytest.approx(2.8)


def test_a_scale_shared_by_all_channels_is_found(tree: KernelTree, machine: Machine) -> None:
    """Documentation/driver-api/iio/core.rst: "info_mask_shared_by_dir, attributes are shared by all channels of the
    same direction"; "info_mask_shared_by_all, attributes are shared by all channels"; drivers/iio/industrialio-core.c
    names them in_scale and scale."""
    tree.iio(0, "1-0018", "mcp9600", {"in_temp_raw": "344", "in_scale": "62.5"})
    tree.iio(1, "1-0019", "mcp9600", {"in_temp_raw": "344", "scale": "62.5"})
    assert source(machine, "temperature", at="1-0018").read() == pytest.approx(21.5)
    assert source(machine, "temperature", at="1-0019").read() == pytest.approx(21.5)


def test_a_differential_channel_has_its_scale_by_type(tree: KernelTree, machine: Machine) -> None:
    """ "in_voltageY-voltageZ_raw: Raw (unscaled) differential voltage measurement"; its shared scale is
    "in_voltage-voltage_scale"."""
    attributes = {"in_voltage0-voltage1_raw": "1500", "in_voltage-voltage_scale": "1.0", "in_voltage_scale": "9.0"}
    tree.iio(0, "1-0048", "ads1115", attributes)
    keys = {"chip": "ads1115", "channel": "voltage0-voltage1", "points": [[0.0, 0.0], [4.0, 4.0]]}
    assert HotWire.from_table(table(**keys), "airflow", machine).read() == pytest.approx(1.5)


def test_calibration_bias_is_applied_in_the_chip(tree: KernelTree, machine: Machine) -> None:
    """ "Calibbias is applied internally, offset is applied in userspace to the _raw output." """
    hdc1080(tree, in_temp_calibbias="1000")
    assert source(machine, "temperature", at="1-0040").read() == pytest.approx(21.4319, abs=1e-4)


def test_of_an_infrared_chip_the_object_is_meant_where_it_is_said(tree: KernelTree, machine: Machine) -> None:
    """ "The ambient and object modifiers distinguish between ambient (reference) and distant temperature for contact-
    less measurements." Scale and offset of mlx90614 are shared (drivers/iio/temperature/mlx90614.c)."""
    attributes = {
        "in_temp_ambient_raw": "14730",
        "in_temp_object_raw": "14620",
        "in_temp_offset": "-13657.500000",
        "in_temp_scale": "20",
    }
    tree.iio(0, "1-005a", "mlx90614", attributes)
    shell = source(machine, "surface", chip="mlx90614", channel="temp_object")
    assert shell.read() == pytest.approx(19.25)  # (14620 - 13657.5) * 20 thousandths
    with pytest.raises(ReadError, match="temp_ambient, temp_object: say which with channel"):
        source(machine, "surface", chip="mlx90614").read()


def test_raw_without_a_scale_has_no_unit(tree: KernelTree, machine: Machine) -> None:
    """ "If known for a device, scale to be applied": where it is not, nobody can say what the number means."""
    tree.iio(0, "1-0040", "odd", {"in_humidityrelative_raw": "34118"})
    with pytest.raises(ReadError, match="in_humidityrelative_scale: missing"):
        source(machine, "humidity", chip="odd").read()


def test_a_device_is_found_by_its_label(tree: KernelTree, machine: Machine) -> None:
    """ "Optional symbolic label for a device. This is useful for userspace to be able to better identify an individual
    device." """
    hdc1080(tree, 0, "1-0040", label="rack-a")
    hdc1080(tree, 1, "1-0041", label="rack-b", in_humidityrelative_raw="40000")
    assert source(machine, "humidity", label="rack-b").read() == pytest.approx(61.035, abs=1e-3)


def test_of_two_alike_none_is_taken_by_chance(tree: KernelTree, machine: Machine) -> None:
    """ "X is the IIO index of the device": it changes, so two of a kind are told apart by where they hang."""
    attributes = {"in_temp_input": "20000"}
    tree.iio(0, "1-0076", "bme280", attributes)
    tree.iio(1, "3-0076", "bme280", {"in_temp_input": "25000"})
    with pytest.raises(ReadError, match='there are 2; say which with at = "1-0076" or at = "3-0076"'):
        source(machine, "temperature", chip="bme280").read()
    assert source(machine, "temperature", chip="bme280", at="3-0076").read() == 25.0


def test_a_device_that_comes_back_under_another_number_is_found_again(tree: KernelTree, machine: Machine) -> None:
    hdc1080(tree, 0, "1-0040")
    tree.iio(1, "1-0076", "bme280", {"in_temp_input": "90000", "in_humidityrelative_input": "90000"})
    humidity = source(machine, "humidity", at="1-0040")
    assert humidity.read() == pytest.approx(52.06, abs=0.01)
    tree.remove("bus/iio/devices/iio:device0")
    with pytest.raises(ReadError, match=r"1-0040: not found; bus/iio/devices has bme280 at 1-0076"):
        humidity.read()
    tree.remove("bus/iio/devices/iio:device1")
    tree.iio(0, "1-0076", "bme280", {"in_temp_input": "90000", "in_humidityrelative_input": "90000"})
    hdc1080(tree, 4, "1-0040", in_humidityrelative_raw="20000")
    assert humidity.read() == pytest.approx(30.52, abs=0.01), "the chip at its address, whatever its number"


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.EIO, "EIO, the sensor does not answer: look at its wires"),
        (errno.ETIMEDOUT, "ETIMEDOUT, the sensor does not answer in time"),
        (errno.EREMOTEIO, "EREMOTEIO, nothing answers at its address"),
        (errno.EAGAIN, "EAGAIN, the sensor is busy"),
        (errno.EACCES, "EACCES, this user may not read it"),
    ],
)
def test_an_error_is_told_and_never_the_old_value_again(
    tree: KernelTree, kernel: StumblingKernel, machine: Machine, code: int, words: str
) -> None:
    hdc1080(tree)
    humidity = source(machine, "humidity", at="1-0040")
    humidity.read()
    kernel.fails["in_humidityrelative_raw"] = (code, -1)
    with pytest.raises(ReadError, match=words):
        humidity.read()


@pytest.mark.parametrize("code", [errno.EIO, errno.ETIMEDOUT, errno.EREMOTEIO, errno.EAGAIN])
def test_a_bus_that_stumbles_twice_is_asked_a_third_time(
    tree: KernelTree, kernel: StumblingKernel, machine: Machine, code: int
) -> None:
    hdc1080(tree)
    kernel.fails["in_humidityrelative_raw"] = (code, 2)
    assert source(machine, "humidity", at="1-0040").read() == pytest.approx(52.06, abs=0.01)
    assert kernel.tried == 2


def test_a_real_error_of_the_kernel_is_one_too(tree: KernelTree, machine: Machine) -> None:
    """/proc/self/mem at its beginning answers with a real EIO."""
    folder = tree.iio(0, "1-0076", "bme280", {})
    os.symlink("/proc/self/mem", os.path.join(folder, "in_temp_input"))
    with pytest.raises(ReadError, match="in_temp_input: EIO"):
        source(machine, "temperature", chip="bme280").read()


@pytest.mark.parametrize("garbage", ["", "nan", "inf", "21.5 dB", "0x1f", "1,5", "--", "\x00\xff", "21.5 22.5", "1e3"])
def test_what_is_no_number_is_refused(tree: KernelTree, machine: Machine, garbage: str) -> None:
    """drivers/iio/industrialio-core.c formats values as %d and %d.%06u or %d.%09u, some with " dB" behind."""
    tree.iio(0, "1-0076", "bme280", {"in_temp_input": garbage})
    with pytest.raises(ReadError, match=r"in_temp_input: received .* allowed is a number"):
        source(machine, "temperature", chip="bme280").read()


def test_a_heater_spoils_readings_until_it_has_cooled_down(
    tree: KernelTree, machine: Machine, clock: TrialClock
) -> None:
    """Documentation/ABI/testing/sysfs-bus-iio-humidity: "out_current_heater_raw: Controls the heater device within the
    humidity sensor to get rid of excess condensation. In some devices, this is just a switch in which case 0 = OFF, and
    1 = ON." Others have steps above 1 (drivers/iio/humidity/hdc3020.c)."""
    folder = hdc1080(tree)
    humidity = source(machine, "humidity", at="1-0040", heater_rest_s=60)
    humidity.read()
    for step in ("1", "3"):
        tree.write(os.path.join(folder, "out_current_heater_raw"), step)
        with pytest.raises(Heating, match="heater is on"):
            humidity.read()
    tree.write(os.path.join(folder, "out_current_heater_raw"), "0")
    clock.sleep(59.0)
    with pytest.raises(Heating, match="cools down"):
        humidity.read()
    clock.sleep(1.5)
    assert humidity.read() == pytest.approx(52.06, abs=0.01)


def test_a_chip_without_the_quantity_says_so(tree: KernelTree, machine: Machine) -> None:
    tree.iio(0, "1-0048", "ads1115", {"in_voltage0_raw": "1"})
    with pytest.raises(ReadError, match="no channel of humidityrelative; is it another chip"):
        source(machine, "humidity", chip="ads1115").read()


def test_a_source_must_say_which_device_is_meant(machine: Machine) -> None:
    with pytest.raises(SetupError, match="chip"):
        source(machine, "humidity")
