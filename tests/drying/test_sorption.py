"""The sorption isotherm against tabulated values and its known limits."""

import numpy as np
import pytest

from drymon.drying import sorption

TABLE = {20: 0.0275, 40: 0.0384, 50: 0.0443, 60: 0.0514, 70: 0.0604, 80: 0.0726}
"""Loading in kg per kg of binder silica for a monolayer of 0.03, C 20, K 0.75: computed from the GAB equation by hand
(Anderson 1946; constants assumed for a dried colloidal binder, no open measurement)."""


@pytest.mark.parametrize("humidity", sorted(TABLE))
def test_tabulated_loadings(humidity: int) -> None:
    assert 0.03 * float(sorption.gab(humidity)) == pytest.approx(TABLE[humidity], abs=6e-5)


def test_dry_air_takes_all_and_saturated_air_gives_a_finite_load() -> None:
    """GAB with K 0.75 stays finite at saturation, unlike BET: about C / ((C - 1 + 1/(1-K)) ...) = 3.94 monolayers."""
    assert float(sorption.gab(0.0)) == 0.0
    assert float(sorption.gab(100.0)) == pytest.approx(3.934, abs=0.01)
    assert float(sorption.gab(140.0)) == float(sorption.gab(100.0))


def test_henrys_law_when_nearly_dry() -> None:
    """At low activity the load is C K a (Henry): 15 monolayers per unit."""
    assert float(sorption.gab(0.01)) / 1e-4 == pytest.approx(15.0, rel=0.005)


def test_one_monolayer_where_theory_puts_it() -> None:
    """GAB loads exactly one monolayer at K a = (sqrt(C) - 1)/(C - 1)."""
    activity = (np.sqrt(20.0) - 1.0) / 19.0 / 0.75
    assert float(sorption.gab(100.0 * activity)) == pytest.approx(1.0, rel=1e-9)


def test_damper_air_always_holds_more() -> None:
    humidity = np.linspace(0, 100, 201)
    assert (np.diff(sorption.gab(humidity)) > 0).all()
    assert (np.sign(sorption.excess(humidity)) == np.sign(humidity - 50.0)).all()


def test_refill_slope_is_the_chord_from_50_to_75_percent() -> None:
    """The chord's slope against values read off the table: between 50 and 80 %, (0.0726 - 0.0443)/0.03/0.3 is 3.14,
    between 50 and 70 % it is 2.68; the chord to 75 % lies between."""
    assert 2.68 < sorption.GAB_SLOPE < 3.14
