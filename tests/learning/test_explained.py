"""Curves that do not explain their runs, runs that contradict the others, two coats under one name: all are told of."""

from dataclasses import replace

import numpy as np
import pytest

from drymon.learning.estimate import fit_room
from drymon.learning.explained import doubt_of, missed, strangers, two_groups
from drymon.learning.fit import fit_all
from drymon.learning.forward import THETA
from drymon.learning.layout import Prior
from drymon.messages.coat_models import load_models

STARTS = load_models(None)
HOURS = np.linspace(0.1, 8.0, 20)


def exponential(hours):
    return np.exp(-hours / 1.2)


def ever_faster(hours):
    """What no wet body does in steady air: slow at first, quickest at its end."""
    return np.maximum(1.0 - (hours / 5.0) ** 3, 0.0)


def in_a_leap(hours):
    """Nothing for four hours, then nearly all at once: the tree was moved, or somebody leant on the scale."""
    return np.where(hours < 4.0, 1.0 - 0.02 * hours, 0.12 * np.exp(-np.maximum(hours - 4.0, 0.0)))


def runs_of(make, left, factors, **kind):
    return [
        make(lambda h, k=k: left(h / k), HOURS, name=f"t-{i}", seed=i, start_s=9e4 * i, **kind)
        for i, k in enumerate(factors)
    ]


@pytest.mark.parametrize("left", [ever_faster, in_a_leap])
def test_a_coat_whose_runs_no_curve_explains_is_doubted(make, left) -> None:
    (fit,) = fit_all(runs_of(make, left, [1.0, 1.05, 0.95]), STARTS)
    assert len(fit.missed) == 3
    assert "misses 3 of 3 weighed runs" in fit.model.doubt
    assert "your own finger and scale" in fit.model.doubt


def test_a_curve_on_which_nothing_dries_misses_whatever_was_lost(make) -> None:
    """Air takes nothing of it: there is no share of its loss to compare."""
    runs = runs_of(make, exponential, [1.0, 1.05])
    estimate = fit_room(runs, {"backup": Prior.of(STARTS["backup"])}, "power")
    assert missed(estimate) == [False, False]
    theta = estimate.theta.copy()
    theta[1, [THETA.index(name) for name in ("transfer", "cooling")]] = -60.0
    assert missed(replace(estimate, theta=theta)) == [False, True]


def test_a_coat_that_dries_as_coats_do_is_not(make) -> None:
    """Quick ones and slow ones, straight to the end or with a long tail."""
    runs = runs_of(make, exponential, [1.0, 1.4, 0.7])
    straight = [
        make(lambda h: np.maximum(1.0 - h / 5.0, 0.0), HOURS, name=f"s-{i}", coat="prime-fine", seed=i) for i in (1, 2)
    ]
    tailed = [make(lambda h: 1.0 / (1.0 + 2.0 * h), HOURS, name=f"l-{i}", coat="seal", seed=i) for i in (3, 4)]
    fits = fit_all([*runs, *straight, *tailed], STARTS)
    assert {fit.model.name: (fit.model.doubt, fit.missed) for fit in fits} == {
        "backup": ("", ()),
        "prime-fine": ("", ()),
        "seal": ("", ()),
    }


def test_one_odd_run_of_four_does_not_condemn_its_coat(make) -> None:
    runs = runs_of(make, exponential, [1.0, 1.05, 0.95])
    odd = make(ever_faster, HOURS, name="odd", start_s=9e6)
    (fit,) = fit_all([*runs, odd], STARTS)
    assert fit.model.doubt == ""
    assert {run.tree for run in (*fit.missed, *fit.doubted)} == {"odd"}


def test_more_than_a_third_missed_is_a_doubt_of_that_coat_alone(make) -> None:
    runs = [*runs_of(make, exponential, [1.0] * 6), *runs_of(make, exponential, [1.0] * 3, coat="seal")]
    assert doubt_of("backup", runs, [True, True, False, False, False, False, True, True, True]) == ""
    assert "3 of 6" in doubt_of("backup", runs, [True, True, True, False, False, False, False, False, False])
    assert doubt_of("prime-fine", runs, [True] * 9) == ""


def test_a_stranger_among_a_coats_runs_is_doubted_and_teaches_nothing(make) -> None:
    """Logged under the wrong name: it takes four times as long."""
    runs = runs_of(make, exponential, [1.0, 1.05, 0.95, 1.02, 0.98])
    stranger = make(lambda h: exponential(h / 4.0), 3.0 * HOURS, name="stranger", start_s=9e6)
    (fit,) = fit_all([*runs, stranger], STARTS)
    (alone,) = fit_all(runs, STARTS)
    assert [run.tree for run in fit.doubted] == ["stranger"]
    assert fit.model.parameters == alone.model.parameters
    assert stranger.id not in fit.model.run_ids


def test_a_slow_coat_of_another_name_is_no_stranger(make) -> None:
    runs = runs_of(make, exponential, [1.0, 1.05, 0.95])
    seal = [
        make(lambda h: exponential(h / 4.0), 3.0 * HOURS, name=f"s-{i}", coat="seal", seed=i, start_s=9e6)
        for i in range(3)
    ]
    fits = fit_all([*runs, *seal], STARTS)
    assert [fit.doubted for fit in fits] == [(), ()]


def test_two_coats_under_one_name_are_told_of(make) -> None:
    """Five near 3 h and four near 6 h, each a little apart: times to 5 % of 1.2 h x 0.85 and 1.7, times ln 20."""
    factors = [*0.85 * np.array([1.0, 1.03, 0.97, 1.02, 0.98]), *1.7 * np.array([1.0, 1.03, 0.97, 1.01])]
    (fit,) = fit_all(runs_of(make, exponential, factors), STARTS)
    assert fit.doubted == ()
    assert fit.groups.startswith("two groups: 5 runs near ")
    assert ", 4 runs near " in fit.groups
    near = [float(word) for word in fit.groups.split() if "." in word]
    assert near == pytest.approx([0.85 * 1.2 * np.log(20.0), 1.7 * 1.2 * np.log(20.0)], rel=0.12)


def test_one_coat_is_one_group_however_wide() -> None:
    spread = np.exp(0.25 * np.random.default_rng(3).standard_normal(40))
    assert two_groups(3.6 * spread) == ""


def test_few_runs_are_no_two_groups() -> None:
    assert two_groups(np.array([3.0, 3.1, 6.0, 6.1])) == ""


def test_one_run_apart_is_no_group() -> None:
    """It is a stranger, and doubted as such."""
    assert two_groups(np.array([3.0, 3.05, 2.95, 3.1, 2.9, 3.02, 9.0])) == ""


def moved(estimate, slower=1.0, area=1.0):
    """The estimate where weighings were so many times as slow as its curves, on trees so many times as large."""
    for place, seen in enumerate(estimate.problem.smooth):
        estimate.problem.smooth[place] = replace(seen, mass_kg=3.0 + 0.1 * exponential(seen.hours / slower))
    return replace(estimate, area=area * estimate.area)


@pytest.fixture
def fitted(make):
    runs = runs_of(make, exponential, [1.0, 1.0, 1.0])
    return fit_room(runs, {"backup": Prior.of(STARTS["backup"])}, "power")


@pytest.mark.parametrize(
    ("how", "misses"),
    [({"slower": 1.2}, False), ({"slower": 0.83}, False), ({"slower": 1.4}, True), ({"slower": 0.71}, True),
     ({"area": 1.21}, False), ({"area": 0.8}, False), ({"area": 1.3}, True), ({"area": 0.7}, True)],
)  # fmt: skip
def test_a_curve_misses_by_a_quarter_of_its_time_or_of_its_loss(fitted, how, misses) -> None:
    assert missed(moved(fitted, **how)) == [misses] * 3


NEAR = [0.0, 0.02, -0.02, 0.01, -0.01, 0.0, 0.02]


@pytest.mark.parametrize(
    ("logs", "found"),
    [
        ([], []),
        ([*NEAR, 0.29], []),  # 0.3 is apart, where the others lie closer than that
        ([*NEAR, 0.31], [7]),
        ([-0.31, *NEAR], [0]),
        ([0.0, 0.1, -0.1, 0.1, -0.1, 0.58], []),  # 4 x 1.4826 x 0.1 = 0.593
        ([0.0, 0.1, -0.1, 0.1, -0.1, 0.0, 0.1, 0.60], [7]),
        ([0.0, 0.01, -0.01, 0.5], [3]),  # one of four
        ([0.0, 0.01, 0.5], []),  # one of three is more than a quarter
        ([*NEAR, 0.5, 0.6], [7, 8]),  # two of nine
        ([*NEAR[:5], 0.5, 0.6], []),  # two of seven
    ],
)
def test_who_contradicts_the_others(logs, found) -> None:
    """Four robust deviations from the middle, and a quarter of them at most."""
    assert strangers(np.array(logs)).tolist() == found
