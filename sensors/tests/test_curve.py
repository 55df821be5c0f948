"""Calibration curves: against points worked out by hand, and King's law against a published correlation."""

from __future__ import annotations

import math

import pytest
from conftest import table

from drymon_sensors.curve import king_through, line_through, table_of
from drymon_sensors.errors import ReadError, SetupError

KEYS = table()
WIRE_M = 5e-6
VISCOSITY = 1.5e-5  # m2/s, air at 20 °C


def collis_williams(speed: float) -> float:
    """Nusselt number of a hot wire in air: D. C. Collis and M. J. Williams, J. Fluid Mech. 6 (1959) 357: 0.24 + 0.56
    Re^0.45 for 0.02 < Re < 44, the temperature factor left out (from memory)."""
    return 0.24 + 0.56 * math.pow(speed * WIRE_M / VISCOSITY, 0.45)


def test_kings_law_finds_the_exponent_and_the_speeds_of_a_real_wires_heat_loss() -> None:
    """The power that keeps a wire hot, so the square of its voltage, goes with the Nusselt number."""
    speeds = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0]
    points = [(math.sqrt(2.0 * collis_williams(speed)), speed) for speed in speeds]
    wire = king_through(points, KEYS, "points")
    assert wire.n == pytest.approx(0.45, abs=0.005)
    for speed in (0.15, 0.7, 3.0, 8.0):
        assert wire(math.sqrt(2.0 * collis_williams(speed))) == pytest.approx(speed, rel=1e-3)


def test_kings_law_in_still_air_and_beyond_the_points() -> None:
    points = [(math.sqrt(1.0 + 2.0 * math.sqrt(speed)), speed) for speed in (0.0, 0.25, 1.0, 4.0)]
    wire = king_through(points, KEYS, "points")
    assert (wire.a, wire.b, wire.n) == (pytest.approx(1.0), pytest.approx(2.0), 0.5)
    assert wire(1.0) == pytest.approx(0.0, abs=1e-12)
    assert wire(0.9) == 0.0, "a little less than in still air is still air, not a speed"
    with pytest.raises(ReadError, match="calibrate further"):
        wire(math.sqrt(1.0 + 2.0 * math.sqrt(5.5)))


def test_volts_that_fall_with_the_speed_are_no_hot_wire() -> None:
    with pytest.raises(SetupError, match="volts that rise with the speed"):
        king_through([(3.0, 0.0), (2.5, 1.0), (2.0, 2.0), (1.5, 3.0)], KEYS, "points")
    with pytest.raises(SetupError, match="four or more points"):
        king_through([(1.0, 0.0), (2.0, 1.0)], KEYS, "points")


def test_a_table_is_straight_between_its_points() -> None:
    curve = table_of([(0.4, 0.0), (1.0, 0.6), (2.0, 3.6)], KEYS, "points")
    assert curve(0.7) == pytest.approx(0.3)
    assert curve(1.5) == pytest.approx(2.1)
    assert curve(1.0) == pytest.approx(0.6)


def test_a_table_holds_its_ends_a_little_and_refuses_what_lies_far_beyond() -> None:
    curve = table_of([(0.4, 0.0), (2.4, 5.0)], KEYS, "points")
    assert curve(0.35) == 0.0, "zero wanders"
    assert curve(2.45) == 5.0
    for volts in (0.2, 2.6):
        with pytest.raises(ReadError, match=r"the table has 0\.4 to 2\.4"):
            curve(volts)


def test_a_table_with_a_volt_twice_is_refused() -> None:
    with pytest.raises(SetupError, match="each first number once"):
        table_of([(0.4, 0.0), (0.4, 1.0)], KEYS, "points")


def test_a_line_goes_through_two_points() -> None:
    line = line_through([(12_000.0, 0.0), (432_000.0, 5.0)], KEYS, "points")
    assert line(222_000.0) == pytest.approx(2.5)
