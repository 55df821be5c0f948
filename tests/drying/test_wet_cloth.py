"""A wet cloth's air speed against a balance put together from other people's parts, and against what it must not do.

The outside: CoolProp's saturation pressure and latent heat, `ht`'s correlations of convection, a root search of scipy;
the Lewis relation and properties of air from CoolProp. Nothing of it is drymon's.
"""

import math

import numpy as np
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from ht.conv_external import Nu_cylinder_Churchill_Bernstein
from ht.conv_free_immersed import Nu_vertical_plate_Churchill
from scipy.optimize import brentq

from drymon.drying import wet_cloth
from drymon.drying.wet_cloth import AirThere, Cloth, drying, rate_at, shape_range, speed_of

DIAMETER, EMISSIVITY, STEFAN = 0.05, 0.9, 5.670374419e-8
STRIPS = Cloth(0.10, 0.60, 4)


def outside_rate(celsius: float, humidity: float, speed: float, pressure: float = 101_325.0) -> float:
    """kg/(m2 s) that a wet cylinder of 50 mm loses: heat in by convection and radiation is latent heat out."""
    kelvin = celsius + 273.15
    vapour = humidity / 100.0 * PropsSI("P", "T", kelvin, "Q", 0, "Water")

    def balance(face: float) -> tuple[float, float]:
        film = 0.5 * (kelvin + face)
        viscosity, conductivity, density, heat = (
            PropsSI(name, "T", film, "P", pressure, "Air") for name in ("V", "L", "D", "C")
        )
        prandtl = viscosity * heat / conductivity
        forced = Nu_cylinder_Churchill_Bernstein(speed * DIAMETER * density / viscosity, prandtl)
        thin = HAPropsSI("Vha", "T", face, "P", pressure, "R", 1.0) / HAPropsSI(
            "Vha", "T", kelvin, "P", pressure, "R", humidity / 100.0
        )
        grashof = 9.80665 * abs(1.0 / thin - 1.0) * DIAMETER**3 * (density / viscosity) ** 2
        natural = Nu_vertical_plate_Churchill(Pr=prandtl, Gr=grashof)
        h = (forced**3 + natural**3) ** (1.0 / 3.0) * conductivity / DIAMETER
        diffusivity = 2.178e-5 * (film / 273.15) ** 1.81 * 101_325.0 / pressure
        lewis = conductivity / (density * heat) / diffusivity
        h_m = h / (density * heat * lewis ** (2.0 / 3.0))
        rate = h_m * 0.01801528 / (8.314462618 * film) * (PropsSI("P", "T", face, "Q", 0, "Water") - vapour)
        latent = PropsSI("H", "T", face, "Q", 1, "Water") - PropsSI("H", "T", face, "Q", 0, "Water")
        heat_in = h * (kelvin - face) + EMISSIVITY * STEFAN * (kelvin**4 - face**4)
        return rate, heat_in - latent * rate

    dew = HAPropsSI("D", "T", kelvin, "P", pressure, "R", humidity / 100.0)
    face = brentq(lambda at: balance(at)[1], max(dew, 273.3), kelvin, xtol=1e-8)
    return balance(face)[0]


@pytest.mark.parametrize("speed", [0.2, 0.6, 1.0, 2.5, 6.0])
@pytest.mark.parametrize(
    ("celsius", "humidity", "pressure"),
    [(22.0, 50.0, 101_325.0), (15.0, 65.0, 101_325.0), (30.0, 30.0, 85_000.0), (22.0, 85.0, 97_000.0)],
)
def test_the_loss_of_an_outside_balance_gives_its_speed_back(
    celsius: float, humidity: float, pressure: float, speed: float
) -> None:
    """Two balances of one physics, each of its own parts: 0.5 % in the rate, 1 % in the speed."""
    rate = outside_rate(celsius, humidity, speed, pressure)
    air = AirThere.steady(celsius, humidity, pressure)
    assert float(rate_at(speed, air)) == pytest.approx(rate, rel=0.005)
    assert float(speed_of(rate, air)) == pytest.approx(speed, rel=0.01)


def test_a_psychrometers_wick_tells_a_psychrometers_draught() -> None:
    """Aspirated psychrometers ask for at least 2.5 to 10 m/s (WMO-No. 8, 4.2.1.1, from memory): at 5 m/s the wick's
    loss by Geankoplis's wet-bulb balance, h (Ta - Tw) / latent heat, of a 50 mm piece comes back as about 5 m/s.

    Radiation, which an aspirated wick is kept from, is in the piece's balance: so a little less is told.
    """
    bulb = HAPropsSI("B", "T", 295.15, "P", 101_325.0, "R", 0.5)
    h = Nu_cylinder_Churchill_Bernstein(5.0 * DIAMETER / 1.53e-5, 0.708) * 0.0259 / DIAMETER
    rate = h * (295.15 - bulb) / 2.464e6
    assert 3.3 < float(speed_of(rate, AirThere.steady(22.0, 50.0))) < 5.0


def test_changing_air_counts_by_its_rates_and_not_by_its_mean() -> None:
    """Half the time 30 %, half 80 %RH: the mean of two outside rates, at 1 m/s."""
    rate = 0.5 * (outside_rate(22.0, 30.0, 1.0) + outside_rate(22.0, 80.0, 1.0))
    air = AirThere(np.array([22.0, 22.0]), np.array([30.0, 80.0]), np.array([101_325.0, 101_325.0]))
    assert float(speed_of(rate, air)) == pytest.approx(1.0, rel=0.01)


def test_beyond_the_bracket_its_ends_are_told() -> None:
    air = AirThere.steady(22.0, 50.0)
    assert speed_of(np.array([1e-7, 1.0]), air) == pytest.approx(wet_cloth.SPEEDS, rel=1e-6)


def test_both_faces_of_all_strips_count() -> None:
    assert Cloth(0.3, 0.4).area_m2 == pytest.approx(0.24)
    assert STRIPS.area_m2 == pytest.approx(0.48)


# --- how sure ---


def strips(speed: float, loss_sd_kg: float = 0.0008, cloth: Cloth = STRIPS) -> wet_cloth.Drying:
    """Twenty minutes at 22 degC and 50 %RH, as the outside has it."""
    loss = outside_rate(22.0, 50.0, speed) * cloth.area_m2 * 1200.0
    return drying(cloth, loss, loss_sd_kg, 1200.0, 25.0, AirThere.steady(22.0, 50.0))


@pytest.mark.parametrize("speed", [0.3, 1.0, 2.5])
def test_narrow_strips_tell_the_speed_within_their_bounds(speed: float) -> None:
    told = strips(speed)
    assert told.low < speed < told.high
    assert told.best == pytest.approx(speed, rel=0.25)
    assert told.high / told.low < 3.0


def test_a_coarser_scale_widens_and_a_wide_cloth_does() -> None:
    fine, coarse, wide = strips(1.0), strips(1.0, 0.005), strips(1.0, cloth=Cloth(0.5, 0.7))
    spread = [math.log(told.high / told.low) for told in (fine, coarse, wide)]
    assert spread[1] > 1.2 * spread[0]
    assert spread[2] > 1.2 * spread[0]
    assert coarse.parts["loss"] == pytest.approx(fine.parts["loss"] * 5.0 / 0.8, rel=0.2)


def test_the_parts_of_the_doubt_make_up_the_whole() -> None:
    """Independent errors add as squares: bounds at 5 and 95 % lie 3.29 standard deviations apart."""
    told = strips(1.0)
    assert math.hypot(*told.parts.values()) == pytest.approx(math.log(told.high / told.low) / 3.29, rel=0.15)


def test_the_mass_transfer_is_that_of_a_piece_in_a_draught() -> None:
    """1.15e-2 m/s on an open face at 1 m/s, worked out separately for a plate of 0.1 m; a 50 mm piece has more."""
    assert strips(1.0).mass_transfer == pytest.approx(1.4e-2, rel=0.1)


def test_a_wide_cloth_may_take_less_than_a_piece_and_a_strip_hardly() -> None:
    """Pohlhausen's plate goes with the root of its length: half as long again, 0.816 times the transfer."""
    narrow, wide = shape_range(0.08), shape_range(0.12)
    assert wide[0] / narrow[0] == pytest.approx(math.sqrt(8.0 / 12.0), rel=1e-3)
    assert shape_range(0.6) == shape_range(0.15)
    assert shape_range(0.05)[0] == wet_cloth.LIKE_A_PIECE
    assert shape_range(0.05)[1] > wet_cloth.MOVED
