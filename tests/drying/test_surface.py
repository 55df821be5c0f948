"""The wet face: exact balance against printed drying examples and a wet-bulb thermometer, fast form against
the balance.

No correlation of convection is better than 15-25 %, so what is tested tightly is the balance itself: surface
temperatures, ratios of rates, and the fast form.
"""

import numpy as np
import psychrolib
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI

from drymon.drying import air, nusselt, surface

psychrolib.SetUnitSystem(psychrolib.SI)


def fast_rate(temperature, humidity, h, h_m, h_r):
    drive = surface.air_drive(temperature, humidity)
    return drive.deficit / surface.air_side_resistance(drive.slope_heat, h, h_m, h_r)


@pytest.fixture(scope="module")
def room_grid():
    """5 to 35 degC, 20 to 95 %RH, still to 6 m/s, with the exact balance at each point."""
    axes = np.arange(5.0, 36.0, 5.0), np.array([20, 35, 50, 65, 80, 95.0]), np.array([0, 0.1, 0.3, 1, 3, 6.0])
    return np.meshgrid(*axes, indexing="ij")


# --- the exact balance against the outside ---


def test_geankoplis_example_9_6_3() -> None:
    """Pan of wet sand (3rd ed. example 9.6-3): 65.6 degC, H 0.010, 6.1 m/s; wet 28.9 degC, h 62.45, R_c 3.39
    kg/(m2 h).

    The book takes the surface at the wet bulb off a chart; the Lewis relation puts it 0.5 K lower: 0.8 K and
    3 %.
    """
    humidity = air.humidity_from_ratio(65.6, 0.010)
    h = nusselt.tray_parallel(6.1 * 3600 * 1.037)
    assert h.valid
    face = surface.evaporation(65.6, humidity, 6.1, emissivity=0.0, h=h)
    assert face.surface_temperature_c == pytest.approx(28.9, abs=0.8)
    assert face.rate * 3600 == pytest.approx(3.39, rel=0.03)
    assert face.rate * 3600 * 0.457**2 == pytest.approx(0.708, rel=0.03)


def test_incropera_evaporative_cooler() -> None:
    """Evaporatively cooled can, Incropera & DeWitt (from memory): 278.9 K in air of 313 K.

    Volatile liquid of 200 kg/kmol, 100 kJ/kg, 5000 Pa, D 0.2e-4 m2/s; air rho 1.16, cp 1007, alpha 22.5e-6.
    The coefficients' ratio is drymon's, the balance T_inf - T_s = L (h_m/h) M p / (R T_s) the book's.
    """
    ratio = surface.lewis_mass_transfer(1.0, 1.16, 1007.0, 22.5e-6 / 0.2e-4)
    product = 100e3 * ratio * 200.0 * 5000.0 / 8315.0
    assert (313 + np.sqrt(313**2 - 4 * product)) / 2 == pytest.approx(278.9, abs=0.1)


@pytest.mark.parametrize(("temperature", "humidity"), [(15, 60), (22, 30), (22, 50), (22, 70), (30, 80), (35, 25)])
def test_an_aspirated_wet_face_reads_nearly_the_wet_bulb(temperature, humidity) -> None:
    """A psychrometer works because air's Lewis number is nearly one: 5 m/s, no radiation, psychrolib's wet
    bulb.

    The Lewis relation lies below the thermodynamic wet bulb by about 3 % of the depression; equality would
    be wrong.
    """
    bulb = psychrolib.GetTWetBulbFromRelHum(temperature, humidity / 100, 101325)
    face = surface.evaporation(float(temperature), float(humidity), 5.0, emissivity=0.0).surface_temperature_c
    assert bulb - 0.06 * (temperature - bulb) < face < bulb


def test_an_aspirated_wet_face_is_the_psychrometer_of_wmo_8() -> None:
    """WMO-No. 8 annex 4.B, 6.53e-4 /K measured on ventilated psychrometers.

    Theory lies 5-12 % lower, since real thermometers take in radiation and heat along their stems too.
    """
    face = surface.evaporation(22.0, 50.0, 5.0, emissivity=0.0).surface_temperature_c
    saturated = PropsSI("P", "T", face + 273.15, "Q", 0, "Water")
    vapour = 0.5 * PropsSI("P", "T", 295.15, "Q", 0, "Water")
    assert 0.88 * 6.53e-4 < (saturated - vapour) / (101325 * (22.0 - face)) < 0.95 * 6.53e-4


@pytest.mark.parametrize(
    ("speed", "dry", "damp"),
    [(0.3, 0.103, 0.040), (0.6, 0.146, 0.056), (1.0, 0.188, 0.073), (3.0, 0.326, 0.126)],
)
def test_rates_of_a_flat_plate(speed, dry, damp) -> None:
    """Rates in kg/(m2 h) of a laminar plate of 0.1 m at 22 degC, 30 and 70 %RH, worked out separately with
    concentrations.

    Partial pressures (as here) drive about 3 % less: 5 %.
    """
    h = nusselt.plate_laminar(speed * 0.1 / 1.53e-5, 0.708)
    plate = nusselt.Correlated(h.value * 0.0260 / 0.1, h.valid)
    rates = surface.evaporation(22.0, np.array([30.0, 70.0]), speed, emissivity=0.0, h=plate).rate * 3600
    np.testing.assert_allclose(rates, [dry, damp], rtol=0.05)


def test_rates_of_the_standard_piece() -> None:
    """50 mm cylinder, 1 m/s, 22 degC, 50 %RH, worked out separately: 0.156, with radiation 0.187 kg/(m2 h).

    Partial pressures (as here) drive up to 3 % less: 5 %.
    """
    rates = [surface.evaporation(22.0, 50.0, 1.0, emissivity=one).rate * 3600 for one in (0.0, 0.9)]
    np.testing.assert_allclose(rates, [0.156, 0.187], rtol=0.05)


def test_rates_lie_about_the_pool_line() -> None:
    """Carrier's pool evaporation at the wet bulb (ASHRAE): w = dp (0.089 + 0.0782 V) / L, the trade's rule.

    A 50 mm piece loses more than a long pool; measured pans scatter up to fourfold about any one line:
    factor 2.
    """
    for speed in (0.3, 0.6, 1.0, 3.0):
        pool = 0.430 * (0.089 + 0.0782 * speed) / 2464.0
        assert 1.0 < surface.evaporation(22.0, 50.0, speed, emissivity=0.0).rate / pool < 2.0


def test_heat_in_is_heat_out() -> None:
    """The balance closed with CoolProp's latent heat and Stefan's law, none of it drymon's: 0.1 % (latent
    heat's fit).
    """
    speed = np.array([0.0, 0.3, 1.0, 6.0])
    face = surface.evaporation(25.0, 35.0, speed)
    cool = face.surface_temperature_c + 273.15
    latent = np.array(
        [PropsSI("H", "T", one, "Q", 1, "Water") - PropsSI("H", "T", one, "Q", 0, "Water") for one in cool]
    )
    heat = face.h * (298.15 - cool) + 0.9 * 5.670374419e-8 * (298.15**4 - cool**4)
    np.testing.assert_allclose(face.rate * latent, heat, rtol=1e-3)


def test_still_air_sinks_off_a_cold_wet_face() -> None:
    """The density difference behind natural convection, against CoolProp's humid air: 2 % in h."""
    face = surface.evaporation(22.0, 50.0, 0.0).surface_temperature_c
    far, near = (
        1 / HAPropsSI("Vha", "T", one + 273.15, "P", 101325, "R", share) for one, share in ((22.0, 0.5), (face, 1.0))
    )
    still = surface.evaporation(22.0, 50.0, 0.0).h
    assert near > far
    forced = surface.convection(0.0, (22.0 + face) / 2, buoyancy=near / far - 1)
    assert forced.valid
    assert still == pytest.approx(forced.value, rel=0.02)


def test_limit_saturated_air_takes_nothing() -> None:
    face = surface.evaporation(np.array([5.0, 22.0, 35.0]), 100.0, 1.0)
    np.testing.assert_allclose(face.rate, 0.0, atol=1e-9)
    np.testing.assert_allclose(face.surface_temperature_c, [5.0, 22.0, 35.0], atol=1e-4)


def test_limit_the_surface_lies_between_wet_bulb_and_air(room_grid) -> None:
    temperature, humidity, speed = room_grid
    face = surface.evaporation(temperature, humidity, speed)
    bulb = np.vectorize(lambda t, rh: psychrolib.GetTWetBulbFromRelHum(t, rh / 100, 101325))(temperature, humidity)
    liquid = bulb > 0
    assert np.all(face.valid)
    assert (face.surface_temperature_c < temperature).all()
    assert (face.surface_temperature_c > bulb - 0.06 * (temperature - bulb))[liquid].all()


# --- the fast form against the exact balance ---


@pytest.mark.frozen
def test_fast_form_with_the_balance_s_own_coefficients(room_grid) -> None:
    """The straight line alone, radiation on. Worst: 6 % too fast at 35 degC, 20 %RH in still air; blown air
    4 %, shops 2 %.
    """
    temperature, humidity, speed = room_grid
    exact = surface.evaporation(temperature, humidity, speed)
    h_r = surface.radiative_coefficient(temperature)
    error = fast_rate(temperature, humidity, exact.h, exact.h_m, h_r) / exact.rate - 1
    assert np.abs(error).max() < 0.065
    assert np.abs(error[speed >= 0.3]).max() < 0.04
    shop = (temperature >= 15) & (temperature <= 30) & (humidity >= 35) & (speed >= 0.3)
    assert np.abs(error[shop]).max() < 0.025


@pytest.mark.frozen
def test_fast_form_without_radiation(room_grid) -> None:
    """Shelves that shadow the walls: at most 2.5 % off, and on the slow side, which is the late one."""
    temperature, humidity, speed = room_grid
    exact = surface.evaporation(temperature, humidity, speed, emissivity=0.0)
    error = fast_rate(temperature, humidity, exact.h, exact.h_m, 0.0) / exact.rate - 1
    assert error.min() > -0.025
    assert error.max() < 0.005


@pytest.mark.frozen
def test_fast_form_with_coefficients_of_the_speed_alone(room_grid) -> None:
    """As the service runs it: h from the speed at 22 degC. Blown air 3 % over a shop's range, 5 % at its
    extremes.
    """
    temperature, humidity, speed = room_grid
    exact = surface.evaporation(temperature, humidity, speed).rate
    h, h_m = surface.transfer_coefficients(speed)
    error = fast_rate(temperature, humidity, h, h_m, surface.radiative_coefficient(temperature)) / exact - 1
    blown = speed >= 0.3
    assert np.abs(error[blown]).max() < 0.05
    assert np.abs(error[blown & (temperature >= 15) & (temperature <= 30) & (humidity <= 80)]).max() < 0.03


@pytest.mark.frozen
def test_still_air_errs_on_the_late_side(room_grid) -> None:
    """Without a fan the face's own buoyancy moves the air; one low value serves all weather.

    At 15 to 30 degC and up to 80 %RH it is 0-25 % late; near saturation (95 %) hardly any buoyancy is left
    and it is early, by up to 43 %.
    """
    temperature, humidity, speed = room_grid
    exact = surface.evaporation(temperature, humidity, speed).rate
    h, h_m = surface.transfer_coefficients(speed)
    error = fast_rate(temperature, humidity, h, h_m, surface.radiative_coefficient(temperature)) / exact - 1
    shop = (speed == 0) & (temperature >= 15) & (temperature <= 30) & (humidity <= 80)
    assert error[shop].max() < 0.0
    assert error[shop].min() > -0.28
    assert error[speed == 0].max() < 0.45


def test_drive_is_what_the_reference_libraries_say() -> None:
    """psychrolib's pressures through the ideal gas law: deficit and saturation in kg/m3."""
    for temperature, humidity in ((5.0, 20.0), (22.0, 50.0), (35.0, 95.0)):
        drive = surface.air_drive(temperature, humidity)
        full = psychrolib.GetSatVapPres(temperature) * 18.015268e-3 / (8.314462618 * (temperature + 273.15))
        assert drive.saturation == pytest.approx(full, rel=1e-5)
        assert drive.deficit == pytest.approx((1 - humidity / 100) * full, rel=1e-5)


def test_slope_heat_is_a_slope_between_air_and_wet_bulb() -> None:
    """Finite differences of psychrolib's saturation at both ends bracket it; 2.45 MJ/kg within 2 %."""
    per_pascal = 2.45e6 / (461.5 * 295.15)
    steep, flat = (
        (psychrolib.GetSatVapPres(one + 0.05) - psychrolib.GetSatVapPres(one - 0.05)) / 0.1 * per_pascal
        for one in (22.0, psychrolib.GetTWetBulbFromRelHum(22, 0.5, 101325))
    )
    slope = surface.air_drive(22.0, 50.0).slope_heat
    assert flat * 0.98 < slope < steep * 1.02
    assert slope == pytest.approx((steep + flat) / 2, rel=0.05)


def test_more_than_saturated_counts_as_saturated() -> None:
    drive = surface.air_drive(np.array([10.0, 22.0]), np.array([100.0, 118.0]))
    assert drive.deficit.tolist() == [0.0, 0.0]
    assert drive.humidity_pct.tolist() == [100.0, 100.0]
    assert (drive.slope_heat > 0).all()


def test_blown_air_dries_faster_by_about_the_half_power_of_its_speed() -> None:
    """A cylinder's h grows by 1.4 to 1.55 when the speed doubles (laminar half power; Incropera table 7.4:
    0.47-0.62).
    """
    h, h_m = surface.transfer_coefficients(np.array([0.0, 0.5, 1.0, 2.0, 4.0]))
    assert (np.diff(h) > 0).all()
    assert (np.diff(h_m) > 0).all()
    np.testing.assert_allclose(h[2:] / h[1:-1], 1.45, atol=0.1)


def test_still_air_is_natural_convection_alone() -> None:
    """Common practice: 2 to 5 W/(m2 K) for small bodies a few kelvin from still air."""
    assert 2.0 < surface.transfer_coefficients(0.0)[0] < 5.0


def test_shapes_broadcast() -> None:
    drive = surface.air_drive(np.full((60, 16), 22.0), np.linspace(30, 90, 16), 95e3)
    assert drive.deficit.shape == drive.slope_heat.shape == (60, 16)
    h, h_m = surface.transfer_coefficients(np.linspace(0, 2, 256))
    assert h.shape == h_m.shape == (256,)
    face = surface.evaporation(np.full((3, 1), 22.0), 50.0, np.array([0.5, 1.0]))
    assert face.rate.shape == face.h.shape == (3, 2)
    assert isinstance(surface.air_drive(22.0, 50.0).deficit, float)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: surface.air_drive(22.0, -3.0), ["humidity", "-3"]),
        (lambda: surface.air_drive(72.0 + 40, 50.0), ["temperature", "112"]),
        (lambda: surface.transfer_coefficients(np.array([0.5, -0.1])), ["air speed", "-0.1", "0 to 20 m/s"]),
        (lambda: surface.evaporation(22.0, 50.0, 200.0), ["air speed", "200"]),
        (lambda: surface.evaporation(22.0, 50.0, 1.0, 1013.25), ["pressure", "1013.25"]),
    ],
)
def test_impossible_values_are_named(call, words) -> None:
    with pytest.raises(ValueError, match="received") as refused:
        call()
    assert all(word in str(refused.value) for word in words)
