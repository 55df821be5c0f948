"""Calibration against OIML R 76, OIML D 28 and Greenspan 1977, and against faults put in on purpose."""

import numpy as np
import pytest

from drymon.errors import LearningError
from drymon.learning.calibration import calibrate_against, calibrate_humidity
from drymon.learning.cell_calibration import buoyancy_factor, calibrate_cell, largest_error_allowed
from drymon.learning.salts import SALTS, salt_humidity


@pytest.mark.parametrize(
    ("accuracy", "intervals", "limit"),
    [
        ("II", 5_000, 0.5), ("II", 20_000, 1.0), ("II", 20_001, 1.5),
        ("III", 0, 0.5), ("III", 500, 0.5), ("III", 501, 1.0), ("III", 2_000, 1.0), ("III", 2_001, 1.5),
        ("III", 10_000, 1.5),
        ("IIII", 50, 0.5), ("IIII", 200, 1.0), ("IIII", 1_000, 1.5),
    ],
)  # fmt: skip
def test_largest_errors_are_those_of_oiml_r76_table_6(accuracy, intervals, limit) -> None:
    """OIML R 76-1:2006 table 6, in verification intervals of 2 g."""
    assert largest_error_allowed(0.002 * intervals, 0.002, accuracy) == pytest.approx(0.002 * limit)


def test_a_load_beyond_the_class_is_refused_with_the_way_out() -> None:
    with pytest.raises(LearningError, match=r"10001 intervals.*larger interval"):
        largest_error_allowed(10.001, 0.001, "III")


@pytest.mark.parametrize(("density", "factor"), [(1000.0, 1.001051262), (2000.0, 1.000450270), (8000.0, 1.0)])
def test_buoyancy_with_the_conventional_densities(density, factor) -> None:
    """Computed with the conventional values of OIML D 28 (1.2 and 8000 kg/m3)."""
    assert buoyancy_factor(density) == pytest.approx(factor, abs=5e-10)


def test_zero_and_span_put_into_a_cell_come_out_again() -> None:
    loads = [0.0, 2.0, 5.0, 10.0, 5.0, 2.0, 0.0]
    found = calibrate_cell([(load, 0.03 + 1.02 * load) for load in loads], 0.001)
    assert found.good
    assert found.gain * (0.03 + 1.02 * 7.0) + found.offset == pytest.approx(7.0, abs=1e-9)
    assert found.figures["hysteresis_kg"] == pytest.approx(0.0, abs=1e-9)


def test_hysteresis_and_repeatability_are_told_apart() -> None:
    """5 kg reads 4 g more on the way down; 2 kg reads 3 g apart when repeated on the way up."""
    points = [(0.0, 0.0), (2.0, 2.0), (2.0, 2.003), (5.0, 5.0), (10.0, 10.0), (5.0, 5.004), (0.0, 0.0)]
    figures = calibrate_cell(points, 0.001).figures
    assert figures["hysteresis_kg"] == pytest.approx(0.004, abs=1e-9)
    assert figures["repeatability_kg"] == pytest.approx(0.003, abs=1e-9)


def test_a_bent_cell_is_outside_class_iii() -> None:
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
def test_salts_are_greenspans(salt, temperature, humidity) -> None:
    """Greenspan 1977, J. Res.

    NBS 81A:89, table 2 (from memory, checked against his polynomials within 0.015 points).
    """
    assert salt_humidity(salt, temperature)[0] == pytest.approx(humidity, abs=0.02)


def test_two_salts_correct_gain_and_offset() -> None:
    """A sensor that reads 0.9 x true + 5: the salts' true values are Greenspan's at 25 degC."""
    true = {"MgCl2": 32.78, "NaCl": 75.29}
    found = calibrate_humidity([(salt, 25.0, 0.9 * value + 5.0) for salt, value in true.items()])
    assert found.gain * (0.9 * 52.0 + 5.0) + found.offset == pytest.approx(52.0, abs=0.05)
    assert found.good


def test_one_salt_gives_an_offset_only() -> None:
    found = calibrate_humidity([("NaCl", 25.0, 78.29)])
    assert (found.gain, found.offset) == (1.0, pytest.approx(-3.0, abs=0.02))


def test_unknown_salts_and_temperatures_are_named() -> None:
    with pytest.raises(LearningError, match="received 'table sugar', known are LiCl"):
        calibrate_humidity([("table sugar", 25.0, 50.0)])
    with pytest.raises(LearningError, match="received 45 degC"):
        calibrate_humidity([("NaCl", 45.0, 75.0)])


def test_air_speed_is_corrected_in_proportion() -> None:
    found = calibrate_against("airflow", [(0.5, 0.4), (0.6, 0.48)])
    assert (found.gain, found.offset) == (pytest.approx(1.25), 0.0)


def test_a_thermometer_far_off_is_not_believed() -> None:
    found = calibrate_against("temperature", [(21.0, 33.0)])
    assert not found.good
    assert "look why" in found.verdict


@pytest.mark.parametrize("feet_per_minute", [[200.0], [190.0, 210.0], [100.0, 200.0, 300.0]])
def test_a_reference_in_another_unit_is_no_correction(feet_per_minute) -> None:
    """1 ft/min is 0.00508 m/s: whoever compares 200 of them with 1.0 m/s has a sensor that is right."""
    with pytest.raises(LearningError, match=r"gain of 19\d\.\d+; allowed is 0\.5 to 2.*another unit"):
        calibrate_against("airflow", [(speed, 0.00508 * speed) for speed in feet_per_minute])


@pytest.mark.parametrize(("reference", "reading"), [(1.0, 0.49), (1.0, 2.05)])
def test_an_air_speed_twice_or_half_is_too_much_for_a_factor(reference, reading) -> None:
    with pytest.raises(LearningError, match=r"allowed is 0\.5 to 2"):
        calibrate_against("airflow", [(reference, reading)])


def test_air_speeds_are_far_off_whichever_of_the_two_is_large() -> None:
    """Pairs that contradict each other by more than either speaks of: 1.0 against 3.2, 3.0 against 0.9."""
    found = calibrate_against("airflow", [(1.0, 3.2), (3.0, 0.9)])
    assert not found.good


@pytest.mark.parametrize(
    ("kind", "points", "off"),
    [
        ("humidity", [("NaCl", 25.0, 93.89)], "18.6 %RH"),
        # Greenspan's 32.78 and 75.29 by a sensor that shows 12 points more and 6 points less: gain 1.73.
        ("humidity", [("MgCl2", 25.0, 44.78), ("NaCl", 25.0, 69.29)], "%RH"),
        ("temperature", [(21.0, 25.9)], "4.9 °C"),
    ],
)
def test_a_correction_too_large_for_a_sound_sensor_is_told_however_well_it_fits(kind, points, off) -> None:
    """How far a sound sensor may be off: common practice, no source."""
    found = calibrate_humidity(points) if kind == "humidity" else calibrate_against(kind, points)
    assert not found.good
    assert found.verdict.startswith("far off")
    assert off in found.verdict
    assert "replace it, or look why" in found.verdict


@pytest.mark.parametrize(
    ("kind", "points", "told"),
    [
        ("humidity", [("NaCl", 25.0, 78.29)], "one point always fits its own offset"),
        ("humidity", [("NaCl", 25.0, 78.29), ("MgCl2", 25.0, 35.78)], "two points always fit their own line"),
        ("temperature", [(21.0, 22.0)], "one point always fits its own offset"),
        ("airflow", [(1.0, 0.8)], "one point always fits its own factor"),
    ],
)
def test_what_fits_whatever_it_is_is_not_called_good(kind, points, told) -> None:
    found = calibrate_humidity(points) if kind == "humidity" else calibrate_against(kind, points)
    words = " ".join(found.lines)
    assert found.good
    assert found.verdict == "plausible once corrected, but not tested"
    assert told in words
    assert "a further point would test it" in words
    assert "after correction" not in words


def test_a_further_point_tests_the_line() -> None:
    """3 points high at three of Greenspan's salts at 25 degC."""
    found = calibrate_humidity([("MgCl2", 25.0, 35.78), ("NaBr", 25.0, 60.57), ("NaCl", 25.0, 78.29)])
    assert found.verdict == "good once corrected"
    assert "0.00 %RH after correction" in found.lines[0]


def test_a_sensor_that_agrees_with_its_reference_is_good_from_one_point() -> None:
    for reading in (21.1, 21.3):  # 0.3 K is good (common practice, no source)
        assert calibrate_against("temperature", [(21.0, reading)]).verdict == "good once corrected"


def test_a_cell_says_what_was_not_tried() -> None:
    """Up only and nothing twice: neither a way down nor a repeat; two loads alone always fit their line."""
    up = calibrate_cell([(0.0, 0.0), (2.0, 2.001), (5.0, 5.0)], 0.001)
    assert "hysteresis: not tried" in " ".join(up.lines)
    assert "repeatability: not tried" in " ".join(up.lines)
    assert not {"hysteresis_kg", "repeatability_kg"} & set(up.figures)
    assert "linearity: not tried" not in " ".join(up.lines)
    two = calibrate_cell([(0.0, 0.0), (5.0, 5.0), (5.0, 5.002), (0.0, 0.001)], 0.001)
    assert "linearity: not tried" in " ".join(two.lines)
    assert "hysteresis 1.0 g" in " ".join(two.lines)
    assert "repeatability 2.0 g" in " ".join(two.lines)


def test_masses_in_pounds_are_no_correction_of_a_cell() -> None:
    """1 lb is 0.45359237 kg (international agreement of 1959)."""
    with pytest.raises(LearningError, match=r"gain of 2\.20; allowed is 0\.5 to 2"):
        calibrate_cell([(pounds, 0.45359237 * pounds) for pounds in (0.0, 5.0, 10.0)], 0.001)


def test_an_interval_as_large_as_the_load_is_refused_with_both() -> None:
    """OIML R 76-1:2006 table 3 wants at least 100 intervals of class III (from memory)."""
    with pytest.raises(LearningError, match=r"interval: received 5000 g.*80 g.*largest load, 8 kg"):
        calibrate_cell([(0.0, 0.0), (4.0, 4.0), (8.0, 8.0)], 5.0)


@pytest.mark.parametrize("name", ["NaCl", "nacl", "sodium chloride", "Sodium-Chloride"])
def test_salts_go_by_their_formula_or_their_name(name) -> None:
    assert salt_humidity(name, 25.0)[0] == pytest.approx(75.29)


def test_every_salt_has_a_name_of_its_own() -> None:
    names = [salt.name for salt in SALTS.values()]
    assert all(
        salt_humidity(name, 20.0) == salt_humidity(formula, 20.0) for formula, name in zip(SALTS, names, strict=True)
    )
    assert len(set(names)) == len(SALTS) == 8
