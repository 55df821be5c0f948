"""Where each rule of learning turns: just on either side of it something else is told. Figures are worked out by hand,
or come from scipy; what is assumed is told with its number.
"""

import math
import re
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from drymon.drying import coat, dips, ensemble
from drymon.drying.coat_model import PARAMETERS, CoatModel, Spread
from drymon.drying.edges import NO_EDGES
from drymon.learning import forecast_scores
from drymon.learning.estimate import Estimate, fit_room
from drymon.learning.explained import doubt_of, is_strange, missed, two_groups
from drymon.learning.fit import TypeFit
from drymon.learning.forecast_scores import Judgement, taken, usual_error
from drymon.learning.forward import THETA, Courses
from drymon.learning.layout import Prior
from drymon.learning.problem import Problem, shrunk
from drymon.learning.run import Touch
from drymon.learning.run_checks import advice, run_checks
from drymon.learning.runs import Weighed, from_cell, make_run
from drymon.learning.scale_errors import most_by_hand
from drymon.learning.search import minimise
from drymon.learning.smooth import smooth
from drymon.learning.touched import Touches
from drymon.learning.usual import usual
from drymon.messages.coat_models import load_models
from tests.learning.made_up_air import steady_air

BACKUP = load_models(None)["backup"]
PRIORS = {"backup": Prior.of(BACKUP)}
HOURS = np.linspace(0.1, 8.0, 80)
TAU_H = 1.2


def exponential(hours):
    return np.exp(-hours / TAU_H)


def runs_of(make, count=3, hours=HOURS, **kind):
    return [make(exponential, hours, name=f"t-{i}", seed=i, sd_kg=1e-4, **kind) for i in range(count)]


@pytest.fixture(scope="module")
def _kept() -> dict[str, Estimate]:
    return {}


@pytest.fixture
def fitted(make, _kept) -> Iterator[Estimate]:
    """Three exponentials of 100 g, fitted; what a test changes of the problem is put back."""
    if "fitted" not in _kept:
        _kept["fitted"] = fit_room(runs_of(make), PRIORS, "power")
    estimate = _kept["fitted"]
    before = list(estimate.problem.smooth), estimate.problem.noise.copy()
    yield estimate
    estimate.problem.smooth, estimate.problem.noise = before


# --- the search ------------------------------------------------------------------------------------------------------


def test_a_search_ends_by_what_a_step_gains_and_not_by_what_is_left() -> None:
    """No line through these points is near them: the squares stay at about 200, and the second step gains nothing."""
    x, y = np.arange(5.0), np.array([10.0, -10.0, 0.0, 10.0, -10.0])
    asked = []

    def with_slopes(z):
        asked.append(z)
        return z[0] * x - y, x[:, None]

    minimise(lambda z: z[0] * x - y, with_slopes, np.array([3.0]), np.array([9.0]), 20)
    assert len(asked) == 2


# --- whether a curve explains its run --------------------------------------------------------------------------------


def slower(estimate: Estimate, times: float, error_kg: float) -> Estimate:
    """Weighings that come later than the curves by this factor, on a scale of this error."""
    for place, seen in enumerate(estimate.problem.smooth):
        there = 3.0 + 0.1 * exponential(seen.hours / times)
        estimate.problem.smooth[place] = replace(seen, mass_kg=there, scatter_kg=error_kg)
    return estimate


@pytest.mark.parametrize(("error_g", "misses"), [(4.2, True), (5.6, False)])
def test_a_curve_that_is_late_misses_by_more_than_three_errors_of_the_weighings(fitted, error_g, misses) -> None:
    """40 % late is 0.336 on the log of time. An exponential loses 34.5 g while time grows e-fold about its half, so an
    error of 5.2 g, less by root 2 as it is smoothed, moves the moment by a third of that.
    """
    assert missed(slower(fitted, 1.4, error_g / 1000.0)) == [misses] * 3


@pytest.mark.parametrize(("error_g", "misses"), [(9.0, True), (10.8, False)])
def test_a_curve_that_loses_too_much_misses_by_more_than_three_errors(fitted, error_g, misses) -> None:
    """30 g more than the 100 g that were seen to go."""
    larger = replace(slower(fitted, 1.0, error_g / 1000.0), area=1.3 * fitted.area)
    assert missed(larger) == [misses] * 3


@pytest.mark.parametrize(("share", "misses"), [(0.5, True), (0.65, False), (0.8, True), (0.95, False)])
def test_curves_are_held_against_runs_at_half_and_at_four_fifths_of_the_loss(fitted, share, misses) -> None:
    """A run that comes to this share alone 40 % too late, and is in time again a twentieth later."""
    gone = np.array([0.0, share - 0.05, share, min(share + 0.05, 0.99), 1.0])
    times = -TAU_H * np.log1p(-0.998 * gone) + 0.1
    times[2] = 1.4 * (times[2] - 0.1) + 0.1
    times = np.maximum.accumulate(times + 1e-6 * np.arange(5))
    for place, seen in enumerate(fitted.problem.smooth):
        fine = np.linspace(0.0, 1.0, 400)
        at = np.where(np.abs(fine - share) < 0.05, np.interp(fine, gone, times), -TAU_H * np.log1p(-0.998 * fine) + 0.1)
        course = np.interp(seen.hours, np.maximum.accumulate(at + 1e-9 * np.arange(400)), fine)
        fitted.problem.smooth[place] = replace(seen, mass_kg=3.1 - 0.1 * course, scatter_kg=1e-5)
    fitted.problem.noise[:] = 0.33
    assert missed(fitted) == [misses] * 3


@pytest.mark.parametrize(
    ("off_g", "scatter_g", "sd_g", "strange"),
    [
        (8.4, 6.3, 1.0, True),
        (7.6, 6.3, 1.0, False),  # 8 % of the loss off the curve
        (8.4, 5.7, 1.0, False),  # 6 % off all that fall ever more slowly
        (8.4, 6.3, 2.05, True),
        (8.4, 6.3, 2.15, False),  # three errors of the scale
        (8.4, 8.2, 2.7, True),
        (8.4, 8.2, 2.77, False),
    ],
)
def test_when_weighings_are_no_drying_at_all(make, off_g, scatter_g, sd_g, strange) -> None:
    """Of 100 g; weighings lie alternately so many grams above and below the curve."""
    run = make(exponential, HOURS, sd_kg=1e-9, water_kg=0.1 / (exponential(HOURS[0]) - exponential(HOURS[-1])))
    seen = smooth(run)
    curve = run.masses_kg + off_g / 1000.0 * np.where(np.arange(len(HOURS)) % 2, 1.0, -1.0)
    seen = replace(seen, scatter_kg=scatter_g / 1000.0, belief=np.ones(len(HOURS)))
    run = replace(run, sds_kg=np.full(len(HOURS), sd_g / 1000.0))
    assert is_strange(run, seen, curve) is strange


def test_the_first_run_whose_curve_does_not_dry_leaves_the_others_to_be_judged(fitted) -> None:
    theta = fitted.theta.copy()
    theta[0, [THETA.index(name) for name in ("transfer", "cooling")]] = -60.0
    assert missed(replace(fitted, theta=theta)) == [True, False, False]


def test_two_of_five_missed_are_a_doubt_and_two_of_six_are_none(make) -> None:
    """More than a third."""
    six = runs_of(make, 6)
    assert doubt_of("backup", six, [True, True, False, False, False, False]) == ""
    assert "2 of 5" in doubt_of("backup", six[:5], [True, True, False, False, False])


@pytest.mark.parametrize(("sd", "two"), [(0.05, True), (0.06, False)])
def test_two_groups_must_be_preferred_by_ten(sd, two) -> None:
    """Four runs each, 0.6 apart on the log of time: the information criterion (scikit-learn) says 11.5 and 8.7."""
    near = np.array([-sd, sd, -sd, sd])
    assert bool(two_groups(np.exp(np.concatenate([near, near + 0.6])))) is two


# --- at which weighing a run is judged -------------------------------------------------------------------------------


def with_error(estimate: Estimate, error_kg: float) -> Estimate:
    """Weighed on a scale of this error."""
    estimate.problem.noise[:] = 1e-6
    for place, seen in enumerate(estimate.problem.smooth):
        estimate.problem.smooth[place] = replace(seen, scatter_kg=error_kg)
    return estimate


def test_a_run_is_judged_at_the_last_weighing_whose_moment_is_known_to_7_percent(fitted) -> None:
    """Or, where none is, at the plainest, up to 35 %; on scales of a tenth of a gram to a hundred grams."""
    seen_kinds = set()
    for error_kg in np.geomspace(1e-4, 0.1, 60):
        found = taken(with_error(fitted, float(error_kg)))
        for place, (left, hours, unsure) in enumerate(found):
            seen = fitted.problem.smooth[place]
            of_all = seen.unsure_of_time(False, float(error_kg))[exponential(seen.hours) > 0.055]
            plain = np.flatnonzero(of_all <= 0.07)
            if len(plain):
                assert seen.hours[int(plain[-1])] == pytest.approx(hours, abs=0.11)
                seen_kinds.add("plain")
            elif of_all.min() <= 0.35:
                assert unsure == pytest.approx(of_all.min())
                seen_kinds.add("plainest")
            else:
                assert (left, hours, unsure) == (0.05, math.inf, 0.0)
                seen_kinds.add("none")
    assert seen_kinds == {"plain", "plainest", "none"}


def test_a_tree_whose_mass_stands_holds_no_more_than_3_percent(fitted) -> None:
    """A curve that says that a third is left at the last weighing is denied: the mass has stood still for hours."""
    place = THETA.index("transfer")
    theta = fitted.theta.copy()
    theta[:, place] -= 1.5
    for index, (left, hours, _) in enumerate(taken(replace(with_error(fitted, 1e-4), theta=theta))):
        assert fitted.problem.smooth[index].stands
        to_go = (exponential(hours) - exponential(HOURS[-1])) / (exponential(HOURS[0]) - exponential(HOURS[-1]))
        assert left == pytest.approx(0.03 + 0.97 * to_go, abs=0.004)
        assert 4.0 < hours < 5.0


def said(tree_h=10.0, **more) -> Judgement:
    plain = {"early_h": 7.0, "best_h": 10.0, "late_h": 14.0, "log_sd": 0.2}
    return Judgement("run", 0.05, tree_h, **{**plain, **more})


def test_a_models_middle_is_brought_to_its_runs_by_what_they_weigh(make) -> None:
    """All a fifth later than its best guess: three of them count beside two that its prior is worth; two say nothing.
    Sheltered ones have no say where three are open, nor do those whose time nobody knows.
    """
    runs = runs_of(make, 3)
    best = [forecast_scores.judge(BACKUP, run, 0.05, 1.0).best_h for run in runs]
    truths = [(0.05, 1.2 * each, 0.0) for each in best]
    assert usual_error(BACKUP, runs, truths) == pytest.approx(-3.0 * math.log(1.2) / 5.0)
    assert usual_error(BACKUP, runs[:2], truths[:2]) == 0.0
    deep = make(exponential, HOURS, name="t-9", shelter="deep")
    more = [*runs, deep, runs[0]], [*truths, (0.05, 99.0, 0.0), forecast_scores.NOT_JUDGED]
    assert usual_error(BACKUP, *more) == pytest.approx(-3.0 * math.log(1.2) / 5.0)
    assert usual_error(BACKUP, [deep] * 3, [truths[0]] * 3) != 0.0


def test_scores_count_up_to_four_standard_deviations_either_way() -> None:
    """What came far too early counts as what came far too late does."""
    late = [("t-1", said(10.0 * math.exp(0.2 * 4.5)))]
    early = [("t-1", said(10.0 * math.exp(-0.2 * 4.5)))]
    both = [("t-1", said(10.0 * math.exp(0.2 * s))) for s in (-9.0, 0.0, 0.0, 0.0, 0.0, 0.0)]
    assert forecast_scores.pocket_factor(both) == pytest.approx(math.sqrt((2.0 + 16.0 / 6.0) / 3.0))
    assert forecast_scores.pocket_factor(late) == forecast_scores.pocket_factor(early) == 2.0


def test_a_summary_is_rounded_to_what_is_told() -> None:
    found = forecast_scores.summary([said(8.0), said(9.0), said(11.0, late_h=10.5)])
    assert (found["median_pct"], found["p90_pct"]) == (11.11, 22.22)
    assert (found["coverage"], found["width"]) == (0.667, 0.778)


def test_what_is_not_known_before_a_dip_is_that_of_the_third_open_coat_in_usual_air() -> None:
    """By the closed form of steady air."""
    coats = dips.possible_coats(BACKUP, 3, "open", edges=NO_EDGES)
    seconds = coat.steady_time(coats, 0.05, ensemble.REFERENCE_AIR).max(axis=0)
    assert forecast_scores.reference_log_sd(BACKUP) == pytest.approx(float(np.std(np.log(seconds))), rel=0.008)


def test_past_its_end_a_runs_mean_air_goes_on(make) -> None:
    """An hour weighed, days to dry: as by the closed form of steady air."""
    slow = replace(BACKUP, parameters={**BACKUP.parameters, "pace": Spread(10.0, 0.1)})
    run = make(exponential, np.linspace(0.05, 1.0, 12), number=3, air=steady_air(61, humidity=50.0))
    step = ensemble.AirStep(*(float(getattr(run.air, n)[0]) for n in ("deficit", "saturation", "excess", "resistance")))
    expected = np.sort(coat.steady_time(forecast_scores.coats_of_run(slow, run), 0.05, step)[0]) / 3600.0
    found = forecast_scores.judge(slow, run, 0.05, 10.0)
    assert found.best_h > 15.0
    assert (found.early_h, found.best_h, found.late_h) == pytest.approx(expected[[12, 127, 243]], rel=0.01)


# --- errors that the runs themselves show ----------------------------------------------------------------------------


def students(score: float, freedom: float) -> float:
    """Weight of an error under Student's t: minus the slope of its log density (scipy) over the error's size."""
    step = 1e-5
    score = max(abs(score), 1e-3)
    slope = (stats.t.logpdf(score + step, freedom) - stats.t.logpdf(score - step, freedom)) / (2.0 * step)
    return float(-slope / score)


@pytest.mark.parametrize("off", [4.0, 7.0, -6.0])
def test_a_slip_is_believed_as_students_t_of_four_degrees_has_it(make, off) -> None:
    """By its run as it was smoothed, and by its own curve after a fit: a weighing so many errors off."""
    sd = 0.002
    run = make(exponential, np.linspace(0.1, 6.0, 40), sd_kg=1e-9)
    masses = run.masses_kg.copy()
    masses[11] += off * sd
    run = replace(run, masses_kg=masses, sds_kg=np.full(40, sd))
    seen = smooth(run)
    score = (masses[11] - seen.mass_kg[11]) / sd
    assert seen.belief[11] == pytest.approx(students(score, 4.0), rel=0.01)
    assert np.delete(seen.belief, 11).min() == 1.0


def test_what_scatters_more_than_its_scale_says_is_measured_by_its_own_scatter(make) -> None:
    """Errors of 2 g on a scale that claims a hundredth of one: a normal error is believed all the same."""
    run = replace(make(exponential, HOURS, sd_kg=0.002), sds_kg=np.full(80, 1e-5))
    seen = smooth(run)
    off = (run.masses_kg - seen.mass_kg) / (1.4826 * np.median(np.abs(run.masses_kg - seen.mass_kg)))
    expected = np.minimum([students(each, 4.0) for each in off], 1.0)
    np.testing.assert_allclose(seen.belief, expected, atol=0.12)
    assert seen.scatter_kg == pytest.approx(0.002, rel=0.3)


@pytest.mark.parametrize(
    ("count", "size", "noise"),
    [(20, 2.0, math.sqrt((20.0 + 80.0) / (20.0 + 17.0))), (40, 0.0, math.sqrt(20.0 / 57.0)), (250, 0.01, 0.33),
     (250, 9.0, 3.0)],
)  # fmt: skip
def test_how_large_errors_are_is_learnt_beside_twenty_weighings_of_what_was_assumed(make, count, size, noise) -> None:
    """Three of each run's weighings are spent on its own curve; a third and threefold at the most. Hand scales are
    another kind, and theirs are bounded by what scatters about the smoothed runs.
    """
    cell = make(exponential, np.linspace(0.1, 6.0, count), on_cell=True)
    bench = [make(exponential, np.linspace(0.1, 6.0, 10), name=f"t-{i}", seed=i) for i in (2, 3)]
    problem = Problem([cell, *bench], PRIORS, "power")
    nothing = np.zeros((1, 1))
    problem.update_noise([(np.full(count, size), nothing), *[(np.full(10, 9.0), nothing)] * 2])
    assert problem.noise[0] == pytest.approx(noise)
    assert problem.noise[1:] == pytest.approx(most_by_hand(problem.runs, problem.smooth))
    assert problem.noise[1] < 1.5


def test_scatter_from_run_to_run_is_learnt_beside_two_runs_of_what_was_assumed() -> None:
    """Six of 8 % beside two of 4: 7.2 % stays, less grows and more falls; a quarter and six times at the most."""
    assert shrunk(np.full(6, 0.08**2), 0.04, 0.0721110) == pytest.approx(0.0721110, rel=1e-5)
    assert shrunk(np.full(6, 0.08**2), 0.04, 0.06) > 0.06
    assert shrunk(np.full(6, 0.08**2), 0.04, 0.08) < 0.08
    assert shrunk(np.full(600, 1e-9), 0.04, 0.011) == pytest.approx(0.01)
    assert shrunk(np.full(600, 1.0), 0.04, 0.2) == pytest.approx(0.24)


def test_the_evidence_is_laplaces(make) -> None:
    """Squares and curvature from the residuals by differences; a scale taken for twice as bad costs its weighings, less
    three of each run, a factor two each.
    """
    problem = Problem(runs_of(make, 2, np.linspace(0.1, 6.0, 12)), PRIORS, "power")
    at = np.random.default_rng(4).normal(0.0, 0.2, problem.layout.size)
    columns = [(problem.residuals(at + each) - problem.residuals(at - each)) / 2e-4 for each in 1e-4 * np.eye(len(at))]
    jacobian = np.column_stack(columns)
    squares = float(np.sum(problem.residuals(at) ** 2))
    expected = -0.5 * squares - 0.5 * np.linalg.slogdet(jacobian.T @ jacobian)[1]
    assert problem.log_evidence(at) == pytest.approx(expected, rel=1e-4, abs=0.02)
    before = problem.log_evidence(at)
    problem.noise[:] = 2.0
    assert problem.log_evidence(at) - before == pytest.approx(-2.0 * 9.0 * math.log(2.0))


@pytest.mark.parametrize(("tail", "centre", "sd"), [("front", 0.5, 0.6), ("supply", 1.0, 0.5)])
def test_under_another_tail_the_exponent_starts_wide_and_where_its_physics_has_it(tail, centre, sd) -> None:
    """A drying front slows with the root of what has gone; a supply goes with what is left (both wide, assumed)."""
    place = PARAMETERS.index("exponent")
    assert BACKUP.tail == "power"
    prior = Prior.of(BACKUP, tail)
    assert prior.mean[place] == pytest.approx(math.log(centre))
    assert prior.root[place, place] == pytest.approx(sd)
    back = Prior.of(replace(BACKUP, tail="front"), "power")
    assert (back.mean[place], back.root[place, place]) == pytest.approx((0.0, 0.3))


# --- fingers, cells, kinds of trees ----------------------------------------------------------------------------------


@pytest.mark.parametrize("left", [0.02, 0.06, 0.3])
def test_a_finger_tells_of_a_coat_that_is_dry_at_a_twentieth(make, left) -> None:
    """One in ten slips; a surface feels dry by the fourth power of what has gone of the 95 % that must go."""
    nothing = np.zeros(0)
    felt = make_run(
        id="f-1", tree="f-1", coat="backup", number=1, shelter="deep", rack="rack-a", start_s=0.0,
        weighed=Weighed(nothing, nothing, nothing, False, problem="felt"), air=steady_air(600),
        touches=[Touch(7200.0, False, True), Touch(7200.0, True, True)],
    )  # fmt: skip
    problem = Problem([make(exponential, HOURS), felt], PRIORS, "power")
    touches = Touches(problem.fleet)
    course = np.ones((len(problem.fleet.seconds) + 1, len(problem.fleet.run), 1))
    course[:, problem.fleet.first[1]] = left
    course[:, problem.fleet.first[1] + 2] = 0.0
    face, pocket = touches.residuals(Courses(course[:, :2], course))[:, 0] ** 2
    felt_dry = min((1.0 - left) / 0.95, 1.0) ** 4
    assert face == pytest.approx(-2.0 * math.log(0.1 + 0.8 * felt_dry))
    assert pocket == pytest.approx(-2.0 * math.log(0.9)), "the innermost zone of a deep tree"
    assert touches.run.tolist() == [1, 1]


@pytest.mark.parametrize(("minute", "another"), [(9.0, False), (11.5, True)])
def test_a_dip_within_ten_minutes_is_the_one_that_was_told(minute, another) -> None:
    seconds = np.arange(0.0, 5 * 3600.0, 10.0)
    noise = np.random.default_rng(7).normal(0.0, 3e-4, len(seconds))
    masses = 3.0 + 0.1 * np.exp(-seconds / 5400.0) + np.where(seconds >= 60.0 * minute, 0.12, 0.0) + noise
    run = from_cell(zip(seconds, masses, strict=True))
    assert bool(run.notes) is another
    assert bool(run.times_s[-1] < 700.0) is another
    if not another:
        assert run.times_s[0] >= 60.0 * minute


@pytest.mark.parametrize(("minute", "another"), [(40.0, False), (52.0, True)])
def test_sand_may_be_shaken_off_for_three_quarters_of_an_hour(minute, another) -> None:
    """A load that falls later, all at once, is another tree's."""
    seconds = np.arange(0.0, 5 * 3600.0, 10.0)
    noise = np.random.default_rng(8).normal(0.0, 3e-4, len(seconds))
    masses = 3.0 + 0.1 * np.exp(-seconds / 5400.0) - np.where(seconds >= 60.0 * minute, 0.6, 0.0) + noise
    run = from_cell(zip(seconds, masses, strict=True))
    assert any("another tree" in note for note in run.notes) is another


def test_a_cells_weighing_is_as_sure_as_six_minutes_of_readings() -> None:
    """A reading each 10 s with 2 g of noise: 37 lie on each line, whose middle they know to 2 g over root 37."""
    seconds = np.arange(0.0, 3 * 3600.0, 10.0)
    noise = np.random.default_rng(9).normal(0.0, 0.002, len(seconds))
    run = from_cell(zip(seconds, 3.0 + 0.05 * np.exp(-seconds / 5400.0) + noise, strict=True))
    late = (run.times_s > 1800.0) & (run.times_s < 9000.0)
    assert float(np.mean(run.sds_kg[late])) == pytest.approx(0.002 / math.sqrt(37.0), rel=0.06)


def test_of_numbers_as_common_the_lower_is_the_usual_one_and_the_shelter_that_most_have(make) -> None:
    runs = [make(exponential, HOURS, name=f"t-{i}", number=n) for i, n in enumerate((6, 2, 6, 2, 4))]
    deep = [make(exponential, HOURS, name=f"d-{i}", number=9, shelter="deep") for i in range(3)]
    found = usual(BACKUP, [*deep, *runs], 0.95, forecast_scores.EVEN)
    assert (found.number, found.shelter) == (2, "open")


# --- what to weigh next ----------------------------------------------------------------------------------------------


@pytest.fixture
def fit(fitted) -> TypeFit:
    return TypeFit(BACKUP, BACKUP, fitted.runs, fitted, (0, 1, 2), (), (), ())


def advised(fit: TypeFit, **model: object) -> list[str]:
    known = {"runs": 9, "tail_learned": True, "shelters_learned": ("open", "pocketed", "deep")}
    return [one.words for one in advice(replace(fit, model=replace(fit.model, **{**known, **model})))]


def alone(**sds: float) -> CoatModel:
    """A model of which all is known but these."""
    known = {name: Spread(one.centre, 1e-9) for name, one in BACKUP.parameters.items()}
    return replace(BACKUP, parameters={**known, **{name: Spread(known[name].centre, sd) for name, sd in sds.items()}})


def test_kinds_of_trees_that_nobody_weighed_come_first_and_runs_are_nine(fit) -> None:
    assert any("below nine runs" in words for words in advised(fit, runs=8))
    assert not any("below nine runs" in words for words in advised(fit))
    for name in ("pocketed", "deep"):
        learned = tuple(kind for kind in ("open", "pocketed", "deep") if kind != name)
        assert advised(fit, shelters_learned=learned)[0].startswith(f"a {name} tree")
    assert any("tail is not learnt" in words for words in advised(fit, tail_learned=False))
    assert not [words for words in advised(fit) if re.search("tail is not|no run of this kind", words)]
    shares = {one.words[:8]: one.share for one in advice(replace(fit, model=replace(BACKUP, runs=3)))}
    assert (shares["a deep t"], shares["any tree"]) == (1.0, 0.5)


def test_no_more_than_three_parameters_are_advised_on_and_none_that_says_little(fit) -> None:
    """The air's part has nearly all of the variance, then four tell of about as much."""
    one = advised(replace(fit, model=alone(transfer=0.4, water=0.08)))
    assert len(one) == 1
    assert "how strongly the air takes water" in one[0]
    four = advised(replace(fit, model=alone(transfer=0.3, water=0.28, growth_3=0.0, inner=0.9, critical=0.6)))
    assert 2 <= len(four) <= 3


def test_where_the_end_of_late_coats_is_least_sure_one_is_to_be_weighed_to_its_end(fit) -> None:
    told = advised(replace(fit, model=replace(alone(water=0.02), end_growth=Spread(1.0, 0.5))))
    assert told[0].startswith("a late coat (seventh or more) until hardly anything is lost")
    (known,) = advised(replace(fit, model=replace(alone(water=0.02), end_growth=Spread(1.0, 1e-9))))
    assert "how much water a dip brings" in known


def test_every_weighing_of_an_account_lies_where_its_curve_was_fitted(fit) -> None:
    """Shares of the tree's water, its rest in grams, and a band that holds nine of ten possible coats."""
    found = run_checks(fit)
    assert [one.run.id for one in found] == ["t-0.1", "t-1.1", "t-2.1"]
    for one in found:
        np.testing.assert_allclose(one.hours, HOURS)
        np.testing.assert_allclose(one.curve, exponential(HOURS), atol=0.04)
        grams = (one.measured - one.curve) * 100.0
        assert np.corrcoef(grams, one.residual_g)[0, 1] > 0.999
        assert np.std(one.residual_g) / np.std(grams) == pytest.approx(1.0, abs=0.12)
        run = one.run
        step = ensemble.AirStep(
            *(float(getattr(run.air, n)[0]) for n in ("deficit", "saturation", "excess", "resistance"))
        )
        coats = forecast_scores.coats_of_run(BACKUP, run)
        for bound, share in ((one.low, 0.05), (one.high, 0.95)):
            place = int(np.argmin(np.abs(bound - 0.5)))
            seconds = coat.steady_time(coats, float(bound[place]), step)[0]
            assert np.mean(seconds <= 3600.0 * HOURS[place]) == pytest.approx(share, abs=0.012)
