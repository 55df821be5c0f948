"""By which rules a room's fit is told: which tail, whose scatter, what was known when; with few runs, so that it is
quick.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from drymon.errors import LearningError
from drymon.learning.fit import TypeFit, fit_all, groups_of, honest, preferred, reveal_later
from drymon.learning.forecast_scores import NOT_JUDGED, Judgement, forecast_hours, judge
from drymon.learning.layout import Prior
from drymon.learning.run import Run
from drymon.messages.coat_models import load_models

STARTS = load_models(None)
HOURS = np.linspace(0.1, 6.0, 10)


def runs_of(make, taus, **kind) -> list[Run]:
    return [
        make(lambda h, tau=tau: np.exp(-h / tau), HOURS, name=f"{kind.get('coat', 't')}-{i}", seed=i,
             start_s=9e4 * i, **kind)
        for i, tau in enumerate(taus)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("ahead", "runs", "tail"),
    [(2.9, 1, "power"), (3.1, 1, "front"), (1.4, 2, "power"), (1.6, 2, "front"), (0.49, 20, "power"),
     (0.51, 20, "front")],
)  # fmt: skip
def test_another_tail_must_be_clearly_ahead(ahead, runs, tail) -> None:
    """By 3 in all (Kass & Raftery 1995: strong evidence), and by a half for each run."""
    assert preferred({"power": 10.0, "front": 10.0 + ahead, "supply": 10.2}, "power", runs) == tail
    assert preferred({"power": 10.0, "front": 10.0 - ahead, "supply": 9.0}, "power", runs) == "power"


# --- whose errors set the interval -----------------------------------------------------------------------------------


def said(score: float) -> Judgement:
    """A forecast that errs by so many of its standard deviations (0.2 on the log scale)."""
    return Judgement("run", 0.05, 10.0 * math.exp(0.2 * score), 7.0, 10.0, 14.0, 0.2)


def water_sd(make, own: int, own_score: float, other_score: float, deep_score: float = 1.0) -> float:
    """Of a backup coat with so many open runs of its own, three of another coat and three deep ones."""
    backup = STARTS["backup"]
    runs = [
        *runs_of(make, [1.2] * own, coat="backup"),
        *runs_of(make, [1.2] * 3, coat="seal"),
        *runs_of(make, [1.2] * 3, coat="backup", shelter="deep"),
    ]
    scores = [own_score] * own + [other_score] * 3 + [deep_score] * 3
    return honest(backup, {i: said(score) for i, score in enumerate(scores)}, runs)(backup).water_sd


def test_three_open_runs_of_a_coat_set_its_own_scatter(make) -> None:
    """As wide as they err, and a little for other weeks; those of other coats, and sheltered ones, have no say then."""
    usual = math.hypot(STARTS["backup"].dip_sd["water"], 0.08)
    assert water_sd(make, 3, 1.0, 4.0, 4.0) == pytest.approx(usual)
    assert water_sd(make, 3, 4.0, 1.0) > 1.1 * usual


def test_of_fewer_runs_all_open_trees_tell_and_of_fewer_still_all(make) -> None:
    assert water_sd(make, 2, 1.0, 4.0) > 1.1 * water_sd(make, 2, 1.0, 1.0)
    backup = STARTS["backup"]
    deep = runs_of(make, [1.2] * 4, shelter="deep")
    sds = [honest(backup, dict.fromkeys(range(4), said(score)), deep)(backup).dip_sd["water"] for score in (1.0, 4.0)]
    assert sds[1] > 1.1 * sds[0]


def test_each_kind_of_shelter_sets_the_room_of_its_own_pockets(make) -> None:
    backup = STARTS["backup"]
    runs = [*runs_of(make, [1.2] * 3), *runs_of(make, [1.2] * 3, shelter="deep")]
    found = honest(backup, {i: said(1.0 if i < 3 else 3.0) for i in range(6)}, runs)(backup)
    assert found.parameters["deep"].sd > 1.4 * backup.parameters["deep"].sd
    assert found.parameters["pocketed"] == backup.parameters["pocketed"]


def test_groups_are_sought_among_open_trees_weighed_far_down(make) -> None:
    runs = runs_of(make, [1.2] * 8)
    apart = [(0.05, hour, 0.0) for hour in (3.0, 3.01, 2.99, 3.02, 6.0, 6.01, 5.99, 6.02)]
    assert groups_of(runs, apart).startswith("two groups: 4 runs near 3.0 h, 4 runs near 6.0 h")
    assert groups_of([replace(run, shelter="deep") for run in runs], apart) == ""
    assert groups_of(runs, [(0.1, hour, 0.0) for _, hour, _ in apart]) == ""
    assert groups_of(runs, [*apart[:4], *[NOT_JUDGED] * 4]) == ""


# --- forecast first, reveal later ------------------------------------------------------------------------------------

TRUTHS = [(0.05, 3.6, 0.01)] * 5


def test_each_run_is_forecast_by_what_was_known_before_it(make) -> None:
    """The first by the starting model, the third and fourth by the first two, the fifth by the first four."""
    runs = runs_of(make, [1.2, 1.3, 1.25, 1.2, 1.2])
    found = reveal_later(runs, STARTS, "power", TRUTHS)
    assert sorted(found) == [0, 1, 2, 3, 4]
    assert found[0] == judge(STARTS["backup"], runs[0], *TRUTHS[0])
    slow = runs_of(make, [1.2, 1.3, 3.5, 1.2, 1.2])
    again = reveal_later(slow, STARTS, "power", TRUTHS)
    assert {i for i in found if abs(again[i].best_h / found[i].best_h - 1.0) > 0.01} == {4}
    assert again[4].best_h > 1.05 * found[4].best_h
    assert found[1].best_h != found[0].best_h
    unknown = reveal_later(runs[:2], STARTS, "power", [NOT_JUDGED, TRUTHS[1]])
    assert set(unknown) == {1}


# --- the whole -------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def _kept() -> dict[str, list[TypeFit]]:
    return {}


@pytest.fixture
def fits(make, _kept) -> list[TypeFit]:
    """Three backup coats and one of another name, told in another order than they were dipped."""
    if not _kept:
        backup, seal = runs_of(make, [1.2, 1.25, 1.15]), runs_of(make, [2.0], coat="seal")
        _kept["all"] = fit_all([*reversed(backup), *seal], STARTS)
    return _kept["all"]


def test_a_fit_tells_of_each_coat_with_its_own_runs_alone(fits) -> None:
    backup, seal = fits
    assert (backup.model.name, seal.model.name) == ("backup", "seal")
    assert [run.tree for run in backup.runs] == ["t-0", "t-1", "t-2"]
    assert [run.coat for run in seal.runs] == ["seal"]
    assert sorted([*backup.places, *seal.places]) == [0, 1, 2, 3]
    assert [backup.estimate.runs[place].id for place in backup.places] == [run.id for run in backup.runs]
    assert backup.start is STARTS["backup"]
    assert (backup.doubted, backup.missed, backup.groups, backup.model.doubt) == ((), (), "", "")
    assert set(backup.tails) == {"power", "front", "supply"}


def test_every_run_whose_time_is_known_is_judged_left_out_and_revealed(fits) -> None:
    for fit in fits:
        ids = [run.id for run in fit.runs]
        assert [one.run for one in fit.left_out] == ids
        assert [one.run for one in fit.revealed] == ids
        for judged, (left, hours, _) in zip(fit.left_out, fit.truths, strict=True):
            assert (judged.left, judged.true_h) == (left, hours)
        assert fit.model.error["runs"] == len(ids)
        assert (fit.model.runs, sorted(fit.model.run_ids)) == (len(ids), sorted(ids))


def test_a_fitted_model_is_wider_than_its_estimate_for_other_weeks_and_ends_where_its_runs_do(fits) -> None:
    backup = fits[0]
    assert backup.model.water_sd > 0.08
    middle = float(np.median(forecast_hours(backup.model, backup.runs[0], 0.05)))
    assert middle == pytest.approx(1.2 * math.log(20.0), rel=0.15)


def test_only_what_was_asked_for_is_told_and_a_coat_without_a_start_is_refused(make) -> None:
    runs = runs_of(make, [1.2])
    assert fit_all(runs, STARTS, ["seal"]) == []
    assert fit_all([], STARTS) == []
    assert fit_all([replace(runs[0], left_out="spilt")], STARTS) == []
    with pytest.raises(LearningError, match="no starting model for coat 'mystery'"):
        fit_all([replace(runs[0], coat="mystery")], STARTS)


def test_priors_of_a_rooms_coats_stand_beside_each_other(fits) -> None:
    """Coats of one room share its numbers: their priors are those of their own starts all the same."""
    layout = fits[0].estimate.problem.layout
    assert layout.coats == ("backup", "seal")
    for name, prior in zip(layout.coats, layout.priors, strict=True):
        np.testing.assert_array_equal(prior.mean, Prior.of(STARTS[name], fits[0].estimate.tail).mean)
