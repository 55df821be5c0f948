"""Pulse anemometers against the kernel's own rules, quoted beside each test.

Quotes: Linux, Documentation/ABI/testing/sysfs-bus-counter unless another file is named.
"""

from __future__ import annotations

import errno
import os

import pytest
from conftest import StumblingKernel, table

from drymon_sensors.errors import NotYet, ReadError, SetupError
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.counter import PulseCounter
from drymon_sensors.trial import KernelTree, TrialClock


def interrupt_counter(tree: KernelTree, count: int, number: int = 0, **more: str) -> str:
    """As drivers/counter/interrupt-cnt.c shows it: named by its device (`counter->name = dev_name(dev)`)."""
    attributes = {"count0/count": str(count), "count0/enable": "1", "count0/name": "Channel 0 Count", **more}
    return tree.counter(number, "pulses", "pulses", attributes)


def source(machine: Machine, **keys: object) -> PulseCounter:
    made = table(**{"chip": "pulses", **keys})
    found = PulseCounter.from_table(made, "airflow", machine)
    made.done()
    return found


def counted(tree: KernelTree, folder: str, count: int) -> None:
    tree.write(os.path.join(folder, "count0/count"), f"{count}\n")


def test_speed_is_pulses_over_running_time(tree: KernelTree, machine: Machine, clock: TrialClock) -> None:
    """ "count: Count data of Count Y represented as a string." 120 pulses in 10 s at 0.1 m/s each, and 0.2 to start."""
    folder = interrupt_counter(tree, 1000)
    air = source(machine, slope=0.1, start=0.2)
    with pytest.raises(NotYet):
        air.read()
    counted(tree, folder, 1120)
    clock.wall_s += 86_400.0  # the wall clock is put right by a day: running time does not care
    clock.sleep(10.0)
    assert air.read() == pytest.approx(1.4)


def test_no_pulse_is_still_air(tree: KernelTree, machine: Machine, clock: TrialClock) -> None:
    interrupt_counter(tree, 1000)
    air = source(machine, slope=0.1, start=0.2)
    with pytest.raises(NotYet):
        air.read()
    clock.sleep(10.0)
    assert air.read() == 0.0


def test_the_register_begins_anew_at_32_bits(tree: KernelTree, machine: Machine, clock: TrialClock) -> None:
    """drivers/counter/interrupt-cnt.c keeps `atomic_t count`, an int; counter-sysfs.c shows it as %llu of a u64, so
    that after 2147483647 comes 18446744071562067968. By hand: from 2147483640 on, 8 pulses reach it, 12 more are 20."""
    folder = interrupt_counter(tree, 2_147_483_640)
    air = source(machine, slope=1.0)
    with pytest.raises(NotYet):
        air.read()
    counted(tree, folder, 18_446_744_071_562_067_968 + 12)
    clock.sleep(10.0)
    assert air.read() == pytest.approx(2.0)


def test_a_counter_with_a_ceiling_begins_anew_there(tree: KernelTree, machine: Machine, clock: TrialClock) -> None:
    """ "ceiling: Count value ceiling for Count Y. This is the upper limit for the respective counter"; of modulo-n:
    "The counter is reset to the Count Y floor value at count = ceiling when counting up". 65530 to 65535 are 5, to 0
    one more, to 14 fourteen more."""
    folder = interrupt_counter(tree, 65_530, **{"count0/ceiling": "65535"})
    air = source(machine, slope=1.0)
    with pytest.raises(NotYet):
        air.read()
    counted(tree, folder, 14)
    clock.sleep(10.0)
    assert air.read() == pytest.approx(2.0)


def test_a_counter_that_was_set_back_is_not_taken_for_a_storm(
    tree: KernelTree, machine: Machine, clock: TrialClock
) -> None:
    folder = interrupt_counter(tree, 1_000_000)
    air = source(machine, slope=1.0)
    with pytest.raises(NotYet):
        air.read()
    counted(tree, folder, 3)  # the driver was loaded anew
    clock.sleep(10.0)
    with pytest.raises(NotYet, match="set back"):
        air.read()
    counted(tree, folder, 23)
    clock.sleep(10.0)
    assert air.read() == pytest.approx(2.0)


def test_a_counter_that_is_paused_is_no_still_air(tree: KernelTree, machine: Machine, clock: TrialClock) -> None:
    """ "enable: Whether channel Y counter is enabled. […] This attribute is intended to serve as a pause/unpause
    mechanism for Count Y." The interrupt counter starts paused (interrupt-cnt.c: IRQ_NOAUTOEN)."""
    folder = interrupt_counter(tree, 7, **{"count0/enable": "0"})
    air = source(machine, slope=1.0)
    with pytest.raises(ReadError, match="count0/enable is 0: it does not count; write 1"):
        air.read()
    tree.write(os.path.join(folder, "count0/enable"), "1")
    with pytest.raises(NotYet):
        air.read()
    clock.sleep(10.0)
    assert air.read() == 0.0


def test_a_counter_found_under_another_number(tree: KernelTree, machine: Machine, clock: TrialClock) -> None:
    interrupt_counter(tree, 100, 0)
    air = source(machine, slope=1.0)
    with pytest.raises(NotYet):
        air.read()
    tree.remove("bus/counter/devices/counter0")
    with pytest.raises(ReadError, match="not found"):
        air.read()
    interrupt_counter(tree, 120, 5)
    clock.sleep(10.0)
    assert air.read() == pytest.approx(2.0)


def test_errors_are_told(tree: KernelTree, kernel: StumblingKernel, machine: Machine) -> None:
    interrupt_counter(tree, 100)
    kernel.fails["count"] = (errno.EIO, -1)
    with pytest.raises(ReadError, match="count: EIO"):
        source(machine, slope=1.0).read()


def test_a_calibration_table_instead_of_a_line(tree: KernelTree, machine: Machine, clock: TrialClock) -> None:
    folder = interrupt_counter(tree, 0)
    air = source(machine, points=[[0.0, 0.0], [1.0, 0.3], [10.0, 3.0]])
    with pytest.raises(NotYet):
        air.read()
    counted(tree, folder, 55)
    clock.sleep(10.0)
    assert air.read() == pytest.approx(1.65)  # 5.5 Hz: half-way between 1 and 10


def test_a_slope_is_needed(machine: Machine) -> None:
    with pytest.raises(SetupError, match="slope: is missing"):
        source(machine)
