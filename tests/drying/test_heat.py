"""The heat of a fresh tree against the full balance of heat and water at its face, solved as differential equations.

Independent of the code's resistances: the face has a temperature of its own, saturation there comes from psychrolib
(ASHRAE Handbook of Fundamentals 2017, ch. 1, eq. 6), and nothing is linearised or taken as steady.
"""

from dataclasses import replace

import numpy as np
import psychrolib
import pytest
from scipy.integrate import solve_ivp

from drymon.drying import coat, dips, ensemble, sorption, surface
from drymon.drying.coat_model import DIP_PARAMETERS, CoatModel, Spread
from drymon.messages.coat_models import load_models

psychrolib.SetUnitSystem(psychrolib.SI)

WATER, CRITICAL, INNER = 0.3, 0.6, 400.0  # kg/m2, share, s/m
LATENT, VAPOUR_GAS = 2.45e6, 461.5  # J/kg, J/(kg K)
TEMPERATURE_C, HUMIDITY_PCT, SPEED = 22.0, 45.0, 0.6
MINUTES = 160
LIGHT = 20.0  # J/(m2 K), a wall that holds next to no heat


def vapour(temperature_c: float, humidity: float = 1.0) -> float:
    """kg/m3."""
    pressure = humidity * psychrolib.GetSatVapPres(temperature_c)
    return float(pressure / (VAPOUR_GAS * (temperature_c + 273.15)))


def balanced(heat_j_m2_k: float) -> np.ndarray:
    """Share left each minute of a wall that holds `heat_j_m2_k`, its dried layer growing in proportion to what goes."""
    h, h_m = (float(value) for value in surface.transfer_coefficients(SPEED, TEMPERATURE_C))
    dry_heat = h + float(surface.radiative_coefficient(TEMPERATURE_C))

    def change(_: float, state: np.ndarray) -> list[float]:
        left, face_c = state
        layer = INNER * max(1.0 - left / CRITICAL, 0.0)
        flow = (vapour(face_c) - vapour(TEMPERATURE_C, HUMIDITY_PCT / 100.0)) / (1.0 / h_m + layer)
        return [-flow / WATER, (dry_heat * (TEMPERATURE_C - face_c) - LATENT * flow) / heat_j_m2_k]

    at = 60.0 * np.arange(MINUTES + 1)
    answer = solve_ivp(change, (0.0, at[-1]), [1.0, TEMPERATURE_C], method="LSODA", t_eval=at, rtol=1e-8, atol=1e-9)
    return np.asarray(answer.y[0])


def told(heat_j_m2_k: float) -> np.ndarray:
    """The same by drymon's steps."""
    drive = surface.air_drive(TEMPERATURE_C, HUMIDITY_PCT)
    h, h_m = surface.transfer_coefficients(SPEED, TEMPERATURE_C)
    radiation = surface.radiative_coefficient(TEMPERATURE_C)
    face = float(surface.air_side_resistance(drive.slope_heat, h, h_m, radiation))
    air = ensemble.AirStep(float(drive.deficit), float(drive.saturation), float(sorption.excess(HUMIDITY_PCT)), face)
    # What a cooling wall gives off besides what the air takes meanwhile (exponential approach, linear saturation).
    share = 1.0 - 1.0 / (float(h_m) * face)
    cooling = share * heat_j_m2_k / (float(h + radiation) * face)
    coats = dips.possible_coats(certain(cooling), 1, "open")
    left, course = np.ones_like(coats.water), [1.0]
    for _ in range(MINUTES):
        left = coat.step(coats, left, air, 60.0)
        course.append(float(left[0, 0]))
    return np.array(course)


def certain(cooling: float) -> CoatModel:
    model = load_models(None)["backup"]
    known = {
        "water": WATER, "cooling": cooling, "transfer": 1.0, "critical": CRITICAL, "exponent": 1.0, "inner": INNER,
        "liquid": 1e-6, "sorption": 1e-6, "soak": 1e-6, "sunk": 1e-6, "end": 1e-4, "damp": 1.0,
    }  # fmt: skip
    sharp = {name: Spread(known.get(name, spread.centre), 1e-9) for name, spread in model.parameters.items()}
    return replace(model, parameters=sharp, dip_sd=dict.fromkeys(DIP_PARAMETERS, 0.0), tail="front")


@pytest.mark.parametrize("heat_j_m2_k", [2500.0, 5000.0, 8000.0])
def test_a_walls_heat_gives_and_takes_back_as_the_full_balance_says(heat_j_m2_k: float) -> None:
    """The course of a wall that holds heat less that of one without: ahead at first, half of it taken back at the
    knee already, little left when it is dry. The wall cools within some minutes, in drymon at once.
    """
    exact = balanced(heat_j_m2_k) - balanced(LIGHT)
    found = told(heat_j_m2_k) - told(LIGHT)
    assert exact[20:].min() < 1.8 * exact[60] < 5.0 * exact[-1] < 0.0
    np.testing.assert_allclose(found[20:], exact[20:], rtol=0.05, atol=0.0015)


def test_heat_makes_no_tree_dry_much_sooner() -> None:
    """It evaporates 2.6 % of the water in the first minutes, and saves a minute in the end."""
    exact, found = ([int(np.argmax(course < 0.05)) for course in (of(5000.0), of(LIGHT))] for of in (balanced, told))
    assert exact[1] - exact[0] <= 2
    assert abs(found[1] - found[0] - (exact[1] - exact[0])) <= 1
