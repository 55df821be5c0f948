"""Runs left out: nothing of them may reach what they are judged by."""

from dataclasses import replace

import numpy as np
import pytest

from drymon.learning.estimate import fit_room
from drymon.learning.folds import MOST_FOLDS, folds, leave_out, models_of, parts_of
from drymon.learning.forecast_scores import forecast_hours, taken
from drymon.learning.layout import Prior
from drymon.messages.coat_models import load_models

STARTS = {"backup": load_models(None)["backup"]}
PRIORS = {"backup": Prior.of(STARTS["backup"])}
HOURS = np.linspace(0.08, 6.0, 20)


def weighed(make, factors):
    """One open run for each factor on its time, of trees of their own."""
    return [
        make(lambda h, k=k: np.exp(-h / (1.2 * k)), HOURS, name=f"t-{i}", seed=i, start_s=9e4 * i)
        for i, k in enumerate(factors)
    ]


def best(model, run):
    return float(np.median(forecast_hours(model, run, 0.05)))


def left_out_of(runs):
    """The whole room's estimate, and the fold of the fourth run."""
    whole = fit_room(runs, PRIORS, "power")
    part = next(number for number, out in enumerate(parts_of(runs)) if 3 in out)
    return whole, leave_out(runs, STARTS, whole, taken(whole), part)


FACTORS = (1.0, 0.95, 1.06, 1.02, 0.97, 1.04)


def fold_with(make, place, factor):
    """Five ordinary runs but one that takes `factor`: the whole room's model, the fourth run's fold, a probe."""
    factors = [*FACTORS[:5]]
    factors[place] = factor
    runs = weighed(make, factors)
    whole, fold = left_out_of(runs)
    return models_of(STARTS, whole, runs)["backup"], fold, runs[0]


def test_nothing_of_a_left_out_run_reaches_its_forecast(make) -> None:
    """Half as long again it moves the fit of all runs; what was learnt without it, and what its interval is made of,
    stay. The same of a run that is kept moves both.
    """
    found = {}
    for name, place, factor in (("usual", 3, 1.02), ("left out", 3, 1.5), ("kept", 4, 1.5)):
        whole, fold, probe = fold_with(make, place, factor)
        hours = np.quantile(forecast_hours(fold.models["backup"], probe, 0.05), [0.05, 0.5, 0.95])
        found[name] = (hours, best(whole, probe), [fold.inner[i].log_sd for i in (0, 1, 2)])
    usual, left_out, kept = found["usual"], found["left out"], found["kept"]
    np.testing.assert_allclose(left_out[0], usual[0], rtol=0.005)
    np.testing.assert_allclose(left_out[2], usual[2], rtol=0.06)
    assert left_out[1] / usual[1] > 1.02
    assert kept[0][1] / usual[0][1] > 1.02
    assert np.mean(kept[2]) / np.mean(usual[2]) > 1.2


def test_the_step_back_from_a_few_runs_is_as_good_as_fitting_anew(make) -> None:
    """A run's inner forecast, of a model without it and without the fold, against a whole fit of the others."""
    runs = weighed(make, FACTORS)
    fold = left_out_of(runs)[1]
    for held in (0, 5):
        others = [run for i, run in enumerate(runs) if i not in (3, held)]
        anew = models_of(STARTS, fit_room(others, PRIORS, "power"), others)["backup"]
        one = fold.inner[held]
        again = float(np.median(forecast_hours(anew, runs[held], one.left)))
        assert one.best_h == pytest.approx(again, rel=0.02)


def test_whole_trees_are_left_out_where_there_are_several(make) -> None:
    runs = weighed(make, FACTORS)
    again = [replace(run, id=f"{run.id}-2", number=2) for run in runs]
    both = [*runs, *again]
    parts = folds(both)
    assert sorted(i for part in parts for i in part) == list(range(12))
    for part in parts:
        trees = {both[i].tree for i in part}
        assert {i for i, run in enumerate(both) if run.tree in trees} == set(part)


def test_of_one_tree_single_runs_are_left_out(make) -> None:
    runs = [replace(run, tree="t-1", number=i + 1) for i, run in enumerate(weighed(make, FACTORS))]
    assert folds(runs) == [[i] for i in range(6)]


def test_many_trees_are_left_out_in_no_more_folds_than_are_paid_for(make) -> None:
    runs = weighed(make, np.ones(20))
    parts = folds(runs)
    assert len(parts) == MOST_FOLDS
    assert {len(part) for part in parts} == {3, 4}
    assert sorted(i for part in parts for i in part) == list(range(20))


def test_one_run_is_judged_by_nothing(make) -> None:
    assert parts_of(weighed(make, [1.0])) == []
