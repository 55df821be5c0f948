"""A usual wait as evidence: how it is weighed, and what it does to trees that a shop would then be told of.

The shops of these tests are drawn from a coat model of their own, so that no packaged number decides.
"""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad

from drymon.drying import coat, dips, draws, ensemble, surface, usual_wait
from drymon.drying.coat_model import CoatModel, Spread
from drymon.drying.usual_wait import RIGHT, SAYS_NOTHING, TOO_EARLY, UsualDip, log_likelihood

USUAL = UsualDip(
    number=5, left=0.05, temperature_c=22.0, humidity_pct=50.0, pressure_pa=101325.0, slowest=0.3, fastest=2.0
)
SPREADS = {
    "water": (0.3, 0.3), "cooling": (0.75, 0.3), "transfer": (1.3, 0.3), "critical": (0.5, 0.7), "exponent": (1.0, 0.2),
    "inner": (170.0, 0.5), "liquid": (0.15, 0.6), "sorption": (0.011, 0.4), "soak": (0.05, 0.6), "sunk": (0.1, 0.5),
    "pocketed": (0.35, 0.8), "deep": (0.45, 0.8), "pocketed_share": (0.15, 0.5), "deep_share": (0.1, 0.5),
    "end": (0.08, 0.6), "pace": (1.0, 0.2), "growth_3": (1.03, 0.15), "growth_5": (1.04, 0.15),
    "growth_8": (1.05, 0.15), "growth_12": (1.03, 0.15), "damp": (0.9, 0.2), "warm": (1.0, 0.15), "wind": (1.0, 0.15),
}  # fmt: skip
TILE = CoatModel(
    name="tile",
    family="backup",
    parameters={name: Spread(*spread) for name, spread in SPREADS.items()},
    dip_sd={"water": 0.1, "transfer": 0.1, "inner": 0.1},
    seen={},
)
SHOPS = 1500


def density(factor: float) -> float:
    """Likelihood of a wait of `factor` times the true time."""
    return float(np.exp(log_likelihood(factor, np.array([1.0]))[0]))


def test_the_three_ways_of_waiting_are_all_there_are() -> None:
    """As a density over the logarithm of wait over true time it adds up to 1, the flat part over a factor of 100."""
    assert RIGHT.share + TOO_EARLY.share + SAYS_NOTHING == pytest.approx(1.0)
    flat = SAYS_NOTHING / math.log(100.0)
    told = quad(lambda x: density(math.exp(x)) - flat, -8.0, 8.0, points=(-1.0, 0.5), limit=200)[0]
    assert told + SAYS_NOTHING == pytest.approx(1.0, abs=1e-3)


def test_right_waits_are_likelier_than_early_ones_and_those_than_strange_ones() -> None:
    right, early, strange = density(1.6), density(0.45), max(density(0.02), density(50.0))
    assert right > density(1.1) > strange
    assert right > density(2.6) > strange
    assert right > early > 3.0 * strange
    assert density(1e-6) == pytest.approx(density(1e6), rel=1e-6), "however strange, it is never impossible"


def test_a_member_that_never_dries_is_no_likelier_than_a_strange_answer() -> None:
    told = log_likelihood(4.0, np.array([np.inf, 4.0 / 1.6]))
    assert np.exp(told[0]) == pytest.approx(density(1e-6), rel=1e-6)
    assert told[1] > told[0] + 2.0


@pytest.mark.parametrize("humidity", [30.0, 50.0, 65.0])
def test_hours_are_those_of_the_fold_s_own_steps(humidity: float) -> None:
    """Minute by minute in the same air, as a tree on a rack is folded."""
    usual, members = replace(USUAL, humidity_pct=humidity), 200
    told = usual_wait.hours_to_dry(TILE, usual, members)
    coats = dips.possible_coats(TILE, 5, "open", members=members)
    coefficients = surface.transfer_coefficients(draws.assumed_speeds(0.3, 2.0, members), 22.0, 101325.0)
    air = ensemble.air_step(22.0, humidity, coefficients, 101325.0)
    left, found = np.ones_like(coats.water), np.full(members, np.inf)
    for minute in range(1, 60 * 48):
        left = coat.step(coats, left, air, 60.0)
        found[np.isinf(found) & (left.max(axis=0) <= 0.05)] = minute / 60.0
    dried = np.isfinite(found)
    assert dried.mean() > 0.95
    assert_allclose(told[dried], found[dried], rtol=0.05, atol=1.0 / 60.0)


@pytest.mark.parametrize("wait", [1.0, 4.0, 16.0])
def test_the_hours_move_towards_the_answer_and_the_model_says_what_was_counted(wait: float) -> None:
    before = np.median(usual_wait.hours_to_dry(TILE, USUAL))
    after = usual_wait.counted(TILE, wait, USUAL)
    hours = usual_wait.hours_to_dry(after, USUAL)
    towards = wait / 1.6
    assert min(before, towards) < np.median(hours) < max(before, towards)
    assert after.counted == (f"the usual wait of {wait:g} h",)
    assert np.linalg.eigvalsh(np.asarray(after.correlation)).min() > 0.0


def test_an_answer_far_from_every_member_moves_next_to_nothing_and_is_known_as_such() -> None:
    hours = usual_wait.hours_to_dry(TILE, USUAL)
    for wait in (0.01, 300.0):
        assert usual_wait.chance_it_says_nothing(wait, hours) > 0.9
        after = usual_wait.hours_to_dry(usual_wait.counted(TILE, wait, USUAL), USUAL)
        assert_allclose(np.quantile(after, (0.05, 0.5, 0.95)) / np.quantile(hours, (0.05, 0.5, 0.95)), 1.0, atol=0.1)
    assert usual_wait.chance_it_says_nothing(1.6 * float(np.median(hours)), hours) < 0.15


# --- shops -----------------------------------------------------------------------------------------------------------


@cache
def shops() -> tuple[np.ndarray, np.ndarray]:
    """Hours that a usual tree of each shop takes, and one certain tree of it: members of the model, with dips and edges
    of their own. (SHOPS,) each.
    """
    rng = np.random.default_rng(20310303)
    typical = replace(TILE, dip_sd={})
    usual = usual_wait.hours_to_dry(typical, replace(USUAL, edges="even"), SHOPS)
    scatter = np.exp(rng.normal(0.0, 0.12, SHOPS)) * np.where(
        rng.random(SHOPS) < 0.35, rng.uniform(1.0, 1.3, SHOPS), 1.0
    )
    return usual, usual * scatter


@cache
def surely_dry(wait: float | None) -> float:
    """Hours after which a tree would be called, by the model with this answer counted: its 95 % bound, as a dip draws
    it.
    """
    model = TILE if wait is None else usual_wait.counted(TILE, wait, USUAL)
    hours = usual_wait.hours_to_dry(model, USUAL, 256)
    return float(np.quantile(hours, 0.95, method="inverted_cdf"))


def called(factors: np.ndarray | float) -> np.ndarray:
    """Hours after which each shop's tree is called when it waits so many times its usual time, (SHOPS,)."""
    waits = np.log(shops()[0] * factors)
    grid = np.linspace(waits.min(), waits.max(), 25)
    bounds = np.log([surely_dry(float(np.exp(wait))) for wait in grid])
    return np.asarray(np.exp(np.interp(waits, grid, bounds)))


def early(hours: np.ndarray | float) -> float:
    return float((hours < shops()[1]).mean())


def lateness(hours: np.ndarray | float) -> float:
    return float(np.median(hours / shops()[1])) - 1.0


def test_honest_shops_are_called_sooner_and_not_too_soon() -> None:
    """Waits of 1 to 2 times the true time."""
    factors = np.exp(np.random.default_rng(7).uniform(0.0, math.log(2.0), SHOPS))
    told, untold = called(factors), surely_dry(None)
    assert early(told) < 0.05
    assert lateness(told) < 0.93 * lateness(untold)


def test_a_reckless_shop_s_trees_are_hardly_called_early_more_often() -> None:
    """Half the true time, as a shop does that has been lucky: within 3 points of the 5 % that the bound promises."""
    assert early(called(0.5)) <= 0.08
    assert early(surely_dry(None)) <= 0.05


def test_a_shop_that_waits_far_too_long_is_not_called_early() -> None:
    assert early(called(3.0)) < 0.03


def test_a_quick_shop_is_known_by_its_answer() -> None:
    """Of a shop whose coats take 0.4 of what the model expects, an honest answer takes a part of the waiting."""
    quick = 0.4 * float(np.median(shops()[0]))
    assert surely_dry(1.4 * quick) < 0.95 * surely_dry(None)
