"""Moist air against IAPWS-95, psychrolib, CoolProp, CIPM-2007, FAO-56, ASHRAE and Geankoplis.

Tolerances are what those references allow among themselves: none is tighter than their own disagreement.
"""

import math

import numpy as np
import psychrolib
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from hypothesis import given
from hypothesis import strategies as st

from drymon.drying import air

psychrolib.SetUnitSystem(psychrolib.SI)


def column(rows, name):
    return np.array([float(row[name]) if row[name] else math.nan for row in rows])


@pytest.fixture(scope="module")
def saturation(published):
    return published("saturation_pressure")


@pytest.fixture(scope="module")
def grid(published):
    rows = published("psychrometric_grid")
    names = [name for name in rows[0] if name != "source"]
    return {name: column(rows, name) for name in names}


def at(grid):
    return grid["t_db_degC"], grid["rh_pct"], grid["p_kPa"] * 1e3


# --- saturation ---


def test_saturation_pressure_is_that_of_iapws_95(saturation) -> None:
    """Hyland-Wexler lies 21 to 225 ppm under IAPWS-95 from 1 to 60 degC; 3e-4 lets nothing else through."""
    rows = [row for row in saturation if row["p_IAPWS95_CoolProp_Pa"] and float(row["t_degC"]) >= 1]
    assert len(rows) == 60
    got = air.saturation_pressure(column(rows, "t_degC"))
    np.testing.assert_allclose(got, column(rows, "p_IAPWS95_CoolProp_Pa"), rtol=3e-4)


def test_saturation_pressure_is_the_ashrae_equation() -> None:
    """The same equation as psychrolib's above freezing: rounding only."""
    for temperature in np.linspace(0.02, 60.0, 40):
        assert air.saturation_pressure(temperature) == pytest.approx(psychrolib.GetSatVapPres(temperature), rel=1e-9)


def test_saturation_below_freezing_is_over_water_not_ice(saturation) -> None:
    """Against metpy's liquid column (0.11 % off at most); psychrolib's, over ice, is 18 % lower at -20
    degC.
    """
    rows = [row for row in saturation if float(row["t_degC"]) < 0]
    got = air.saturation_pressure(column(rows, "t_degC"))
    np.testing.assert_allclose(got, column(rows, "p_metpy_liquid_Pa"), rtol=1.2e-3)
    np.testing.assert_allclose(got, column(rows, "p_HylandWexler_liquid_Pa"), rtol=1e-5)
    assert (got > column(rows, "p_psychrolib_Pa") * 1.005).all()


@pytest.mark.parametrize(("temperature", "printed"), [(5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3)])
def test_saturation_pressure_of_ashrae_table_3(temperature, printed) -> None:
    """ASHRAE Fundamentals 2017 ch. 1 table 3, as printed (real-gas table: 0.03 %)."""
    assert air.saturation_pressure(temperature) == pytest.approx(printed, rel=3e-4)


def test_saturation_slope_is_the_difference_quotient_of_iapws_95() -> None:
    """Central differences over 0.02 K of CoolProp's IAPWS-95; equations differ by 225 ppm over 60 K, so
    1e-3.
    """
    for temperature in (2.0, 10.0, 22.0, 35.0, 59.0):
        low, high = (PropsSI("P", "T", temperature + 273.15 + step, "Q", 0, "Water") for step in (-0.01, 0.01))
        assert air.saturation_slope(temperature) == pytest.approx((high - low) / 0.02, rel=1e-3)


# --- the grid of 126 states in three libraries ---


def test_humidity_ratio(grid) -> None:
    """psychrolib: the same equations, table printed to 7 digits. CoolProp carries the enhancement factor:
    0.6 %.
    """
    got = 1e3 * air.humidity_ratio(*at(grid))
    np.testing.assert_allclose(got, grid["W_psychrolib_g_per_kg"], rtol=1e-6)
    np.testing.assert_allclose(got, grid["W_coolprop_g_per_kg"], rtol=6e-3)


def test_humidity_ratio_falls_short_of_a_real_gas_by_the_enhancement_factor(published) -> None:
    """What is left out is known: f of WMO-8, CIPM-2007 and CoolProp, which agree within 0.09 % on it."""
    for row in published("enhancement_factor"):
        temperature, pressure = float(row["t_degC"]), float(row["p_kPa"]) * 1e3
        real = HAPropsSI("W", "T", temperature + 273.15, "P", pressure, "R", 1.0)
        share = air.saturation_pressure(temperature) / pressure
        times = real / air.humidity_ratio(temperature, 100.0, pressure)
        for name in ("f_coolprop", "f_WMO8", "f_CIPM2007"):
            factor = float(row[name])
            assert times == pytest.approx(factor * (1 - share) / (1 - factor * share), rel=1.2e-3)


def test_wet_bulb(grid) -> None:
    """psychrolib's bisection stops at 0.001 K: 0.002 K. CoolProp, a real gas: 0.02 K. metpy's is another
    quantity.
    """
    got = air.wet_bulb(*at(grid))
    np.testing.assert_allclose(got, grid["twb_psychrolib_degC"], rtol=0, atol=0.002)
    np.testing.assert_allclose(got, grid["twb_coolprop_degC"], rtol=0, atol=0.02)
    assert np.abs(got - grid["twb_metpy_pseudoadiabatic_degC"]).max() > 0.4


def test_dew_point_above_freezing(grid) -> None:
    above = grid["tdp_psychrolib_degC"] > 0
    got = air.dew_point(grid["t_db_degC"], grid["rh_pct"])[above]
    np.testing.assert_allclose(got, grid["tdp_psychrolib_degC"][above], rtol=0, atol=0.002)
    np.testing.assert_allclose(got, grid["tdp_coolprop_degC"][above], rtol=0, atol=0.015)


def test_dew_point_below_freezing_is_no_frost_point(grid) -> None:
    """Over liquid like metpy's (Bolton's equation: 0.12 K); the other two give frost points, which lie
    higher.
    """
    below = grid["tdp_psychrolib_degC"] < -0.5
    assert below.sum() == 12
    got = air.dew_point(grid["t_db_degC"], grid["rh_pct"])[below]
    np.testing.assert_allclose(got, grid["tdp_metpy_degC"][below], rtol=0, atol=0.12)
    assert (got < grid["tdp_psychrolib_degC"][below]).all()


def test_enthalpy(grid) -> None:
    got = air.enthalpy(grid["t_db_degC"], air.humidity_ratio(*at(grid))) / 1e3
    np.testing.assert_allclose(got, grid["h_psychrolib_kJ_per_kg_dry"], rtol=1e-6)
    np.testing.assert_allclose(got, grid["h_coolprop_kJ_per_kg_dry"], rtol=0, atol=0.7)


def test_density(grid, published) -> None:
    """psychrolib: ideal gas too. CoolProp and CIPM-2007, real gases: 0.06 %."""
    got = air.density(*at(grid))
    np.testing.assert_allclose(got, grid["rho_psychrolib_kg_m3"], rtol=2e-6)
    np.testing.assert_allclose(got, grid["rho_coolprop_kg_m3"], rtol=6e-4)
    rows = published("air_density_cipm2007")
    weighing = air.density(column(rows, "t_degC"), column(rows, "rh_pct"), column(rows, "p_Pa"))
    np.testing.assert_allclose(weighing, column(rows, "rho_CIPM2007_kg_m3"), rtol=6e-4)


# --- live references, off the grid ---


def test_wet_bulb_over_the_whole_range_against_psychrolib() -> None:
    """Random states down to 2 % RH and 60 kPa; where the bulb would freeze psychrolib turns to ice and is
    left out.
    """
    draw = np.random.default_rng(20)
    temperature, humidity = draw.uniform(1, 60, 400), draw.uniform(2, 100, 400)
    pressure = draw.uniform(60e3, 108e3, 400)
    ours = air.wet_bulb(temperature, humidity, pressure)
    states = zip(temperature, humidity / 100, pressure, strict=True)
    theirs = np.array([psychrolib.GetTWetBulbFromRelHum(*state) for state in states])
    liquid = theirs > 0.05
    assert liquid.sum() > 350
    np.testing.assert_allclose(ours[liquid], theirs[liquid], rtol=0, atol=0.002)


@pytest.mark.parametrize(
    ("temperature", "humidity", "pressure", "printed"),
    [(7.0, 61.0, 100e3, 3.92667), (22.0, 50.0, 101325.0, 15.425), (30.0, 80.0, 101325.0, 27.091)],
)
def test_wet_bulb_anchors(temperature, humidity, pressure, printed) -> None:
    """psychrolib's own test value (7 degC), and two rooms computed with psychrolib 2.5.0."""
    assert air.wet_bulb(temperature, humidity, pressure) == pytest.approx(printed, abs=0.002)


def test_stull_2011_wet_bulb_at_20_degc_50_pct() -> None:
    """Stull 2011, J. Appl. Meteorol. Climatol. 50:2267 (from memory) prints 13.7; his fit is good to 0.3
    K.
    """
    assert air.wet_bulb(20.0, 50.0) == pytest.approx(13.7, abs=0.3)


def test_humidity_from_wet_bulb_agrees_with_coolprop() -> None:
    for temperature, humidity in ((12.0, 70.0), (22.0, 50.0), (33.0, 25.0)):
        kelvin = HAPropsSI("B", "T", temperature + 273.15, "P", 95e3, "R", humidity / 100)
        assert air.wet_bulb(temperature, humidity, 95e3) == pytest.approx(kelvin - 273.15, abs=0.02)


# --- printed examples ---


def test_latent_heat(published) -> None:
    """IAPWS-95 from 0 to 60 degC: the straight line of FAO-56 stays within 0.1 %."""
    rows = published("latent_heat")
    got = air.latent_heat(column(rows, "t_degC")) / 1e3
    np.testing.assert_allclose(got, column(rows, "hfg_IAPWS95_kJ_kg"), rtol=1e-3)


def _printed(rows, example):
    return {
        (row["quantity"], row["inputs"]): (float(row["printed_value"]), row["unit"])
        for row in rows
        if row["example"].startswith(example) and row["printed_value"] != "no printed value"
    }


def _number(text):
    return float(text.split("=")[1].split()[0])


def test_fao_56_saturation_table_2_3(published) -> None:
    """FAO-56 annex 2 table 2.3 is Tetens's equation, 0.13 % under IAPWS-95 at most, printed to 1 Pa."""
    table = _printed(published("moist_air_printed"), "FAO-56 Table 2.3")
    assert len(table) == 10
    for (_, inputs), (printed, _) in table.items():
        assert air.saturation_pressure(_number(inputs)) / 1e3 == pytest.approx(printed, rel=1.4e-3, abs=5e-4)


def test_fao_56_pressure_and_psychrometric_constant(published) -> None:
    """FAO-56 tables 2.1, 2.2 and example 2 (its own atmosphere, of 20 degC: 0.2 % from the standard one to
    2000 m).
    """
    rows = published("moist_air_printed")
    seen = 0
    for example in ("FAO-56 ex 2", "FAO-56 Table 2.1", "FAO-56 Table 2.2", "FAO-56 ex 4"):
        for (quantity, inputs), (printed, _) in _printed(rows, example).items():
            if "z=" in inputs or quantity == "pressure at 1200 m":
                seen += 1
                pressure = air.standard_pressure(_number(inputs))
                psychrometric = quantity == "psychrometric constant"
                got = air.psychrometric_constant(pressure) if psychrometric else pressure
                assert got / 1e3 == pytest.approx(printed, rel=4e-3, abs=6e-4)
    assert seen == 13


def test_standard_pressure_of_ashrae_table_1() -> None:
    """ASHRAE Fundamentals 2017 ch. 1 table 1: 500 m and 1000 m, in Pa."""
    assert air.standard_pressure(500.0) == pytest.approx(95461, abs=1)
    assert air.standard_pressure(1000.0) == pytest.approx(89875, abs=1)
    assert air.standard_pressure(0.0) == pytest.approx(101325, abs=1)


def test_fao_56_examples_3_to_5() -> None:
    """FAO-56 ch. 3 (from memory, high certainty), kPa to the printed digit plus Tetens's 0.1 %."""
    kpa = 1e-3
    assert air.saturation_pressure(24.5) * kpa == pytest.approx(3.075, abs=4e-3)
    assert air.saturation_pressure(15.0) * kpa == pytest.approx(1.705, abs=2e-3)
    assert np.mean(air.saturation_pressure(np.array([24.5, 15.0]))) * kpa == pytest.approx(2.39, abs=5e-3)
    assert air.saturation_pressure(19.75) * kpa == pytest.approx(2.30, abs=5e-3)  # not the mean of the two
    assert air.psychrometer_vapour_pressure(25.6, 19.5, 87.9e3) * kpa == pytest.approx(1.91, abs=6e-3)
    at_night, by_day = air.vapour_pressure(18.0, 82.0), air.vapour_pressure(25.0, 54.0)
    assert (at_night + by_day) / 2 * kpa == pytest.approx(1.70, abs=5e-3)


def test_wmo_8_psychrometer_at_30_and_20_degc() -> None:
    """WMO-No. 8 annex 4.B gives 39.25 %RH for an aspirated psychrometer of 6.53e-4 (1 + 0.000944 tw) /K."""
    vapour = air.psychrometer_vapour_pressure(30.0, 20.0, 101325.0, coefficient=6.53e-4 * (1 + 0.000944 * 20))
    assert 100 * vapour / air.saturation_pressure(30.0) == pytest.approx(39.2472, abs=0.15)


def test_ashrae_example_1() -> None:
    """40 degC with a wet bulb of 20: read from a chart, so 0.1 g/kg, 0.5 K and 0.1 kJ/kg."""
    humidity = 13.9795  # recomputed with psychrolib 2.5.0; printed 14
    ratio = air.humidity_ratio(40.0, humidity)
    assert air.wet_bulb(40.0, humidity) == pytest.approx(20.0, abs=0.002)
    assert 1e3 * ratio == pytest.approx(6.5, abs=0.11)
    assert air.dew_point(40.0, humidity) == pytest.approx(7.0, abs=0.5)
    assert air.enthalpy(40.0, ratio) / 1e3 == pytest.approx(56.7, abs=0.1)
    assert (1 + ratio) / air.density(40.0, humidity) == pytest.approx(0.896, abs=0.001)


def test_geankoplis_example_9_3_1() -> None:
    """p_A 2.76 kPa over saturation 3.50 kPa at 26.7 degC: H 0.01742, H_s 0.02226, 78.9 %RH (steam table 0.3
    %).
    """
    assert air.humidity_from_ratio(26.7, 0.01742, 101.3e3) == pytest.approx(78.9, abs=0.4)
    assert air.humidity_ratio(26.7, 78.9, 101.3e3) == pytest.approx(0.01742, rel=5e-3)
    assert air.humidity_ratio(26.7, 100.0, 101.3e3) == pytest.approx(0.02226, rel=5e-3)


@pytest.mark.parametrize(
    ("temperature", "humidity", "dew", "deficit"),
    [(22.0, 30.0, 3.65, 1851), (22.0, 50.0, 11.11, 1322), (20.0, 45.0, 7.72, 1286), (30.0, 80.0, 26.17, 849)],
)
def test_room_anchors(temperature, humidity, dew, deficit) -> None:
    """Rooms computed with psychrolib 2.5.0 (CoolProp within 0.013 K), to the printed digit."""
    assert air.dew_point(temperature, humidity) == pytest.approx(dew, abs=0.006)
    assert air.vapour_pressure_deficit(temperature, humidity) == pytest.approx(deficit, abs=0.7)


def test_vapour_concentration_is_that_of_saturated_steam() -> None:
    """CoolProp's saturated vapour is a real gas: 0.2 % denser than an ideal one at room temperature."""
    for temperature in (5.0, 22.0, 40.0):
        real = PropsSI("D", "T", temperature + 273.15, "Q", 1, "Water")
        ideal = air.vapour_concentration(temperature, air.saturation_pressure(temperature))
        assert ideal == pytest.approx(real, rel=4e-3)


# --- identities, limits, refusals ---

temperatures = st.floats(-20, 60)
humidities = st.floats(1, 100)
pressures = st.floats(60e3, 108e3)


@given(temperatures, humidities, pressures)
def test_identity_humidity_survives_the_way_through_the_ratio(temperature, humidity, pressure) -> None:
    ratio = air.humidity_ratio(temperature, humidity, pressure)
    assert air.humidity_from_ratio(temperature, ratio, pressure) == pytest.approx(humidity, rel=1e-9)


@given(st.floats(0, 60), st.floats(5, 100))
def test_identity_air_at_its_dew_point_holds_the_same_vapour(temperature, humidity) -> None:
    dew = air.dew_point(temperature, humidity)
    held = air.vapour_pressure(temperature, humidity)
    assert air.saturation_pressure(dew) == pytest.approx(held, rel=1e-9)


@given(temperatures, humidities, pressures)
def test_limit_wet_bulb_lies_between_dew_point_and_air(temperature, humidity, pressure) -> None:
    bulb = air.wet_bulb(temperature, humidity, pressure)
    assert air.dew_point(temperature, humidity) - 1e-3 <= bulb <= temperature + 1e-3


def test_limit_saturated_air_has_one_temperature() -> None:
    temperature = np.linspace(-20, 60, 81)
    np.testing.assert_allclose(air.wet_bulb(temperature, 100.0), temperature, atol=1e-6)
    np.testing.assert_allclose(air.dew_point(temperature, 100.0), temperature, atol=1e-9)


def test_shapes_broadcast_and_plain_numbers_stay_plain() -> None:
    result = air.wet_bulb(np.full((3, 1), 22.0), np.array([30.0, 50.0]), 101325.0)
    assert result.shape == (3, 2)
    assert result[1, 1] == pytest.approx(air.wet_bulb(22, 50), abs=1e-9)
    assert isinstance(air.wet_bulb(22.0, 50.0), float)


def test_missing_values_stay_missing() -> None:
    assert np.isnan(air.wet_bulb(np.array([22.0, np.nan]), 50.0)).tolist() == [False, True]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: air.saturation_pressure(295.0), ["temperature", "295", "-40 to 90"]),
        (lambda: air.wet_bulb(np.array([20.0, 200.0]), 50.0), ["temperature", "200"]),
        (lambda: air.humidity_ratio(22.0, 140.0), ["humidity", "140", "0 to 100"]),
        (lambda: air.humidity_ratio(22.0, 50.0, 101.325), ["pressure", "101.325", "30000 to 120000"]),
        (lambda: air.dew_point(22.0, 0.0), ["dew point", "0.1 to 100"]),
        (lambda: air.standard_pressure(9_001.0), ["altitude", "9001", "-500 to 9000 m"]),
    ],
)
def test_impossible_values_are_named(call, words) -> None:
    with pytest.raises(ValueError, match="received") as refused:
        call()
    assert all(word in str(refused.value) for word in words)


def test_a_million_wet_bulbs_at_once_are_those_one_by_one() -> None:
    """Two years of one reading a minute; how long they take is measured in `benchmarks/moist_air.py`."""
    draw = np.random.default_rng(3)
    temperature, humidity = draw.uniform(0, 50, 1_000_000), draw.uniform(2, 100, 1_000_000)
    result = air.wet_bulb(temperature, humidity)
    assert result.shape == (1_000_000,)
    some = draw.integers(0, 1_000_000, 50)
    np.testing.assert_array_equal(result[some], [air.wet_bulb(temperature[i], humidity[i]) for i in some])
