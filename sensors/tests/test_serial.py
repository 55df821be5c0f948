"""Scales and thermometers on a real pseudo-terminal: split lines, junk, silence, unplugging and coming back."""

from __future__ import annotations

import os
import tty
from pathlib import Path

import pytest
from conftest import table, until

pytest.importorskip("serial", reason="needs pyserial: pip install 'drymon-sensors[serial]'")

from drymon_sensors.clock import SystemClock
from drymon_sensors.errors import ReadError, SetupError
from drymon_sensors.sources.base import Machine
from drymon_sensors.sources.lines import Said
from drymon_sensors.sources.scale import Scale
from drymon_sensors.sources.thermometer import Thermometer


class Wire:
    """A pseudo-terminal behind a link, as /dev/serial/by-id has it; `say` is the device's voice."""

    def __init__(self, folder: Path) -> None:
        self.path = str(folder / "usb-scale-0001")
        self._device = -1
        self.plug()

    def plug(self) -> None:
        self._device, tail = os.openpty()
        tty.setraw(tail)
        self._tail = tail
        if os.path.islink(self.path):
            os.unlink(self.path)
        os.symlink(os.ttyname(tail), self.path)

    def unplug(self) -> None:
        os.close(self._device)
        os.close(self._tail)
        os.unlink(self.path)

    def say(self, data: bytes) -> None:
        os.write(self._device, data)

    def heard(self) -> bytes:
        return os.read(self._device, 100)


@pytest.fixture
def wire(tmp_path: Path) -> Wire:
    return Wire(tmp_path)


class QuickClock(SystemClock):
    """Real time, of which a test can let pass as much as it likes."""

    ahead = 0.0

    def monotonic(self) -> float:
        return super().monotonic() + self.ahead


@pytest.fixture
def clock() -> QuickClock:
    return QuickClock()


def scale(wire: Wire, clock: QuickClock, **keys: object) -> Scale:
    made = table(**{"port": wire.path, **keys})
    found = Scale.from_table(made, "weight", Machine(clock=clock))
    made.done()
    return found


def refused(source: Scale | Thermometer) -> str:
    with pytest.raises(ReadError) as why:
        source.read()
    return str(why.value)


def settled(source: Scale) -> float:
    """What it says once it says something."""
    said: list[float] = []

    def look() -> bool:
        try:
            said.append(source.read())
        except ReadError:
            return False
        return True

    assert until(look)
    return said[0]


def test_a_steady_mass_in_kilograms(wire: Wire, clock: QuickClock) -> None:
    bench = scale(wire, clock)
    assert "nothing has come" in refused(bench)
    wire.say(b"\r\nST,GS,+  512.4g\r\n")
    assert settled(bench) == pytest.approx(0.5124)
    bench.close()


def test_the_same_line_is_not_read_twice(wire: Wire, clock: QuickClock) -> None:
    """Never the old value again: a scale that fell silent has no weight."""
    bench = scale(wire, clock)
    refused(bench)
    wire.say(b"\r\nST,GS,+  512.4g\r\n")
    settled(bench)
    assert "nothing has come since the last look" in refused(bench)


def test_a_line_in_pieces_is_one_line(wire: Wire, clock: QuickClock) -> None:
    bench = scale(wire, clock)
    refused(bench)
    for piece in (b"\r\nST,G", b"S,+  51", b"2.", b"4g"):
        wire.say(piece)
        assert until(lambda: "nothing" in refused(bench))
    wire.say(b"\r\n")
    assert settled(bench) == pytest.approx(0.5124)


def test_the_rest_of_a_line_is_no_mass(wire: Wire, clock: QuickClock) -> None:
    """The wire is opened while the scale speaks: "2.4g" is the end of another mass."""
    bench = scale(wire, clock)
    refused(bench)
    wire.say(b"2.4g\r\n")
    assert until(lambda: "nothing" in refused(bench))
    wire.say(b"ST,GS,+  512.4g\r\n")
    assert settled(bench) == pytest.approx(0.5124)


def test_a_print_key_after_a_silence(wire: Wire, clock: QuickClock) -> None:
    bench = scale(wire, clock)
    refused(bench)
    clock.ahead += 1.0
    wire.say(b"ST,GS,+  512.4g\r\n")
    assert settled(bench) == pytest.approx(0.5124)


def test_junk_between_lines_is_told_and_costs_itself_alone(wire: Wire, clock: QuickClock) -> None:
    bench = scale(wire, clock)
    refused(bench)
    wire.say(b"\r\n\xff\xfe?!\r\n")
    assert until(lambda: "allowed is a number and its unit" in refused(bench))
    wire.say(b"ST,GS,+  512.4g\r\n")
    assert settled(bench) == pytest.approx(0.5124)


def test_a_moving_scale_gives_nothing_and_three_equal_readings_do(wire: Wire, clock: QuickClock) -> None:
    bench = scale(wire, clock, equal=3)
    refused(bench)
    wire.say(b"\r\n512.4 g\r\n512.5 g\r\n512.5 g\r\n")
    assert until(lambda: "not steady yet: 512.5 g" in refused(bench))
    wire.say(b"512.5 g\r\n")
    assert settled(bench) == pytest.approx(0.5125)


def test_a_mass_that_moves_again_is_not_the_steady_one_before(wire: Wire, clock: QuickClock) -> None:
    bench = scale(wire, clock)
    refused(bench)
    wire.say(b"\r\nST,GS,+  512.4g\r\nUS,GS,+  900.0g\r\n")
    assert until(lambda: "not steady yet: US" in refused(bench))


def test_a_missing_unit_is_refused_unless_it_is_set(wire: Wire, clock: QuickClock) -> None:
    bench = scale(wire, clock)
    refused(bench)
    wire.say(b"\r\nST 512.4\r\n")
    assert until(lambda: "with no unit" in refused(bench))
    bench.close()
    other = scale(wire, clock, unit="g")
    refused(other)
    wire.say(b"\r\nST 512.4\r\n")
    assert settled(other) == pytest.approx(0.5124)


def test_a_scale_that_must_be_asked(wire: Wire, clock: QuickClock) -> None:
    import threading

    bench = scale(wire, clock, ask="W\r\n")

    def answer() -> None:
        for _ in range(2):
            assert wire.heard() == b"W\r\n"
            wire.say(b"ST,GS,+  512.4g\r\n")

    answering = threading.Thread(target=answer)
    answering.start()
    refused(bench)  # what may have been under way is thrown away
    assert bench.read() == pytest.approx(0.5124)
    answering.join(5)


def test_a_port_that_nobody_read_for_long_is_emptied_not_believed(wire: Wire, clock: QuickClock) -> None:
    """The kernel keeps 4096 bytes and loses what comes later: what lies there is old."""
    bench = scale(wire, clock)
    refused(bench)
    wire.say(b"\r\n")
    refused(bench)
    os.set_blocking(wire._device, False)
    try:
        while True:
            wire.say(b"ST,GS,+  100.0g\r\n")
    except BlockingIOError:
        pass
    assert "nothing has come" in refused(bench)
    wire.say(b"\r\nST,GS,+  512.4g\r\n")
    assert settled(bench) == pytest.approx(0.5124)


def test_unplugged_and_plugged_in_again(wire: Wire, clock: QuickClock) -> None:
    bench = scale(wire, clock)
    refused(bench)
    wire.say(b"\r\nST,GS,+  512.4g\r\n")
    settled(bench)
    wire.unplug()
    assert until(lambda: "was it unplugged?" in refused(bench))
    assert "waiting to try it again" in refused(bench)
    clock.ahead += 3.0
    assert "is it plugged in" in refused(bench)
    wire.plug()
    clock.ahead += 3.0
    refused(bench)
    wire.say(b"\r\nST,GS,+  498.7g\r\n")
    assert settled(bench) == pytest.approx(0.4987)


def test_a_port_belongs_to_one_program(wire: Wire, clock: QuickClock) -> None:
    bench, other = scale(wire, clock), scale(wire, clock)
    assert "nothing" in refused(bench)
    assert "is it plugged in, and may this user open it?" in refused(other)


def test_the_scales_own_digits_are_kept(wire: Wire, clock: QuickClock) -> None:
    bench = scale(wire, clock)
    refused(bench)
    wire.say(b"\r\nST,GS,+  1.1280lb\r\n")
    said: list[Said] = []

    def look() -> bool:
        try:
            said.append(bench.steady_mass())
        except ReadError:
            return False
        return True

    assert until(look)
    assert said == [Said("1.1280", "lb", True)]


def test_an_infrared_thermometer(wire: Wire, clock: QuickClock) -> None:
    spot = Thermometer.from_table(table(port=wire.path), "surface", Machine(clock=clock))
    assert "nothing" in refused(spot)
    wire.say(b"\r\n66.92 F\r\n")
    values: list[float] = []

    def look() -> bool:
        try:
            values.append(spot.read())
        except ReadError:
            return False
        return True

    assert until(look)
    assert values[0] == pytest.approx(19.4)  # (66.92 - 32) / 1.8
    spot.close()


def test_without_the_library_that_source_alone_gives_nothing(
    wire: Wire, clock: QuickClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "serial", None)
    assert "pip install 'drymon-sensors[serial]'" in refused(scale(wire, clock))


def test_settings_that_no_port_has_are_refused(wire: Wire, clock: QuickClock) -> None:
    for wrong in ({"speed": 9601}, {"frame": "8X1"}, {"unit": "stone"}, {"equal": 1}):
        with pytest.raises(SetupError):
            scale(wire, clock, **wrong)
