"""A measured parameter against the same update done by brute force: sums over a grid, a density of scipy's."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from drymon.drying.coat_model import PARAMETERS, CoatModel, Spread
from drymon.drying.conditioned import Evidence, beside, conditioned, replaced
from drymon.messages.coat_models import load_models

BACKUP = load_models(None)["backup"]
WATER, TRANSFER, CRITICAL = (PARAMETERS.index(name) for name in ("water", "transfer", "critical"))


def correlated(between: float) -> CoatModel:
    """The backup coat with its water tied to its transfer and to its critical share."""
    matrix = np.eye(len(PARAMETERS))
    for other, value in ((TRANSFER, between), (CRITICAL, -0.3)):
        matrix[WATER, other] = matrix[other, WATER] = value
    return replace(BACKUP, correlation=tuple(map(tuple, matrix.tolist())))


def test_an_independent_parameter_is_the_product_of_the_two_densities() -> None:
    """Summed over a fine grid of the logarithm; the others stay to the bit."""
    told = Evidence(0.42, 0.15)
    after = conditioned(BACKUP, {"water": told})
    grid = np.linspace(-4.0, 2.0, 60_001)
    before = BACKUP.parameters["water"]
    density = norm.pdf(grid, math.log(before.centre), before.sd) * norm.pdf(math.log(told.value), grid, told.sd)
    density /= density.sum()
    mean = float(density @ grid)
    assert math.log(after.parameters["water"].centre) == pytest.approx(mean, abs=1e-9)
    assert after.parameters["water"].sd == pytest.approx(math.sqrt(float(density @ (grid - mean) ** 2)), rel=1e-6)
    assert after.correlation is None
    assert {n: s for n, s in after.parameters.items() if n != "water"} == {
        n: s for n, s in BACKUP.parameters.items() if n != "water"
    }


def test_what_is_correlated_moves_along() -> None:
    """Two dimensions by brute force: scipy's bivariate density times that of the reading, moments summed on a grid."""
    model, told = correlated(0.6), Evidence(0.2, 0.2)
    after = conditioned(model, {"water": told})
    spreads = [model.parameters[name] for name in ("water", "transfer")]
    mean, sd = [math.log(s.centre) for s in spreads], [s.sd for s in spreads]
    cross = 0.6 * sd[0] * sd[1]
    axes = [np.linspace(m - 7 * s, m + 7 * s, 701) for m, s in zip(mean, sd, strict=True)]
    water, transfer = np.meshgrid(*axes, indexing="ij")
    prior = multivariate_normal(mean, [[sd[0] ** 2, cross], [cross, sd[1] ** 2]]).pdf(np.dstack([water, transfer]))
    density = prior * norm.pdf(math.log(told.value), water, told.sd)
    density /= density.sum()
    middle = [float((density * axis).sum()) for axis in (water, transfer)]
    spread = [
        math.sqrt(float((density * (axis - at) ** 2).sum())) for axis, at in zip((water, transfer), middle, strict=True)
    ]
    both = float((density * (water - middle[0]) * (transfer - middle[1])).sum()) / (spread[0] * spread[1])
    found = [after.parameters[name] for name in ("water", "transfer")]
    assert [math.log(one.centre) for one in found] == pytest.approx(middle, abs=1e-6)
    assert [one.sd for one in found] == pytest.approx(spread, rel=1e-5)
    assert after.correlation is not None
    assert after.correlation[WATER][TRANSFER] == pytest.approx(both, abs=1e-5)


def test_a_share_moves_on_the_logit() -> None:
    """Equal precision: the middle of two logits. logit 0.5 = 0, logit 0.7311 = 1, so 0.6225 = 1/(1 + e^-0.5)."""
    model = replace(BACKUP, parameters={**BACKUP.parameters, "critical": Spread(0.5, 0.4)})
    after = conditioned(model, {"critical": Evidence(1.0 / (1.0 + math.exp(-1.0)), 0.4)})
    assert after.parameters["critical"].centre == pytest.approx(0.6225, abs=1e-4)
    assert after.parameters["critical"].sd == pytest.approx(0.4 / math.sqrt(2.0))


def test_two_measurements_come_to_the_same_in_either_order() -> None:
    told = {"water": Evidence(0.2, 0.2), "transfer": Evidence(1.0, 0.1)}
    one, other = (conditioned(correlated(0.6), dict(order)) for order in (told.items(), [*told.items()][::-1]))
    assert [s.centre for s in one.parameters.values()] == pytest.approx([s.centre for s in other.parameters.values()])
    assert np.asarray(one.correlation) == pytest.approx(np.asarray(other.correlation), abs=1e-12)


def test_the_correlation_stays_one_that_draws_can_be_made_of() -> None:
    after = conditioned(correlated(0.9), {"water": Evidence(0.2, 0.01), "transfer": Evidence(1.0, 0.01)})
    matrix = np.asarray(after.correlation)
    assert np.linalg.eigvalsh(matrix).min() > 0.0
    assert np.diagonal(matrix) == pytest.approx(1.0)


def test_what_is_known_exactly_does_not_move() -> None:
    model = replace(correlated(0.0), parameters={**BACKUP.parameters, "water": Spread(0.3, 0.0)})
    assert conditioned(model, {"water": Evidence(0.9, 0.1)}).parameters["water"] == Spread(0.3, 0.0)


def test_a_spread_known_from_elsewhere_takes_along_what_depends_on_it() -> None:
    """A million draws of the transfer as it is now known, and the water as it was, given each: a regression."""
    luck = np.random.default_rng(5)
    model = correlated(0.6)
    water, transfer = (model.parameters[name] for name in ("water", "transfer"))
    known = luck.normal(math.log(1.0), 0.2, 1_000_000)
    given = math.log(water.centre) + 0.6 * water.sd * (known - math.log(transfer.centre)) / transfer.sd
    waters = luck.normal(given, water.sd * math.sqrt(1.0 - 0.6**2))
    after = replaced(model, "transfer", Spread(1.0, 0.2))
    assert after.parameters["transfer"] == Spread(pytest.approx(1.0), pytest.approx(0.2))
    assert math.log(after.parameters["water"].centre) == pytest.approx(float(waters.mean()), abs=1e-3)
    assert after.parameters["water"].sd == pytest.approx(float(waters.std()), rel=3e-3)
    assert after.correlation is not None
    assert after.correlation[WATER][TRANSFER] == pytest.approx(float(np.corrcoef(waters, known)[0, 1]), abs=3e-3)
    alone = replaced(BACKUP, "transfer", Spread(1.0, 0.2))
    assert alone.parameters["water"] == BACKUP.parameters["water"]


def test_what_had_no_spread_is_replaced_alone() -> None:
    model = replace(correlated(0.0), parameters={**BACKUP.parameters, "transfer": Spread(1.4, 0.0)})
    assert replaced(model, "transfer", Spread(1.0, 0.2)).parameters["transfer"] == Spread(1.0, 0.2)


def test_a_parameter_told_beside_another_thing_has_that_things_doubt_too() -> None:
    """A million draws of the model, each times a factor of its own about 0.8: moments and correlation as drawn."""
    luck = np.random.default_rng(7)
    model = correlated(0.6)
    spreads = [model.parameters[name] for name in ("water", "transfer")]
    scores = luck.multivariate_normal([0, 0], [[1, 0.6], [0.6, 1]], 1_000_000).T
    water, transfer = (math.log(s.centre) + s.sd * score for s, score in zip(spreads, scores, strict=True))
    transfer = transfer + luck.normal(math.log(0.8), 0.3, len(transfer))
    after = beside(model, "transfer", 0.8, 0.3)
    found = after.parameters["transfer"]
    assert math.log(found.centre) == pytest.approx(float(transfer.mean()), abs=2e-3)
    assert found.sd == pytest.approx(float(transfer.std()), rel=3e-3)
    assert after.correlation is not None
    assert after.correlation[WATER][TRANSFER] == pytest.approx(float(np.corrcoef(water, transfer)[0, 1]), abs=3e-3)
    assert beside(BACKUP, "transfer", 0.8, 0.3).correlation is None


@pytest.mark.parametrize(
    ("name", "value", "sd"), [("water", 0.0, 0.1), ("water", 0.3, 0.0), ("water", math.inf, 0.1), ("water", 0.3, -1.0)]
)
def test_evidence_that_is_none_is_refused(name: str, value: float, sd: float) -> None:
    with pytest.raises(ValueError, match="allowed are numbers above 0"):
        conditioned(BACKUP, {name: Evidence(value, sd)})


@pytest.mark.parametrize(("name", "value"), [("colour", 1.0), ("critical", 1.0)])
def test_a_parameter_that_there_is_not_is_refused(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=f"received {name} 1; allowed are water, cooling"):
        conditioned(BACKUP, {name: Evidence(value, 0.1)})
