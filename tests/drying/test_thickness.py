"""How much water a thick slurry leaves on a piece: against the cups' table, and two published films."""

import math
from dataclasses import replace

import numpy as np
import pytest

from drymon.drying import coat, dips
from drymon.drying.coat_model import Spread
from drymon.drying.draws import dip_draws
from drymon.drying.edges import NO_EDGES
from drymon.drying.ensemble import REFERENCE_AIR
from drymon.drying.thickness import of_cup, scattered
from drymon.messages.coat_models import load_models
from tests.drying.test_cups import middle_of, name_of

BACKUP = load_models(None)["backup"]
MIDDLE = "v_at_mid(50 Zahn Shell, 60 Ford ISO)"

DRAINED, DRAWN = 0.5, 2.0 / 3.0
"""Powers of a film's thickness by viscosity: Jeffreys 1930 (drained off a wall), Landau & Levich 1942 (drawn up)."""


def test_thickness_is_that_of_the_table_s_viscosities(published) -> None:
    for row in published("viscosity_cups"):
        usual = middle_of(row)
        low, mid, high = (float(row[key]) for key in ("v_at_t_min", MIDDLE, "v_at_t_max"))
        band = (usual - 5.0, usual + 5.0)
        told = [of_cup(name_of(row), float(row[key]), band) for key in ("t_min_s", "t_max_s")]
        assert told == pytest.approx([math.log(low / mid), math.log(high / mid)], abs=1e-3)


@pytest.mark.parametrize("cup", ["iso-2431-4", None])
def test_the_middle_of_the_band_is_as_usual(cup: str | None) -> None:
    assert of_cup(cup, 31.0 if cup is None else 40.0, (28.0, 34.0) if cup is None else (36.0, 44.0)) == 0.0


def test_without_a_formula_seconds_stand_for_themselves_and_tell_no_more_than_there_is() -> None:
    """20 s are below what ISO 2431 states, and the viscosity falls faster than the seconds do."""
    for cup in (None, "iso-2431-4"):
        assert of_cup(cup, 20.0, (36.0, 44.0)) == pytest.approx(-math.log(2.0))
    assert of_cup("iso-2431-4", 30.0, (36.0, 44.0)) < math.log(30.0 / 40.0)


def quantiles(thick: float) -> np.ndarray:
    """5, 50 and 95 % of the water [kg/m2] on an open face, over those of the usual slurry."""
    found = [np.quantile(dips.possible_coats(BACKUP, 1, "open", thick=one).water[0], (0.05, 0.5, 0.95))
             for one in (0.0, thick)]  # fmt: skip
    return np.asarray(found[1] / found[0])


def test_what_is_assumed_has_both_published_films_within_its_bounds() -> None:
    power = BACKUP.slurry_power
    assert power.centre < DRAINED < DRAWN < power.centre + 1.645 * power.sd
    assert 1.15 < quantiles(math.log(2.0))[1] < 2.0**DRAINED


def test_a_thin_slurry_brings_less_and_bounds_widen_both_ways() -> None:
    low, middle, high = quantiles(math.log(0.5))
    assert low < middle < 1.0
    assert high / low > 1.02


def test_twice_as_thick_a_coat_takes_twice_to_four_times_as_long() -> None:
    """In proportion to its water where the air sets the pace, to the square where the way out of the layer does (Crank
    1975, The Mathematics of Diffusion, chapter 4).
    """
    model = replace(BACKUP, slurry_power=Spread(1.0, 0.0))
    usual, thick = (dips.possible_coats(model, 1, "open", thick=one, edges=NO_EDGES) for one in (0.0, math.log(2)))
    times = [coat.steady_time(one, 0.05, REFERENCE_AIR)[0] for one in (usual, thick)]
    assert (times[1] / times[0]).min() > 2.0
    assert (times[1] / times[0]).max() < 4.0
    assert np.median(times[1] / times[0]) > 2.1


def test_a_slurry_as_usual_changes_no_member() -> None:
    one, other = dips.possible_coats(BACKUP, 3, "deep"), dips.possible_coats(BACKUP, 3, "deep", thick=0.0)
    np.testing.assert_array_equal(one.water, other.water)
    np.testing.assert_array_equal(one.conductance, other.conductance)


@pytest.mark.parametrize(
    ("thick", "luck", "told"), [(0.5, 0.0, 0.1), (-0.5, 0.0, 0.1), (1.0, 0.0, 0.2), (2.0, 0.3, 0.5)]
)
def test_what_is_not_known_of_the_power_joins_the_luck_of_the_dip(thick: float, luck: float, told: float) -> None:
    """A power known to 0.2: half a logarithm of it is 0.1; 0.4 and 0.3 at a right angle are 0.5."""
    model = replace(BACKUP, slurry_power=Spread(0.4, 0.2), dip_sd={"water": luck} if luck else {})
    assert scattered(model, thick).water_sd == pytest.approx(told)


def logs_of(model, name: str) -> np.ndarray:
    return np.log(dip_draws(model, 1024)[name])


def test_another_week_s_slurry_moves_water_and_way_out_together() -> None:
    """Against draws of the two kinds of luck, added up: a dip's own of either, and the week's of both."""
    model = replace(BACKUP, dip_sd={"water": 0.05, "transfer": 0.03, "inner": 0.08}, slurry_sd=0.1)
    dice = np.random.default_rng(4)
    week, own_water, own_inner = (sd * dice.standard_normal(300_000) for sd in (0.1, 0.05, 0.08))
    expected = np.cov(week + own_water, week + own_inner)
    water, inner, transfer = (logs_of(model, name) for name in ("water", "inner", "transfer"))
    np.testing.assert_allclose(np.cov(water, inner), expected, atol=6e-4)
    assert abs(np.corrcoef(water, transfer)[0, 1]) < 0.05
    assert model.water_sd == pytest.approx(float(np.std(week + own_water)), rel=0.01)


def test_luck_of_the_slurry_alone_makes_both_one_and_the_same() -> None:
    model = replace(BACKUP, dip_sd=dict.fromkeys(BACKUP.dip_sd, 0.0), slurry_sd=0.08)
    np.testing.assert_allclose(logs_of(model, "water"), logs_of(model, "inner"), atol=1e-12)
    assert np.ptp(logs_of(model, "water")) > 0.3
    assert np.ptp(logs_of(model, "transfer")) == 0.0


def test_a_model_without_luck_has_neither_the_dip_s_nor_the_slurry_s() -> None:
    still = replace(BACKUP, slurry_sd=0.1).without_luck()
    assert all(np.ptp(logs_of(still, name)) == 0.0 for name in still.dip_sd)
    assert still.water_sd == 0.0
