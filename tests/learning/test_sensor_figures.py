"""Calibrations at the edges of what they call good, and of what they take: figures of common practice unless a line
names a source.
"""

import numpy as np
import pytest

from drymon.errors import LearningError
from drymon.learning.calibration import calibrate_against, calibrate_humidity
from drymon.learning.cell_calibration import calibrate_cell, largest_error_allowed
from drymon.learning.salts import SALTS, salt_humidity

GREENSPAN = {
    "LiCl": (11.2323, 0.00824245, -0.214890e-3, 0.0),
    "MgCl2": (33.6686, -0.00797397, -0.108988e-2, 0.0),
    "K2CO3": (43.1315, 0.00147523, 0.0, 0.0),
    "Mg(NO3)2": (60.3514, -0.298640, 0.0, 0.0),
    "NaCl": (75.5164, 0.0398321, -0.265459e-2, 2.848e-5),
    "KCl": (88.6190, -0.193340, 0.899706e-3, 0.0),
    "K2SO4": (98.7792, -0.0590502, 0.0, 0.0),
}
"""Coefficients of % RH by powers of degC: Greenspan 1977, J. Res. NBS 81A:89, table 1 (from memory)."""


@pytest.mark.parametrize("formula", GREENSPAN)
@pytest.mark.parametrize("temperature", [15.0, 20.0, 22.5, 25.0, 30.0])
def test_salts_are_those_of_greenspans_polynomials(formula: str, temperature: float) -> None:
    expected = sum(each * temperature**power for power, each in enumerate(GREENSPAN[formula]))
    found, uncertainty = salt_humidity(formula, temperature)
    assert found == pytest.approx(expected, abs=0.04)
    assert 0.1 < uncertainty < 1.0


def test_sodium_bromide_falls_with_warmth_between_its_neighbours() -> None:
    values = [salt_humidity("NaBr", temperature)[0] for temperature in (15.0, 20.0, 25.0, 30.0)]
    assert np.diff(values) == pytest.approx([-1.55, -1.56, -1.55], abs=0.05)  # 0.31 points a kelvin
    assert values[2] == pytest.approx(57.57, abs=0.05)  # Greenspan's table 2 at 25 degC (from memory)


@pytest.mark.parametrize("beyond", [14.9, 30.1])
def test_the_table_of_salts_ends_at_15_and_30_degrees(beyond: float) -> None:
    for formula in SALTS:
        for end in (15.0, 30.0):
            assert 0.0 < salt_humidity(formula, end)[0] < 100.0
        with pytest.raises(LearningError, match="15 to 30"):
            salt_humidity(formula, beyond)


def thermometer(*off: float) -> str:
    """Verdict on one that is so far off at temperatures of a few kelvins."""
    return calibrate_against("temperature", [(20.0 + place, 20.0 + place + by) for place, by in enumerate(off)]).verdict


@pytest.mark.parametrize(
    ("off", "verdict"),
    [
        ((0.3,), "good once corrected"),
        ((0.31,), "plausible once corrected, but not tested"),
        ((3.0,), "plausible once corrected, but not tested"),
        ((3.01,), "far off"),
        ((-3.01,), "far off"),
        ((0.3, -0.3), "good once corrected"),
        ((0.31, -0.31), "usable once corrected, with wider bounds"),
        ((1.0, -1.0), "usable once corrected, with wider bounds"),
        ((1.01, -1.01), "not to be relied on"),
        ((2.0, 2.0), "good once corrected"),
    ],
)
def test_what_a_thermometer_may_be_off(off: tuple[float, ...], verdict: str) -> None:
    """0.3 K is good, 1 K fair, 3 K far off."""
    assert thermometer(*off).startswith(verdict)


@pytest.mark.parametrize(
    ("off", "verdict", "good"),
    [
        ((2.0, -2.0), "good once corrected", True),
        ((2.1, -2.1), "usable once corrected", True),
        ((4.0, -4.0), "usable once corrected", True),
        ((4.1, -4.1), "not to be relied on", False),
        ((9.9, 9.9), "good once corrected", True),
        ((10.1, 10.1), "far off", False),
    ],
)
def test_what_a_hygrometer_may_be_off(off: tuple[float, ...], verdict: str, good: bool) -> None:
    """2 points are good, 4 fair, 10 far off; twice in one salt, so that an offset is all that is fitted."""
    found = calibrate_humidity([("NaCl", 25.0, 75.29 + by) for by in off])
    assert found.verdict.startswith(verdict)
    assert found.good is good


def test_a_correction_is_held_against_the_whole_range_of_a_room() -> None:
    """A line that asks for 6 points at 33 %RH and none at 43 asks for more than 10 at 20 and at 80."""
    found = calibrate_humidity([("MgCl2", 25.0, 32.78 - 6.0), ("K2CO3", 25.0, 43.16), ("K2CO3", 25.0, 43.16)])
    assert found.verdict.startswith("far off")
    within = calibrate_humidity([("MgCl2", 25.0, 32.78 - 4.0), ("NaCl", 25.0, 75.29), ("NaCl", 25.0, 75.29)])
    assert within.verdict == "good once corrected"
    assert within.gain * 80.0 + within.offset == pytest.approx(79.6, abs=0.1)


@pytest.mark.parametrize(
    ("apart", "lines"), [([("KCl", 25.0), ("NaCl", 25.0)], False), ([("NaBr", 25.0), ("K2CO3", 25.0)], True)]
)
def test_salts_nine_points_apart_tell_an_offset_and_fourteen_a_line(
    apart: list[tuple[str, float]], lines: bool
) -> None:
    points = [(salt, t, 0.95 * salt_humidity(salt, t)[0] + 1.0) for salt, t in apart]
    assert (calibrate_humidity(points).gain != 1.0) is lines


@pytest.mark.parametrize(("references", "gain"), [((20.0, 29.9), 1.0), ((20.0, 30.0), 1.0 / 0.95)])
def test_thermometers_need_ten_kelvins_for_a_line(references: tuple[float, ...], gain: float) -> None:
    found = calibrate_against("temperature", [(each, 0.95 * each + 1.0) for each in references])
    assert found.gain == pytest.approx(gain)


@pytest.mark.parametrize(
    ("references", "offset"), [((0.5, 1.5), 0.0), ((0.5, 1.0, 1.49), 0.0), ((0.5, 1.0, 1.5), 0.1 / 0.9)]
)
def test_anemometers_need_three_pairs_a_metre_a_second_apart_for_a_line(
    references: tuple[float, ...], offset: float
) -> None:
    found = calibrate_against("airflow", [(each, 0.9 * each - 0.1) for each in references])
    assert found.offset == pytest.approx(offset)


@pytest.mark.parametrize(
    ("pairs", "verdict"),
    [
        ([(0.5, 0.6)], "good"),  # a tenth of a metre a second
        ([(0.5, 0.61)], "plausible"),
        ([(2.0, 2.2)], "good"),  # a tenth of the speed
        ([(2.0, 2.21)], "plausible"),
        ([(1.0, 1.09), (1.0, 0.91)], "good"),
        ([(1.0, 1.2), (1.0, 0.82)], "usable"),
        ([(1.0, 1.35), (1.0, 0.69)], "not to be relied on"),
        ([(0.2, 0.31)], "plausible"),
    ],
)
def test_what_an_anemometer_may_be_off(pairs: list[tuple[float, float]], verdict: str) -> None:
    """A tenth of the speed, 0.1 m/s at the least, is good; three times that is fair."""
    assert calibrate_against("airflow", pairs).verdict.startswith(verdict)


@pytest.mark.parametrize(("reading", "taken"), [(2.0, True), (2.01, False), (0.5, True), (0.499, False)])
def test_gains_of_a_half_and_of_two_are_taken(reading: float, taken: bool) -> None:
    if taken:
        assert calibrate_against("airflow", [(1.0, reading)]).gain == pytest.approx(1.0 / reading)
    else:
        with pytest.raises(LearningError, match=r"allowed is 0\.5 to 2"):
            calibrate_against("airflow", [(1.0, reading)])


@pytest.mark.parametrize("pairs", [[(-0.1, 0.1), (1.0, 1.0)], [(0.0, 0.0)], [], [(float("nan"), 1.0)]])
def test_air_speeds_that_are_none_are_refused(pairs: list[tuple[float, float]]) -> None:
    with pytest.raises(LearningError, match=r"air speeds|received"):
        calibrate_against("airflow", pairs)


def test_points_are_counted_in_words() -> None:
    assert "from 1 point" in calibrate_against("temperature", [(21.0, 21.1)]).lines[0]
    assert "from 2 points" in calibrate_against("temperature", [(21.0, 21.1), (22.0, 22.1)]).lines[0]
    with pytest.raises(LearningError, match="at least one salt"):
        calibrate_humidity([])
    with pytest.raises(LearningError, match="received 1 point; at least 3"):
        calibrate_cell([(0.0, 0.0)], 0.001)


# --- load cells ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("accuracy", "intervals", "limit"),
    [("I", 50_000, 0.5), ("I", 50_001, 1.0), ("I", 200_000, 1.0), ("I", 200_001, 1.5), ("I", 10_000_000, 1.5),
     ("II", 5_001, 1.0), ("II", 100_000, 1.5), ("IIII", 51, 1.0), ("IIII", 201, 1.5)],
)  # fmt: skip
def test_limits_of_every_class(accuracy: str, intervals: int, limit: float) -> None:
    """OIML R 76-1:2006 table 6."""
    assert largest_error_allowed(0.001 * intervals, 0.001, accuracy) == pytest.approx(0.001 * limit)


@pytest.mark.parametrize(("accuracy", "most"), [("II", 100_000), ("III", 10_000), ("IIII", 1_000)])
def test_a_class_ends(accuracy: str, most: int) -> None:
    with pytest.raises(LearningError, match=f"ends at {most:g}"):
        largest_error_allowed(0.001 * (most + 1), 0.001, accuracy)
    with pytest.raises(LearningError, match="allowed are I, II, III, IIII"):
        largest_error_allowed(1.0, 0.001, "V")


@pytest.mark.parametrize(("bent_g", "inside"), [(1.45, True), (1.55, False)])
def test_a_cell_in_service_may_err_by_twice_the_table(bent_g: float, inside: bool) -> None:
    """Three loads up to 500 intervals of a gram: two thirds of a bend remain about the line, 1 g is allowed."""
    found = calibrate_cell([(0.0, 0.0), (0.25, 0.25 + bent_g / 1000.0), (0.5, 0.5)], 0.001)
    assert found.good is inside
    assert found.figures["limit_kg"] == pytest.approx(0.001)
    assert found.figures["linearity_kg"] == pytest.approx(bent_g * 2.0 / 3000.0, rel=1e-6)


@pytest.mark.parametrize(("apart_g", "inside"), [(0.95, True), (1.05, False)])
def test_what_repeats_worse_than_the_limit_is_outside(apart_g: float, inside: bool) -> None:
    """Half of it lies on either side of the line, within the limit: the repeat itself must be within it."""
    points = [(0.0, 0.0), (0.0, 0.0), (0.25, 0.25), (0.25, 0.25), (0.5, 0.5), (0.5, 0.5 + apart_g / 1000.0)]
    found = calibrate_cell(points, 0.001)
    assert found.figures["repeatability_kg"] == pytest.approx(apart_g / 1000.0)
    assert found.good is inside


def test_an_interval_may_be_a_hundredth_of_the_load() -> None:
    points = [(0.0, 0.0), (4.0, 4.0), (8.0, 8.0)]
    assert calibrate_cell(points, 0.08, "IIII").good
    for interval in (0.0801, 0.0, -0.001):
        with pytest.raises(LearningError, match="a hundredth of the largest"):
            calibrate_cell(points, interval, "IIII")


def test_loads_from_above_are_told_from_loads_from_below() -> None:
    """Hung down from the full load on: 2 g more on the way back up is hysteresis, a repeat keeps its direction."""
    points = [(10.0, 10.0), (5.0, 5.0), (5.0, 5.0005), (0.0, 0.0), (5.0, 5.002), (10.0, 10.0)]
    figures = calibrate_cell(points, 0.001).figures
    assert figures["hysteresis_kg"] == pytest.approx(0.00175, abs=1e-9)
    assert figures["repeatability_kg"] == pytest.approx(0.0005, abs=1e-9)


@pytest.mark.parametrize(
    ("points", "told"),
    [
        ([(0.0, 5.0), (4.0, 3.0), (8.0, 1.0)], "upside down"),
        ([(4.0, 4.0), (4.0, 4.0), (4.0, 4.1)], "all known masses are equal"),
    ],
)
def test_a_cell_that_cannot_be_calibrated_says_why(points: list[tuple[float, float]], told: str) -> None:
    with pytest.raises(LearningError, match=told):
        calibrate_cell(points, 0.001)
