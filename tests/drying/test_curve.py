"""The material curve against the dose table, textbook drying times, Crank's diffusion series and quadrature."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from drymon.drying import curve

Published = Callable[[str], list[dict[str, str]]]

shares = st.floats(0.02, 1.0)
criticals = st.floats(0.1, 0.95)
exponents = st.floats(0.3, 3.0)


def textbook(published: Published, source: str, quantity: str) -> dict[str, str]:
    rows = [r for r in published("drying_time_examples") if source in r["source"] and quantity in r["quantity"]]
    assert len(rows) == 1, rows
    return rows[0]


def test_a_tail_of_an_unknown_name_is_taken_for_no_other() -> None:
    for asked in (curve.follows_vapour, curve.form_of):
        with pytest.raises(ValueError, match="received 'suply'; allowed are power, front, supply"):
            asked("suply")
    assert [curve.form_of(tail) for tail in ("power", "front", "supply")] == [0, 1, 2]
    assert [curve.follows_vapour(tail) for tail in ("power", "front", "supply")] == [True, True, False]
    with pytest.raises(ValueError, match="received 3"):
        curve.fall(1.0, 1.0, 1.0, 3, 0.01).at(np.asarray(0.5))


def test_dose_table_of_the_characteristic_curve(published: Published) -> None:
    rows = published("drying_dose")
    assert len(rows) == 25
    columns = [np.array([float(row[name]) for row in rows]) for name in ("left", "critical", "exponent", "dose")]
    np.testing.assert_allclose(curve.outer_dose(*columns[:3]), columns[3], atol=6e-5, rtol=1e-5)


def test_geankoplis_constant_rate(published: Published) -> None:
    """Ex 9.6-2: t = Ls X1 / (A Rc) x dose, with no equilibrium moisture; critical 0.195 of 0.38."""
    row = textbook(published, "9.6-2", "constant-rate")
    hours = 21.5 * 0.38 / 1.51 * float(curve.outer_dose(0.25 / 0.38, 0.195 / 0.38, 1.0))
    assert hours == pytest.approx(float(row["printed_value"]), abs=0.005)
    assert hours == pytest.approx(float(row["recomputed_value"]), rel=1e-6)


def test_geankoplis_constant_part_of_two_periods(published: Published) -> None:
    row = textbook(published, "9.7-1", "constant-rate part")
    hours = 399.0 / 18.58 * 0.38 / 1.51 * float(curve.outer_dose(0.195 / 0.38, 0.195 / 0.38, 1.0))
    assert hours == pytest.approx(float(row["recomputed_value"]), rel=1e-6)


def test_geankoplis_falling_rate_through_the_origin(published: Published) -> None:
    row = textbook(published, "9.7-2", "falling rate")
    critical = 0.195 / 0.38
    dose = curve.outer_dose([0.04 / 0.38, critical], critical, 1.0)
    hours = 399.0 / 18.58 * 0.38 / 1.51 * float(dose[0] - dose[1])
    assert hours == pytest.approx(float(row["printed_value"]), abs=0.005)


def test_coulson_and_richardson_both_periods(published: Published) -> None:
    """Ex 16.1: equilibrium 5 %, critical 15 %; the rate from 25 to 10 % in 15 ks carries over to 30 to 8 %."""
    row = textbook(published, "Coulson", "time from 30 to 8")

    def dose(first: float, last: float) -> float:
        return (first - 0.05) * float(curve.outer_dose((last - 0.05) / (first - 0.05), 0.10 / (first - 0.05), 1.0))

    ks = 15.0 / dose(0.25, 0.10) * dose(0.30, 0.08)
    assert ks == pytest.approx(float(row["printed_value"]), abs=0.1)
    assert ks == pytest.approx(float(row["recomputed_value"]), rel=1e-5)


def test_two_periods_with_equilibrium_moisture(published: Published) -> None:
    row = textbook(published, "chosen here", "two-period")
    free = 0.40 - 0.01
    hours = 10.0 * free / (2.0 * 0.5) * float(curve.outer_dose((0.03 - 0.01) / free, (0.15 - 0.01) / free, 1.0))
    assert hours == pytest.approx(float(row["recomputed_value"]), rel=1e-6)


def test_constant_part_on_wet_basis() -> None:
    """Anantharaman & Begum Ex 6.2: 8 kg/m2, 0.3 kg/m2h, 25 % wet basis down to 0.20 dry basis: 3.556 h (inputs
    seen in a public notebook, answer computed)."""
    first = 0.25 / 0.75
    hours = 8.0 * first / 0.3 * float(curve.outer_dose(0.20 / first, 0.20 / first, 1.0))
    assert hours == pytest.approx(3.556, abs=5e-4)


def test_thin_slab_with_surface_resistance_is_the_first_order_limit(published: Published) -> None:
    """Crank eq 4.50-4.53 at Biot 0.1: nearly all resistance sits at the surface, so the whole slab follows one
    first-order lag, dose = Biot x tau (critical share 1, exponent 1). Inner diffusion slows it by at most Biot/3."""
    rows = [row for row in published("crank_surface_resistance") if float(row["L_Biot"]) == 0.1]
    assert len(rows) >= 4
    for row in rows:
        biot, tau = float(row["L_Biot"]), float(row["tau=D*t/l^2"])
        dose = float(curve.outer_dose(float(row["remaining_fraction"]), 1.0, 1.0))
        assert (1.0 - biot / 3.0 - 0.01) * biot * tau <= dose <= biot * tau, row


def test_receding_front_alone_follows_cranks_square_root_law(published: Published) -> None:
    """With no outer resistance a front's depth and a diffusing slab's loss both go with the root of time (Crank eq
    4.20, early branch): one constant fits all tau to 0.2. Later the slab's far side is felt and the laws part."""
    rows = published("crank_slab")
    tau = np.array([float(row["tau=D*t/l^2"]) for row in rows])
    left = np.array([float(row["remaining_fraction_long_series"]) for row in rows])
    early = (tau >= 1e-3) & (tau <= 0.2)
    ratio = curve.inner_dose(left[early], 1.0) / tau[early]
    assert early.sum() >= 4
    np.testing.assert_allclose(ratio, 2.0 / math.pi, rtol=0.003)


def test_two_resistances_in_series() -> None:
    """Bi = h_m L / D_eff = 0.0115 x 1 mm / 2e-6 = 5.7 (two-film theory); with the front right through, 1/(1 + Bi)."""
    biot = 0.0115 * 1e-3 / 2e-6
    assert biot == pytest.approx(5.7, abs=0.06)
    through = curve.fall(1.0, biot, 1.0, curve.FRONT, curve.SUPPLY_DEFICIT).at(np.asarray(1e-9))
    half = curve.fall(1.0, biot, 1.0, curve.FRONT, curve.SUPPLY_DEFICIT).at(np.asarray(0.5))
    assert 1.0 / float(through) == pytest.approx(1.0 / 6.75, rel=1e-6)
    assert 1.0 / float(half) == pytest.approx(1.0 / 3.875, rel=1e-6)


@given(shares, criticals, exponents)
def test_dose_is_the_integral_of_the_reciprocal_rate(left: float, critical: float, exponent: float) -> None:
    """scipy.integrate.quad of 1/f, f written from Keey's definition."""
    expected, _ = quad(
        lambda x: 1.0 if x >= critical else (critical / x) ** exponent, left, 1.0, points=[min(max(critical, left), 1)]
    )
    assert float(curve.outer_dose(left, critical, exponent)) == pytest.approx(expected, rel=1e-6)


def test_exponent_one_is_no_seam() -> None:
    near = curve.outer_dose(0.03, 0.6, [1.0 - 1e-5, 1.0 - 1e-7, 1.0, 1.0 + 1e-7, 1.0 + 1e-5])
    np.testing.assert_allclose(near, near[2], rtol=1e-4)


FORMS: dict[int, Callable[[float, float, float, float, float], float]] = {
    curve.POWER: lambda x, outer, inner, n, deficit: outer / x**n + inner * (1 - x),
    curve.FRONT: lambda x, outer, inner, n, deficit: outer + inner * (1 - x) ** n,
    curve.SUPPLY: lambda x, outer, inner, n, deficit: outer + inner * deficit / 0.0097 * (x**-n - 1),
}
"""The three falls in their own words: shrinking wet part, growing dry layer, what the shell can supply. What is tested
with them is the integral over the water, not the laws: those stand or fall with weighed runs."""


@pytest.mark.parametrize("form", list(FORMS))
@given(left=shares, critical=criticals, exponent=exponents, inner=st.floats(0, 2000), deficit=st.floats(0.001, 0.02))
def test_closed_forms_of_steady_air(
    form: int, left: float, critical: float, exponent: float, inner: float, deficit: float
) -> None:
    """Integral over the water by scipy.integrate.quad."""
    expected, _ = quad(
        lambda share: FORMS[form](min(share / critical, 1.0), 250.0, inner, exponent, deficit),
        left,
        1.0,
        points=[min(max(critical, left), 1.0)],
    )
    found = float(curve.resistance_times_water(left, 250.0, inner, critical, exponent, form, deficit))
    assert found == pytest.approx(expected, rel=1e-6)


def test_supply_limit_hands_over_the_same_flux_whatever_the_air_asks() -> None:
    """With no outer resistance, flux = deficit / resistance does not depend on the deficit."""
    deficits = np.array([0.003, 0.0097, 0.016])
    fluxes = deficits / curve.fall(0.0, 400.0, 1.2, curve.SUPPLY, deficits).at(np.asarray(0.3))
    np.testing.assert_allclose(fluxes, fluxes[0], rtol=1e-9)


def test_liquid_flows_as_the_pores_let_it_and_vapour_as_the_air_asks() -> None:
    """Nothing but the dried layer in the way: all liquid, the flux does not depend on the deficit; all vapour, it is in
    proportion to it; in between, in between. At the reference air the share makes no difference.
    """
    deficits = np.array([0.003, 0.0097, 0.016])
    none, half, full = (deficits / curve.inner_now(400.0, share, deficits) for share in (0.0, 0.5, 1.0))
    np.testing.assert_allclose(full, full[0], rtol=1e-9)
    np.testing.assert_allclose(none, deficits / 400.0, rtol=1e-9)
    assert none[0] < half[0] < full[0]
    assert none[2] > half[2] > full[2]
    assert curve.inner_now(400.0, 0.3, curve.SUPPLY_DEFICIT) == pytest.approx(400.0)


@given(shares, st.floats(0.02, 0.8))
def test_sunk_water_takes_the_integral_of_its_resistance(left: float, sunk: float) -> None:
    expected, _ = quad(lambda x: max(math.log(sunk / x), 0.0), left, 1.0, points=[min(max(sunk, left), 1.0)])
    assert float(curve.sunk_dose(left, sunk)) == pytest.approx(expected, rel=1e-6, abs=1e-9)


@given(criticals, exponents, st.floats(0, 3000))
def test_the_less_water_the_slower(critical: float, exponent: float, inner: float) -> None:
    left = np.linspace(0.01, 1.0, 80)
    ratio = np.minimum(left / critical, 1.0)
    for form in FORMS:
        resistance = curve.fall(250.0, inner, exponent, form, 0.0097).at(ratio)
        assert (np.diff(resistance) <= 1e-9).all()
        np.testing.assert_allclose(resistance[left >= critical], 250.0)


def test_relative_rate_limits() -> None:
    np.testing.assert_allclose(curve.relative_rate([1.0, 0.6, 0.3, 0.0], 0.6, 2.0), [1.0, 1.0, 0.25, 0.0], atol=1e-9)
