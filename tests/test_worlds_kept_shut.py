"""The worlds that are kept shut, held against exact and published ends. Not to be read by those who work on drymon's
models: it tells what these worlds are."""

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import erf

ROOT = Path(__file__).resolve().parent.parent
if not (ROOT / "benchmarks" / "accuracy").is_dir():
    pytest.skip("the examiner lives in the checkout only", allow_module_level=True)
sys.path.insert(0, str(ROOT))

from benchmarks.accuracy.worlds import shut_four, shut_three  # noqa: E402
from benchmarks.accuracy.worlds.moist import MASS_PER_HEAT, vapour_density  # noqa: E402
from benchmarks.accuracy.worlds.packing import Packing  # noqa: E402
from benchmarks.accuracy.worlds.protocol import Around  # noqa: E402

ONE, ZONE, EVEN = np.ones(1), np.array([0]), Packing(0.0, 1.0)
WARM = 1e9 * ONE  # J/m2K: a surface that stays as warm as the air
SATURATED = float(vapour_density(22.0))


def air(heat: float = 15.0) -> Around:
    """At 22 degC and half humidity."""
    vapour = 0.5 * SATURATED * ONE
    return Around(22.0 * ONE, vapour, heat * ONE, heat * MASS_PER_HEAT * ONE, 4.0 * ONE)


def briny(coat: shut_three.Coat, holds: float, sets: float = 0.8, soak: float = 1e-3) -> shut_three.Briny:
    """One coat, whose solute's diffusivity does not fall, without vapour from weak to strong."""
    return shut_three.Briny({"backup": coat}, holds, 0.0, 1e-20, sets, soak, EVEN)


def test_where_solute_spreads_at_once_time_is_an_integral_over_the_water() -> None:
    """scipy's quadrature of dW / rate(W), for a = 2 ** -(solute / water): half as much activity where the water is what
    the solute holds at half humidity."""
    water, held = 0.3, 0.03
    shells = briny(shut_three.Coat(water, 1e-3, 1e-4, 0.0), held / water).shells(ONE, WARM)
    shells.dip(ZONE, "backup", ONE)
    around, seconds, start = air(), 0.0, shells.load(ZONE)[0]
    while shells.load(ZONE)[0] > 0.05 * start:
        shells.step(10.0, around)
        seconds += 10.0

    def pace(left: float) -> float:
        return 1.0 / (float(around.mass[0]) * SATURATED * (2.0 ** (-held / left) - 0.5))

    expected, _ = quad(pace, held + 0.05 * start, water)
    assert seconds == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("times", [0.5, 2.0, 5.0])
def test_solute_gathers_at_the_surface_as_before_a_front_that_takes_none(
    monkeypatch: pytest.MonkeyPatch, times: float
) -> None:
    """Smith, Tiller and Rutter, Canadian Journal of Physics 33 (1955) 723, in the limit of no solute taken: a liquid
    that moves at an even speed towards a surface that solute does not pass."""
    monkeypatch.setattr(shut_three, "CELLS", 36)
    monkeypatch.setattr(shut_three, "FINER", 0.8)
    water, depth, spreads = 6.0, 0.02, 2e-11
    shells = briny(shut_three.Coat(water, depth, spreads, 0.0), 1e-7).shells(ONE, WARM)
    shells.dip(ZONE, "backup", ONE)
    around, strong = air(), 1e-7
    speed = float(around.mass[0]) * SATURATED * 0.5 / (water / depth)
    steps = 200
    for _ in range(steps):
        shells.step(times * spreads / speed**2 / steps, around)
    root = np.sqrt(times) / 2.0
    expected = (1.0 + times / 2.0) * (1.0 + erf(root)) + np.sqrt(times / np.pi) * np.exp(-times / 4.0)
    there = shells.water[0] * shells.cells[-1]
    assert shells.solute[0, -1] / there / strong == pytest.approx(expected, rel=0.03)


def test_no_solute_is_lost_and_what_has_set_stays_below() -> None:
    coat = shut_three.Coat(0.25, 1e-3, 3e-10, 300.0)
    shells = briny(coat, 0.02, sets=0.75).shells(ONE, 5000.0 * ONE)
    for _ in range(3):
        shells.dip(ZONE, "backup", ONE)
        for _ in range(300):
            shells.step(60.0, air())
    brought = 0.02 * 0.25
    assert shells.solute.sum() == pytest.approx(brought * (1.0 + 0.25 + 0.25**2), rel=1e-9)
    assert shells.solute.sum() + shells.below[0] == pytest.approx(3.0 * brought, rel=1e-9)


def layered(**changes: float) -> shut_four.Layered:
    """Even faces, one coat, next to no sorption, no vapour from coat to coat."""
    coat = shut_four.Coat(0.25, changes.pop("voids", 0.3), changes.pop("grains", 0.6e-3), 2e-5)
    numbers = {"power": 3.0, "vapour": 1e-6, "gap": 1e12, "monolayer": 1e-4, "strength": 16.0, "second": 0.8} | changes
    return shut_four.Layered({"backup": coat}, ((1.0, 1.0),), **numbers, packing=EVEN)


def test_the_isotherm_is_that_of_brunauer_emmett_and_teller_where_its_third_number_is_one() -> None:
    """There the monolayer is complete at an activity of 1 / (1 + sqrt(C)) (BET 1938; in every book on adsorption)."""
    body = layered(second=1.0, monolayer=0.01, strength=16.0)
    assert body.filling(0.2) == pytest.approx(0.01, rel=1e-9)
    activity, slope = body.activity(np.array([0.01, 0.01 + 1e-7]))
    assert activity[0] == pytest.approx(0.2, rel=1e-9)
    assert slope[0] == pytest.approx(np.diff(activity)[0] / 1e-7, rel=1e-3)


def test_under_a_dry_layer_the_rate_is_even_and_that_of_two_resistances() -> None:
    """Film and stucco in series: saturated less outside over 1 / mass + thickness / diffusivity."""
    shells, around = layered().shells(ONE, WARM), air()
    shells.dip(ZONE, "backup", ONE)
    rates = []
    while shells.load(ZONE)[0] > 0.02:
        rates.append(float(shells.step(30.0, around)[0]))
    expected = 0.5 * SATURATED / (1.0 / around.mass[0] + 0.6e-3 / 1e-6)
    assert rates[0] > 5.0 * expected
    np.testing.assert_allclose(rates[len(rates) // 2 :], expected, rtol=1e-3)


def test_a_coat_that_suction_empties_follows_a_power_of_the_time() -> None:
    """df/dt = -rate f^n, solved by hand: f = (1 + (n - 1) rate t) ** (-1 / (n - 1)), beside a coat kept dry."""
    shells, around = layered(grains=0.0, voids=0.02).shells(ONE, WARM), air(heat=1e5)
    for _ in range(2):
        shells.dip(ZONE, "backup", ONE)
    pores = float(shells.pores[0, 0])
    for hour in range(1, 11):
        for _ in range(360):
            shells.step(10.0, around)
        expected = (1.0 + 2.0 * 2e-5 * 3600.0 * hour / pores) ** -0.5
        assert shells.water[0, 0] / pores == pytest.approx(expected, rel=0.02)


def test_edges_have_more_slurry_than_faces_but_no_more_than_usual() -> None:
    for seed in range(5):
        faces = shut_four.draw(np.random.default_rng(seed)).faces
        assert sum(share for share, _ in faces) == pytest.approx(1.0)
        builds = [build for _, build in faces]
        assert builds == sorted(builds)
        assert 1.0 == builds[0] < builds[-1] <= 1.2
