"""Load cells against the driver that gives their counts: Linux, drivers/iio/adc/hx711.c, quoted beside each test."""

from __future__ import annotations

import errno
import os

import pytest
from conftest import StumblingKernel, table

from drymon_sensors.errors import ReadError, SetupError
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.bridge import Bridge
from drymon_sensors.trial import KernelTree

MIDDLE = 8_388_608
POINTS = [[12_000.0, 0.0], [432_000.0, 5.0]]
"""Counts from the middle: 12,000 with the empty hook, 84,000 more for each kilogram."""


def hx711(tree: KernelTree, raw: int, number: int = 0, **more: str) -> str:
    """Channels 0 (A) and 1 (B), one scale by type, `.sign = 'u'`; "sprintf(buf + len, "0.%09d ", …)"."""
    attributes = {
        "in_voltage0_raw": str(raw),
        "in_voltage1_raw": str(MIDDLE),
        "in_voltage_scale": "0.000002327",
        "in_voltage0_scale_available": "0.000002327 0.000004655 ",
        "in_voltage1_scale_available": "0.000009310 ",
        **more,
    }
    return tree.iio(number, "weight", "hx711", attributes, "devices/platform")


def source(machine: Machine, **keys: object) -> Bridge:
    made = table(**{"chip": "hx711", "points": POINTS, **keys})
    found = Bridge.from_table(made, "weight", machine)
    made.done()
    return found


def test_codes_are_offset_binary_with_zero_in_the_middle(tree: KernelTree, machine: Machine) -> None:
    """ "value ^= 0x800000": the chip's two's complement becomes unsigned with no load near 2^23, and the driver has no
    offset attribute (info_mask_separate is RAW alone). By hand: 8388608 + 12000 + 2 * 84000."""
    hx711(tree, MIDDLE + 12_000 + 2 * 84_000)
    cell = source(machine)
    assert cell.counts() == 180_000.0
    assert cell.read() == pytest.approx(2.0)


def test_less_than_the_empty_hook_is_below_nothing(tree: KernelTree, machine: Machine) -> None:
    """The tare is ours, and it drifts: what is below it is a fact, not an error."""
    hx711(tree, MIDDLE + 12_000 - 8_400)
    assert source(machine).read() == pytest.approx(-0.1)


def test_a_cell_wired_the_other_way_round(tree: KernelTree, machine: Machine) -> None:
    hx711(tree, MIDDLE - 180_000)
    assert source(machine, points=[[-12_000.0, 0.0], [-432_000.0, 5.0]]).read() == pytest.approx(2.0)


@pytest.mark.parametrize("raw", [0, 2**24 - 1])
def test_the_ends_of_the_range_are_a_broken_wire(tree: KernelTree, machine: Machine, raw: int) -> None:
    """24 bits (`.realbits = 24`): 0x000000 and 0xFFFFFF are where the converter saturates."""
    hx711(tree, raw)
    with pytest.raises(ReadError, match="end of the converter's range"):
        source(machine).read()


def test_another_gain_than_that_of_the_points_is_told(tree: KernelTree, machine: Machine) -> None:
    """ "1 LSB = (AVDD * 100) / GAIN / 1678 [10^-9 mV]": half the gain, twice the scale; after a reset of the chip "the
    gain is 128". Counts then mean twice the mass."""
    folder = hx711(tree, MIDDLE + 180_000)
    cell = source(machine, scale="0.000002327")
    assert cell.read() == pytest.approx(2.0)
    tree.write(os.path.join(folder, "in_voltage_scale"), "0.000004655")
    with pytest.raises(ReadError, match=r"in_voltage_scale is 0\.000004655, the points were taken at 0\.000002327"):
        cell.read()


def test_the_second_channel(tree: KernelTree, machine: Machine) -> None:
    """ "channel B in documentation is channel 1 in source code" """
    hx711(tree, MIDDLE, in_voltage1_raw=str(MIDDLE + 96_000))
    assert source(machine, channel="voltage1").read() == pytest.approx(1.0)


def test_a_chip_that_is_not_ready_answers_with_an_error(
    tree: KernelTree, kernel: StumblingKernel, machine: Machine
) -> None:
    """ "we double check if it's really down: if (val) return -EIO;" """
    hx711(tree, MIDDLE)
    kernel.fails["in_voltage0_raw"] = (errno.EIO, -1)
    with pytest.raises(ReadError, match="in_voltage0_raw: EIO"):
        source(machine).read()


def test_a_converter_with_signed_codes(tree: KernelTree, machine: Machine) -> None:
    tree.iio(0, "1-002a", "nau7802", {"in_voltage0_raw": "-96000", "in_voltage_scale": "0.000001"})
    points = [[-12_000.0, 0.0], [-432_000.0, 5.0]]
    assert source(machine, chip="nau7802", code="signed", points=points).read() == pytest.approx(1.0)


def test_more_than_two_points_are_a_line_of_best_fit(tree: KernelTree, machine: Machine) -> None:
    """By hand: y = x + 1 with errors +0.1, -0.2, +0.1 about it keeps its slope and start (they sum to nothing, and to
    nothing weighted by x = -1, 0, 1)."""
    hx711(tree, MIDDLE + 5)
    points = [[-1.0, 0.1], [0.0, 0.8], [1.0, 2.1]]
    assert source(machine, points=points).read() == pytest.approx(6.0)


def test_points_are_needed(machine: Machine) -> None:
    with pytest.raises(SetupError, match="the empty hook and a known mass"):
        Bridge.from_table(table(chip="hx711"), "weight", machine)
    with pytest.raises(SetupError, match="points that differ"):
        source(machine, points=[[1.0, 0.0], [1.0, 5.0]])
