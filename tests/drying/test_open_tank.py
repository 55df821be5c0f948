"""Water that goes off an open tank, against what was measured and correlated on pools without swimmers."""

import numpy as np
import pytest

from drymon.drying import air
from drymon.drying.open_tank import DRAUGHTS, evaporation, litres_a_day


def measured_on_a_quiet_pool(water_c: float, air_c: float, humidity_pct: float) -> float:
    """Smith et al., ASHRAE Transactions 104 (1998) 1A: undisturbed pools gave off 74 % of (95 + 0.425 v) (pw - pa) / Y,
    lb/(h ft2), v in ft/min, p in inHg, Y in Btu/lb (abstract seen on a public page); here without any draught.
    """
    inches = (air.saturation_pressure(water_c) - air.vapour_pressure(air_c, humidity_pct)) / 3386.389
    btu_per_lb = air.latent_heat(water_c) / 2326.0
    return float(0.74 * 95.0 * inches / btu_per_lb * 0.45359237 / 0.09290304 / 3600.0)


@pytest.mark.parametrize(("water_c", "air_c", "humidity"), [(28, 27, 55), (26, 27, 50), (30, 26, 60), (24, 22, 40)])
def test_the_bounds_span_what_was_measured_on_quiet_pools(water_c, air_c, humidity) -> None:
    told = litres_a_day(water_c, 1.0, air_c, humidity, 101_325.0)
    measured = 86400.0 * measured_on_a_quiet_pool(water_c, air_c, humidity)
    assert told.low < measured < told.high
    assert 0.5 * measured < told.best < 1.2 * measured


def test_a_known_correlation_of_quiet_water_lies_within_the_bounds() -> None:
    """Shah 2014: 40 rho_w (rho_a - rho_w)^(1/3) (W_w - W_a) kg/(m2 h) for small differences of the densities of dry air
    (from memory): 2.4 L a day and m2 at 22 degC, 50 %RH; worked by hand: 1.165, 0.0156 kg/m3, 0.00844.
    """
    told = litres_a_day(22.0, 1.0, 22.0, 50.0, 101_325.0)
    by_hand = 24.0 * 40.0 * 1.165 * 0.0156 ** (1.0 / 3.0) * 0.00844
    assert told.low < by_hand < told.high
    assert told.best == pytest.approx(by_hand, rel=0.25)


def test_drier_air_warmer_slurry_and_a_draught_take_more() -> None:
    usual = evaporation(22.0, 0.5, 22.0, 50.0, 0.1)
    assert evaporation(22.0, 0.5, 22.0, 35.0, 0.1) > usual
    assert evaporation(26.0, 0.5, 22.0, 50.0, 0.1) > usual
    assert evaporation(22.0, 0.5, 22.0, 50.0, 2.0) > 2.0 * usual


def test_air_lies_still_on_a_cold_slurry() -> None:
    """At the same drive, a surface colder than the air takes its convection from the draught alone, nearly."""
    cold = evaporation(16.0, 0.5, 24.0, 30.0, 0.05)
    drive = air.saturation_pressure(16.0) - air.vapour_pressure(24.0, 30.0)
    usual_drive = air.saturation_pressure(22.0) - air.vapour_pressure(22.0, 50.0)
    assert 0.0 < cold / drive < 0.8 * evaporation(22.0, 0.5, 22.0, 50.0, 0.05) / usual_drive


def test_nothing_goes_off_where_the_air_would_rather_give_water() -> None:
    assert evaporation(14.0, 0.5, 26.0, 80.0, 0.1) == 0.0
    assert litres_a_day(14.0, 0.5, 26.0, 80.0, 101_325.0).high == 0.0


def test_a_day_is_the_mean_of_its_hours_and_a_small_tank_gives_off_more_of_each_metre() -> None:
    dry, damp = (litres_a_day(22.0, 0.5, 22.0, rh, 101_325.0).best for rh in (30.0, 70.0))
    both = litres_a_day(22.0, 0.5, np.array([22.0, 22.0]), np.array([30.0, 70.0]), 101_325.0)
    assert both.best == pytest.approx((dry + damp) / 2.0, rel=1e-9)
    large = litres_a_day(22.0, 2.0, 22.0, 50.0, 101_325.0)
    small = litres_a_day(22.0, 0.5, 22.0, 50.0, 101_325.0)
    assert small.best < large.best < 4.0 * small.best
    assert DRAUGHTS[0] < DRAUGHTS[1] < DRAUGHTS[2]
