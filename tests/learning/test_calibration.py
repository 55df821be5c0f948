"""Calibration against OIML R 76, OIML D 28 and Greenspan 1977, and against faults put in on purpose."""

import numpy as np
import pytest

from drymon.errors import LearningError
from drymon.learning.calibration import (
    buoyancy_factor,
    calibrate_against,
    calibrate_cell,
    calibrate_humidity,
    largest_error_allowed,
    salt_humidity,
)


@pytest.mark.parametrize(
    ("accuracy", "intervals", "limit"),
    [
        ("II", 5_000, 0.5), ("II", 20_000, 1.0), ("II", 20_001, 1.5),
        ("III", 0, 0.5), ("III", 500, 0.5), ("III", 501, 1.0), ("III", 2_000, 1.0), ("III", 2_001, 1.5),
        ("III", 10_000, 1.5),
        ("IIII", 50, 0.5), ("IIII", 200, 1.0), ("IIII", 1_000, 1.5),
    ],
)  # fmt: skip
def test_largest_errors_are_those_of_oiml_r76_table_6(accuracy, intervals, limit):
    """OIML R 76-1:2006 table 6, in verification intervals of 2 g."""
    assert largest_error_allowed(0.002 * intervals, 0.002, accuracy) == pytest.approx(0.002 * limit)


def test_a_load_beyond_the_class_is_refused_with_the_way_out():
    with pytest.raises(LearningError, match=r"10001 intervals.*larger interval"):
        largest_error_allowed(10.001, 0.001, "III")


@pytest.mark.parametrize(("density", "factor"), [(1000.0, 1.001051262), (2000.0, 1.000450270), (8000.0, 1.0)])
def test_buoyancy_with_the_conventional_densities(density, factor):
    """Computed with the conventional values of OIML D 28 (1.2 and 8000 kg/m3)."""
    assert buoyancy_factor(density) == pytest.approx(factor, abs=5e-10)


def test_zero_and_span_put_into_a_cell_come_out_again():
    loads = [0.0, 2.0, 5.0, 10.0, 5.0, 2.0, 0.0]
    found = calibrate_cell([(load, 0.03 + 1.02 * load) for load in loads], 0.001)
    assert found.good
    assert found.gain * (0.03 + 1.02 * 7.0) + found.offset == pytest.approx(7.0, abs=1e-9)
    assert found.figures["hysteresis_kg"] == pytest.approx(0.0, abs=1e-9)


def test_hysteresis_and_repeatability_are_told_apart():
    """5 kg reads 4 g more on the way down; 2 kg reads 3 g apart when repeated on the way up."""
    points = [(0.0, 0.0), (2.0, 2.0), (2.0, 2.003), (5.0, 5.0), (10.0, 10.0), (5.0, 5.004), (0.0, 0.0)]
    figures = calibrate_cell(points, 0.001).figures
    assert figures["hysteresis_kg"] == pytest.approx(0.004, abs=1e-9)
    assert figures["repeatability_kg"] == pytest.approx(0.003, abs=1e-9)


def test_a_bent_cell_is_outside_class_iii():
    """A sag of 10 g in the middle of 10 kg, against 3 g allowed in service (twice 1.5 intervals of 1 g)."""
    loads = np.array([0.0, 2.5, 5.0, 7.5, 10.0])
    shown = loads - 0.01 * np.sin(np.pi * loads / 10.0)
    found = calibrate_cell([*zip(loads, shown, strict=True)], 0.001)
    assert not found.good
    assert "outside" in found.verdict


@pytest.mark.parametrize(
    ("salt", "temperature", "humidity"),
    [("NaCl", 25.0, 75.29), ("LiCl", 20.0, 11.31), ("MgCl2", 25.0, 32.78), ("K2SO4", 30.0, 97.0), ("KCl", 20.0, 85.11)],
)
def test_salts_are_greenspans(salt, temperature, humidity):
    """Greenspan 1977, J. Res.

    NBS 81A:89, table 2 (from memory, checked against his polynomials within 0.015 points).
    """
    assert salt_humidity(salt, temperature)[0] == pytest.approx(humidity, abs=0.02)


def test_two_salts_correct_gain_and_offset():
    """A sensor that reads 0.9 x true + 5: the salts' true values are Greenspan's at 25 degC."""
    true = {"MgCl2": 32.78, "NaCl": 75.29}
    found = calibrate_humidity([(salt, 25.0, 0.9 * value + 5.0) for salt, value in true.items()])
    assert found.gain * (0.9 * 52.0 + 5.0) + found.offset == pytest.approx(52.0, abs=0.05)
    assert found.good


def test_one_salt_gives_an_offset_only():
    found = calibrate_humidity([("NaCl", 25.0, 78.29)])
    assert (found.gain, found.offset) == (1.0, pytest.approx(-3.0, abs=0.02))


def test_unknown_salts_and_temperatures_are_named():
    with pytest.raises(LearningError, match="received 'table sugar', known are LiCl"):
        calibrate_humidity([("table sugar", 25.0, 50.0)])
    with pytest.raises(LearningError, match="received 45 degC"):
        calibrate_humidity([("NaCl", 45.0, 75.0)])


def test_air_speed_is_corrected_in_proportion():
    found = calibrate_against("airflow", [(0.5, 0.4), (0.6, 0.48)])
    assert (found.gain, found.offset) == (pytest.approx(1.25), 0.0)


def test_a_thermometer_far_off_is_not_believed():
    found = calibrate_against("temperature", [(21.0, 33.0)])
    assert not found.good
    assert "look for what is wrong" in found.verdict
