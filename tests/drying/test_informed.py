"""Evidence as weights of a model's members: against the exact updates of a normal prior, and at its limits."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from drymon.drying import dips, draws
from drymon.drying.coat_model import PARAMETERS, CoatModel, Spread, to_working
from drymon.drying.conditioned import Evidence, conditioned
from drymon.drying.informed import MANY, informed

WATER, TRANSFER, INNER = (PARAMETERS.index(name) for name in ("water", "transfer", "inner"))
SHARE = ("critical", "liquid", "pocketed_share", "deep_share", "end")
LUCK = 4.0 / math.sqrt(MANY)
"""Four standard errors of a mean of so many members."""

PLAIN = CoatModel(
    name="tile",
    family="backup",
    parameters={name: Spread(0.3 if name in SHARE else 1.0 + i / 10, 0.4) for i, name in enumerate(PARAMETERS)},
    dip_sd={"water": 0.1, "transfer": 0.1, "inner": 0.1},
    seen={},
)


def tied(between: float) -> CoatModel:
    """The plain model with its water tied to its transfer."""
    matrix = np.eye(len(PARAMETERS))
    matrix[WATER, TRANSFER] = matrix[TRANSFER, WATER] = between
    return replace(PLAIN, correlation=tuple(map(tuple, matrix.tolist())))


def reading(model: CoatModel, name: str, told: Evidence) -> np.ndarray:
    """Log likelihood of a normal reading of a parameter's logarithm, by member."""
    found = np.log(draws.parameter_draws(model, MANY)[name])
    return -0.5 * ((found - math.log(told.value)) / told.sd) ** 2


def middles(model: CoatModel) -> np.ndarray:
    """Centres on the working scale."""
    return np.array([to_working(name, model.parameters[name].centre) for name in PARAMETERS])


def sds(model: CoatModel) -> np.ndarray:
    return np.array([model.parameters[name].sd for name in PARAMETERS])


@pytest.mark.parametrize("model", [PLAIN, tied(0.6)])
@pytest.mark.parametrize("level", [0.0, -700.0, 41.0])
def test_evidence_that_tells_nothing_gives_back_the_model(model: CoatModel, level: float) -> None:
    after = informed(model, np.full(MANY, level), "nothing")
    assert_allclose(middles(after), middles(model), atol=1e-9)
    assert_allclose(sds(after), sds(model), rtol=1e-9)
    assert_allclose(
        np.asarray(after.correlation), np.asarray(tied(0.6 if model.correlation else 0.0).correlation), atol=1e-9
    )
    assert after.counted == ("nothing",)
    assert replace(after, parameters=model.parameters, correlation=model.correlation, counted=()) == model


@pytest.mark.parametrize("model", [PLAIN, tied(0.6), tied(-0.8)])
def test_a_reading_of_one_parameter_moves_as_the_exact_update_does(model: CoatModel) -> None:
    """`conditioned` is the product of two normal densities, checked by sums over a grid elsewhere."""
    told = Evidence(1.4, 0.3)
    after, exact = informed(model, reading(model, "water", told), "a reading"), conditioned(model, {"water": told})
    assert_allclose((middles(after) - middles(exact)) / sds(model), 0.0, atol=LUCK)
    assert_allclose(sds(after) / sds(exact), 1.0, atol=LUCK)
    assert np.asarray(after.correlation)[WATER, TRANSFER] == pytest.approx(
        0.0 if exact.correlation is None else exact.correlation[WATER][TRANSFER], abs=LUCK
    )


def test_what_is_known_of_a_sum_ties_its_parts_together() -> None:
    """log water + log inner = y within s: S - S a a'S / (a'S a + s2), the textbook's update with a = (1, 1)."""
    drawn = draws.parameter_draws(PLAIN, MANY)
    y, s, sd = math.log(PLAIN.parameters["water"].centre * PLAIN.parameters["inner"].centre) + 0.3, 0.2, 0.4
    total = np.log(drawn["water"] * drawn["inner"])
    after = informed(PLAIN, -0.5 * ((total - y) / s) ** 2, "their product")
    variance = 2 * sd**2 + s**2
    left, together = sd**2 - sd**4 / variance, -(sd**4) / variance
    moved = (middles(after) - middles(PLAIN)) / sd
    assert moved[[WATER, INNER]] == pytest.approx(0.3 * sd / variance, abs=LUCK)
    assert sds(after)[[WATER, INNER]] == pytest.approx(math.sqrt(left), rel=LUCK)
    assert np.asarray(after.correlation)[WATER, INNER] == pytest.approx(together / left, abs=LUCK)


def test_the_next_dip_s_members_are_of_the_informed_model() -> None:
    """Their ratio is known to 5 %: the 256 members that a dip draws keep to it, though each part stays wide."""
    drawn = draws.parameter_draws(PLAIN, MANY)
    ratio = np.log(drawn["water"] / drawn["transfer"])
    after = informed(PLAIN, -0.5 * ((ratio - 0.2) / 0.05) ** 2, "their ratio")
    members = draws.parameter_draws(after)
    assert np.log(members["water"] / members["transfer"]).mean() == pytest.approx(0.2, abs=0.03)
    assert np.log(members["water"] / members["transfer"]).std() < 0.09
    assert np.log(members["water"]).std() > 0.2
    assert np.isfinite(dips.possible_coats(after, 3, "deep").water).all()


@pytest.mark.parametrize(("place", "least", "most"), [(0.0, -0.1, 0.1), (3.0, 0.3, 3.1), (-6.0, -6.1, -0.3)])
@pytest.mark.parametrize("sd", [1e-4, 0.05])
def test_however_narrow_or_strange_the_evidence_draws_can_be_made_of_it(
    place: float, least: float, most: float, sd: float
) -> None:
    """place, least, most: of the reading, and of where the model moves to, in standard deviations."""
    model = tied(0.9)
    told = model.parameters["water"].centre * math.exp(place * 0.4)
    after = informed(model, reading(model, "water", Evidence(told, sd)), "a strange reading")
    matrix = np.asarray(after.correlation)
    assert np.linalg.eigvalsh(matrix).min() > 1e-3
    assert_allclose(matrix, matrix.T, atol=0.0)
    assert_allclose(np.diagonal(matrix), 1.0, atol=1e-12)
    assert (sds(after) > 0.01).all(), "toned down before a few members are all that is left"
    assert least < (middles(after) - middles(model))[WATER] / 0.4 < most


def test_members_that_cannot_be_count_no_more() -> None:
    """Half a normal distribution: mean 0.798 and sd 0.603 of a standard one (sqrt(2/pi), sqrt(1 - 2/pi))."""
    water = draws.parameter_draws(PLAIN, MANY)["water"]
    impossible = np.where(water > PLAIN.parameters["water"].centre, 0.0, -np.inf)
    impossible[np.argmin(water)] = np.nan
    after = informed(PLAIN, impossible, "more than the middle")
    assert (middles(after) - middles(PLAIN))[WATER] / 0.4 == pytest.approx(0.798, abs=0.01)
    assert sds(after)[WATER] / 0.4 == pytest.approx(0.603, abs=0.01)


@pytest.mark.parametrize("nothing", [-np.inf, np.nan, np.inf])
def test_evidence_that_no_member_explains_is_refused(nothing: float) -> None:
    with pytest.raises(ValueError, match="received none that is finite; allowed is evidence that some member explains"):
        informed(PLAIN, np.full(MANY, nothing), "nonsense")


def test_what_is_known_exactly_stays() -> None:
    model = replace(PLAIN, parameters={**PLAIN.parameters, "pace": Spread(1.0, 0.0)})
    after = informed(model, reading(model, "water", Evidence(1.4, 0.3)), "a reading")
    assert after.parameters["pace"] == Spread(1.0, 0.0)


def test_evidence_is_told_in_the_order_in_which_it_was_counted() -> None:
    once = informed(PLAIN, np.zeros(MANY), "the usual wait of 4 h")
    assert informed(once, np.zeros(MANY), "a witness").counted == ("the usual wait of 4 h", "a witness")
