"""What learning takes for granted (assumed figures), seen where each alone decides; outcomes are worked out by hand."""

import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from drymon.drying import coat, dips, ensemble
from drymon.drying.coat_model import DIP_PARAMETERS, PARAMETERS, Spread
from drymon.drying.ensemble import REFERENCE_AIR
from drymon.drying.touch import felt_dry
from drymon.learning import estimated_model, forecast_scores
from drymon.learning.explained import two_groups
from drymon.learning.folds import folds
from drymon.learning.forecast_scores import Judgement, hours_until, scatter_factor, summary
from drymon.learning.forward import THETA, fleet_of, grid_of, hours_of
from drymon.learning.layout import IN_COMMON, Layout, Prior
from drymon.learning.problem import Problem, misfit_water
from drymon.learning.run import Touch, thinned
from drymon.learning.run_checks import coverage_curve, variance_shares
from drymon.learning.runs import Weighed, air_by_minute, from_bench, from_cell, make_run, problem_of
from drymon.learning.search import minimise
from drymon.learning.smooth import smooth
from drymon.learning.usual import usual
from drymon.messages.coat_models import load_models
from tests.learning.made_up_air import steady_air

STARTS = load_models(None)
BACKUP = STARTS["backup"]
PRIORS = {name: Prior.of(model) for name, model in STARTS.items()}
HOURS = np.linspace(0.1, 6.0, 24)


def exponential(hours):
    return np.exp(-hours / 1.2)


# --- what makes a run ------------------------------------------------------------------------------------------------


def weighed(hours, masses, sd=0.001, digit=0.0):
    return Weighed(3600.0 * np.array(hours), np.array(masses), np.full(len(hours), sd), False, digit_kg=digit)


AIR = steady_air(60)
FOUR = (0.0, 0.2, 0.3, 0.4)


@pytest.mark.parametrize(
    ("run", "told"),
    [
        (weighed(FOUR, (3.1, 3.05, 3.03, 3.0)), ""),
        (weighed(FOUR[:3], (3.1, 3.05, 3.0)), "3 weighings; at least 4"),
        (weighed((0.0,), (3.1,)), "1 weighing;"),
        (weighed((0.0, 0.2, 0.3, 0.39), (3.1, 3.05, 3.03, 3.0)), "over 23 min only; at least 24"),
        (weighed(FOUR, (3.0081, 3.006, 3.003, 3.0)), ""),
        (weighed(FOUR, (3.0079, 3.006, 3.003, 3.0)), "lost 8 g, within the error"),
        (weighed(FOUR, (3.1, 3.05, 3.03, 3.0), digit=0.0099), ""),
        (weighed(FOUR, (3.1, 3.05, 3.03, 3.0), digit=0.0101), "lost 100 g on a scale that shows steps of 10.1 g"),
        (weighed(FOUR, (3.1, 3.0, 3.024, 3.01)), ""),
        (weighed(FOUR, (3.1, 3.0, 3.026, 3.01)), "rose too much"),
    ],
)
def test_which_weighings_may_teach(run, told) -> None:
    """Four of them, 24 minutes, eight errors of the scale, ten of its steps, no rise beyond a quarter of the loss."""
    said = problem_of(run, AIR, True)
    assert told in said
    assert bool(said) is bool(told)


def test_a_run_needs_a_coat_and_air_that_is_known() -> None:
    run = weighed(FOUR, (3.1, 3.05, 3.03, 3.0))
    assert "not in room.toml" in problem_of(run, AIR, False)
    assert "no temperature or humidity" in problem_of(run, None, True)
    for known, told in ((80, ""), (79, "known for 79 % of the time")):
        air = replace(steady_air(100), known=np.arange(100) < known)
        assert told in problem_of(run, air, True)
        assert bool(problem_of(run, air, True)) is bool(told)
    assert problem_of(replace(run, problem="felt only"), AIR, True) == "felt only"


def test_a_slip_is_left_out_of_five_weighings_and_not_of_four() -> None:
    """Of four the rest could not teach."""
    rows = [(0.0, 3.1), (1000.0, 3.06), (2000.0, 3.2), (3000.0, 3.02), (4000.0, 3.0)]
    assert len(from_bench(rows).times_s) == 4
    assert len(from_bench(rows[:4]).times_s) == 4
    assert from_bench(rows[:4]).notes == ()


def test_slurry_drips_for_minutes() -> None:
    """A twentieth of the 100 g lost, e times less after 150 s: 5 g, 1.839 g, late nothing beside the scale's gram."""
    found = from_bench([(0.0, 3.1037), (150.0, 3.0852), (3000.0, 3.0314), (6000.0, 3.0037)]).sds_kg
    assert found[:2] == pytest.approx(np.hypot(0.001, [0.005, 0.001839]), rel=2e-3)
    assert found[3] == pytest.approx(0.001, rel=1e-6)


def test_a_cell_is_read_every_two_minutes() -> None:
    seconds = np.arange(0.0, 7200.0, 10.0)
    noise = 0.0005 * np.where(np.arange(len(seconds)) % 2, 1.0, -1.0)
    run = from_cell(zip(seconds, 3.0 + 0.05 * np.exp(-seconds / 3000.0) + noise, strict=True))
    assert set(np.diff(run.times_s)) == {120.0}
    assert run.times_s[0] == 30.0, "the first three readings teach the filter"


@pytest.mark.parametrize(("every", "told"), [(4, True), (7, False)])
def test_a_cell_of_which_a_fifth_is_thrown_away_was_often_disturbed(every, told) -> None:
    seconds = np.arange(0.0, 7200.0, 10.0)
    masses = 3.0 + 0.05 * np.exp(-seconds / 3000.0)
    masses[50::every] += 1.0
    notes = from_cell(zip(seconds, masses, strict=True)).notes
    assert ("the cell's readings were often disturbed" in notes) is told


def test_air_without_a_speed_takes_the_assumed_one_and_gaps_the_last_known() -> None:
    gap = np.array([np.nan, 21.0, np.nan, 22.0])
    found = air_by_minute(gap, np.full(4, 50.0), np.array([np.nan, 0.5, 25.0, np.nan]), np.full(4, 101_325.0),
                          np.full(4, 0.7))  # fmt: skip
    assert found.temperature_c.tolist() == [21.0, 21.0, 21.0, 22.0]
    assert found.speed.tolist() == [0.7, 0.5, 20.0, 0.7]
    assert found.known.tolist() == [False, True, False, True]
    assert found.edges_s.tolist() == [0.0, 60.0, 120.0, 180.0, 240.0]
    assert found.known_share == 0.5


def test_weighings_put_together_gain_half_of_what_their_number_promises(make) -> None:
    """Nine of one sd: a ninth of the variance if their errors were their own, a fifth as they are taken."""
    run = make(exponential, np.linspace(1.0, 1.1, 9), sd_kg=0.003)
    one = thinned(run, 1)
    assert one.sds_kg == pytest.approx([0.003 / math.sqrt(5.0)])
    assert one.masses_kg == pytest.approx([run.masses_kg.mean()])
    assert one.times_s == pytest.approx([run.times_s.mean()])
    assert thinned(run, 9) is run
    many = make(exponential, np.linspace(0.1, 8.0, 400))
    assert 40 <= len(thinned(many).times_s) <= 48
    assert thinned(make(exponential, np.linspace(0.1, 8.0, 48))).times_s.shape == (48,)


# --- smoothing -------------------------------------------------------------------------------------------------------


def in_three_lines(late):
    """A mass that loses the share `late` of its loss in the last quarter of its time, and the rest evenly before it."""
    return lambda hours: np.interp(hours, [0.0, 6.0, 8.0], [1.0, late, 0.0])


@pytest.mark.parametrize(
    ("late", "error_kg", "stands"),
    [(0.035, 1e-5, True), (0.045, 1e-5, False), (0.045, 0.05, True), (0.075, 0.05, True), (0.085, 0.05, False)],
)
def test_when_a_mass_stands_still(make, late, error_kg, stands) -> None:
    """4 % of the loss in the last quarter of the clock, 8 % at the most where the scale's own errors are as large."""
    run = make(in_three_lines(late), np.linspace(0.0, 8.0, 81), sd_kg=1e-9)
    seen = smooth(replace(run, sds_kg=np.full(81, error_kg)))
    assert seen.stands is stands


def test_how_unsure_a_moment_is_follows_from_the_slope(make) -> None:
    """100 g by a first-order lag, on the log of time: at one time constant the loss grows by 36.8 g e-fold, so a gram
    (less by root 2, being smoothed) moves the moment by 1.92 %; a load cell's zero has walked 0.7 g by then besides.
    """
    seen = smooth(make(lambda hours: np.exp(-hours), np.linspace(0.02, 4.0, 200), sd_kg=1e-7))
    at = int(np.argmin(np.abs(seen.hours - 1.0)))
    assert seen.unsure_of_time(False, 0.001)[at] == pytest.approx(0.0192, rel=0.03)
    assert seen.unsure_of_time(True, 0.001)[at] == pytest.approx(0.0271, rel=0.03)


def test_a_curves_error_goes_with_what_is_left_and_is_large_for_a_dry_coat_in_damp_air(make) -> None:
    """By the root of what is to go, never under 4 % of it; eight times the loss where under 30 % is left and the air
    has been over 75 %RH within three hours.
    """
    run = make(exponential, HOURS, sd_kg=1e-7)
    seen = smooth(run)
    dry = misfit_water(run, seen) / seen.loss_kg
    to_go = 1.0 - seen.gone
    assert dry == pytest.approx(np.sqrt(np.maximum(to_go, 0.04)))
    damp = replace(run, air=replace(run.air, humidity_pct=np.where(run.air.edges_s[1:] <= 7200.0, 76.0, 50.0)))
    felt = misfit_water(damp, seen) / seen.loss_kg
    for place, hours in enumerate(HOURS):
        damped = to_go[place] < 0.3 and hours < 5.0
        assert felt[place] == pytest.approx(8.0 if damped else dry[place])
    just_dry = replace(run, air=replace(run.air, humidity_pct=np.full_like(run.air.humidity_pct, 74.0)))
    assert misfit_water(just_dry, seen) / seen.loss_kg == pytest.approx(dry)


def test_steps_are_ten_to_the_half_time(make) -> None:
    """And 24 at the least, 64 at the most; they grow from the dip on."""
    grid = grid_of(make(exponential, np.linspace(0.05, 12.0, 60), sd_kg=1e-6))
    half = 3600.0 * 1.2 * math.log(2.0)
    assert np.interp(half, grid, np.arange(len(grid))) == pytest.approx(10.0, abs=0.6)
    assert (np.diff(np.diff(grid)) > 0.0).all()
    assert len(grid_of(make(exponential, np.linspace(0.05, 1.0, 20), sd_kg=1e-6))) - 1 == 24
    assert len(grid_of(make(lambda h: np.exp(-h / 0.02), np.linspace(0.005, 20.0, 200), sd_kg=1e-6))) - 1 == 64


def test_a_search_stops_where_little_is_gained() -> None:
    """From 1 on a straight line: the first step gains nearly all, so a second is not asked for."""
    asked = []

    def with_slopes(z):
        asked.append(float(z[0]))
        return 10.0 * z, np.array([[10.0]])

    found = minimise(lambda z: 10.0 * z, with_slopes, np.array([1.0]), np.array([5.0]), 20)
    assert abs(found[0]) < 1e-3
    assert len(asked) == 2
    asked.clear()
    minimise(lambda z: 10.0 * z, with_slopes, np.array([1.0]), np.array([5.0]), 1)
    assert len(asked) == 1


# --- unknowns --------------------------------------------------------------------------------------------------------


@pytest.fixture
def layout(make):
    return Layout(
        fleet_of(
            [
                make(exponential, HOURS, name="t-1", shelter="deep"),
                make(exponential, HOURS, name="t-2", rack="rack-b", coat="seal"),
            ]
        ),
        PRIORS,
    )


@pytest.mark.parametrize(
    ("which", "moved"),
    [
        ("shelter", {"transfer": 0.1, "pocketed": -0.1}),
        ("share", {"pocketed_share": 0.25, "deep_share": 0.25}),
        ("zone", {"pocketed": 0.2}),
        ("depth", {"deep": 0.2}),
        ("rack_at", {"transfer": 0.15 / math.sqrt(2.0)}),
    ],
)
def test_how_far_trees_and_racks_differ(layout, which, moved) -> None:
    """One standard deviation of each: open faces of a sheltered tree 10 %, a zone's share a quarter on the logit, its
    speed 20 %, two racks 15 % apart from their mean together.
    """
    at = np.zeros(layout.size)
    scatter = np.zeros((2, 3))
    before = layout.theta(at, scatter, 0.2)[0]
    place = int(getattr(layout, which)[0])
    changed = layout.theta(at + np.eye(layout.size)[place], scatter, 0.2)[0] - before
    run = [run.tree for run in layout.runs].index("t-1")
    found = {name: changed[run, THETA.index(name)] for name in THETA if abs(changed[run, THETA.index(name)]) > 1e-12}
    assert found == pytest.approx(moved)


def test_what_coats_have_in_common() -> None:
    """The air and the trees are the room's, the slurry is the coat's, and nothing is either's alone."""
    assert set(IN_COMMON) == set(PARAMETERS)
    own = {name for name in IN_COMMON if IN_COMMON[name] <= 0.7}
    assert own == {"water", "critical", "exponent", "inner", "sunk", "end", "pace"}
    assert {name for name in own if IN_COMMON[name] < 0.5} == {"water", "pace"}
    assert {name for name in IN_COMMON if 0.9 < IN_COMMON[name] < 1.0} == {
        "pocketed", "deep", "pocketed_share", "deep_share", "wind"
    }  # fmt: skip
    assert max(IN_COMMON.values()) < 0.96


def test_a_fit_begins_from_a_careful_shop(make) -> None:
    """Little scatter between dips (4, 4 and 5 %), an area of 0.4 m2 within a factor e, heavy tails of four degrees."""
    problem = Problem([make(exponential, HOURS)], PRIORS, "power")
    assert problem.dip_sd[0] == pytest.approx([0.04, 0.04, 0.05])
    at = np.zeros(problem.layout.size)
    assert problem.area(at, 0) == pytest.approx(0.4)
    at[problem.layout.area[0]] = 1.0
    assert problem.area(at, 0) == pytest.approx(0.4 * math.e)
    problem.lighten(np.full(problem.layout.size, 4.0))
    room = problem.layout.room
    assert problem.heavy[room("transfer")] == pytest.approx(0.5)  # sqrt((4 + 1) / (4 + 16))
    assert problem.heavy[room("sorption")] == 1.0
    problem.lighten(np.full(problem.layout.size, 0.9))
    assert problem.heavy[room("transfer")] == 1.0
    assert problem.limit[room("sorption")] == 4.0
    assert problem.limit[room("transfer")] == 40.0


def test_a_runs_steps_go_from_its_dip_to_its_last_weighing_or_to_the_end_of_its_air(make) -> None:
    """Of a run that was only felt there is no last weighing: here its air is known for ten hours."""
    grid = grid_of(make(exponential, HOURS))
    assert (grid[0], grid[-1]) == pytest.approx((0.0, 6.0 * 3600.0))
    assert np.diff(grid).min() > 0.0
    felt = grid_of(touched(Touch(3600.0, False, True)))
    assert (felt[0], felt[-1]) == pytest.approx((0.0, 36_000.0))


def touched(*touches, shelter="open"):
    nothing = np.zeros(0)
    return make_run(
        id="t-9", tree="t-9", coat="backup", number=1, shelter=shelter, rack="rack-a", start_s=0.0,
        weighed=Weighed(nothing, nothing, nothing, False, problem="felt"), air=steady_air(600), touches=touches,
    )  # fmt: skip


def test_a_finger_slips_once_in_ten(make) -> None:
    """Wet slurry felt as dry: a chance of a tenth, so -2 ln 0.1 = 4.605 of the squares; as wet: -2 ln 0.9 = 0.2107."""
    for dry, squares in ((True, 4.605), (False, 0.2107)):
        problem = Problem([make(exponential, HOURS), touched(Touch(0.0, False, dry))], PRIORS, "power")
        whole = problem.residuals(np.zeros(problem.layout.size))
        there = len(problem.runs[0].times_s)
        assert whole[there] ** 2 == pytest.approx(squares, rel=1e-3)


def test_a_surface_is_felt_dry_by_the_fourth_power_of_what_has_gone() -> None:
    """Of a coat that is dry at 5 % left: half of what must go is a sixteenth, nine tenths two thirds."""
    assert felt_dry([1.0, 0.525, 0.145, 0.05, 0.0], 0.05) == pytest.approx([0.0, 0.0625, 0.6561, 1.0, 1.0])


# --- judging ---------------------------------------------------------------------------------------------------------


def said(score=0.0, tree_h=10.0, **more):
    """A forecast whose true time lies so many standard deviations (0.2 on the log scale) after its best guess."""
    plain = {"early_h": 7.0, "best_h": tree_h, "late_h": 14.0, "log_sd": 0.2}
    return Judgement("run", 0.05, tree_h * math.exp(0.2 * score), **{**plain, **more})


def test_a_judgement_in_figures() -> None:
    one = said(1.5)
    assert one.error == pytest.approx(math.exp(-0.3) - 1.0)
    assert one.score == pytest.approx(1.5)
    assert one.width == pytest.approx(7.0 * math.exp(-0.3) / 10.0)
    assert replace(one, unsure=0.15).score == pytest.approx(1.2)  # 0.3 over hypot(0.2, 0.15)
    for true_h, covered in ((7.0, True), (14.0, True), (6.99, False), (14.01, False)):
        assert replace(one, true_h=true_h).covered is covered


def test_a_summary_of_four_forecasts() -> None:
    """Errors of 0, 10, 20 and 30 %: the median 15, the 90th percentile 27; three of four covered."""
    right = [replace(said(), true_h=10.0 / (1.0 + off)) for off in (0.0, 0.1, 0.2)]
    found = summary([*right, replace(said(), best_h=13.0, late_h=13.0, early_h=11.0)])
    assert (found["median_pct"], found["p90_pct"], found["coverage"], found["runs"]) == (15.0, 27.0, 0.75, 4.0)
    assert found["width"] == pytest.approx(0.735, abs=0.001)
    assert summary([]) == {}


@pytest.mark.parametrize(
    ("scores", "factor"),
    [
        ([0.2] * 6, math.sqrt((2.0 + 6 * 0.04) / 8.0)),
        ([9.0, 0.0, 0.0, 0.0, 0.0, 0.0], 1.5),  # beyond four standard deviations it counts as four
        ([0.0] * 200, 0.3),
        ([9.0] * 200, 2.0),
        ([0.0, 0.0], 1.0),  # two trees narrow nothing
        ([0.0, 0.0, 0.0], math.sqrt(2.0 / 5.0)),
    ],
)
def test_by_how_much_pockets_are_less_or_more_sure(scores, factor) -> None:
    """Two runs of what was taken for granted beside them; between 0.3 and 2."""
    assert forecast_scores.pocket_factor([(f"t-{i}", said(score)) for i, score in enumerate(scores)]) == pytest.approx(
        factor
    )


def test_by_how_much_dips_scatter_less_or_more() -> None:
    """As claimed: as it is. Without any error a fifth of the variance stays; at the most it is nine times as much."""
    few = replace(BACKUP, dip_sd=dict.fromkeys(DIP_PARAMETERS, 0.15))
    assert scatter_factor(few, [said(9.0)] * 2) == 1.0
    assert scatter_factor(few, [said(1.0)] * 5) == pytest.approx(1.0)
    assert scatter_factor(few, [said(0.0)] * 50) == pytest.approx(math.sqrt(0.2))
    assert scatter_factor(few, [said(9.0)] * 50) == pytest.approx(3.0)
    sharp = replace(few, parameters={name: Spread(one.centre, 1e-9) for name, one in few.parameters.items()})
    # nothing but the dips scatters: the factor is the root of the mean square, two runs of 1 beside them, 4 at the most
    assert scatter_factor(sharp, [said(2.0)] * 3) == pytest.approx(math.sqrt((2.0 + 12.0) / 5.0), rel=0.03)
    assert scatter_factor(sharp, [said(9.0), *[said(0.0)] * 9]) == pytest.approx(math.sqrt(18.0 / 12.0), rel=0.03)


def test_other_days_and_a_middle_brought_forward() -> None:
    other = forecast_scores.other_days(replace(BACKUP, dip_sd={**BACKUP.dip_sd, "water": 0.06}))
    assert other.water_sd == pytest.approx(0.1)  # hypot(0.06, 0.08)
    assert forecast_scores.other_days(other).water_sd == other.water_sd
    moved = forecast_scores.brought_forward(BACKUP, math.log(2.0))
    assert moved.parameters["pace"].centre == pytest.approx(0.5 * BACKUP.parameters["pace"].centre)


def test_hours_until_are_those_of_the_closed_form() -> None:
    coats = dips.possible_coats(BACKUP, 1, "open", edges=forecast_scores.EVEN)
    steps = [(REFERENCE_AIR, 300.0)] * 300
    found = hours_until(coats, steps, 0.1)
    expected = coat.steady_time(coats, 0.1, REFERENCE_AIR).max(axis=0) / 3600.0
    within = np.isfinite(found)
    assert (within == (expected < 25.0)).mean() > 0.97
    np.testing.assert_allclose(found[within], expected[within], rtol=0.02, atol=0.02)
    assert np.isinf(hours_until(coats, steps[:2], 0.1)).all()


def test_a_run_is_forecast_by_the_quantiles_of_its_possible_coats(make) -> None:
    """In steady air of 50 %RH the closed form says when each member gets there; its bounds are the 13th, the 128th and
    the 244th of them, its spread half of the way from the 16th to the 84th percentile on the log of time.
    """
    run = make(exponential, HOURS, air=steady_air(361, humidity=50.0), number=3)
    step = ensemble.AirStep(
        *(float(getattr(run.air, name)[0]) for name in ("deficit", "saturation", "excess", "resistance"))
    )
    expected = np.sort(coat.steady_time(forecast_scores.coats_of_run(BACKUP, run), 0.05, step)[0]) / 3600.0
    one = forecast_scores.judge(BACKUP, run, 0.05, 4.0, 0.01)
    assert (one.run, one.left, one.true_h, one.unsure) == (run.id, 0.05, 4.0, 0.01)
    assert (one.early_h, one.best_h, one.late_h) == pytest.approx(expected[[12, 127, 243]], rel=0.03)
    spread = math.log(np.quantile(expected, 0.84) / np.quantile(expected, 0.16)) / 2.0
    assert one.log_sd == pytest.approx(spread, rel=0.02)
    never = forecast_scores.judge(
        BACKUP, make(exponential, HOURS, air=steady_air(361, humidity=97.0), number=3), 0.001, 4.0
    )
    assert never.late_h == 14.0 * 24.0


def test_a_coat_in_its_usual_air_needs_no_fit(make) -> None:
    """Best and sure hours are the middle and the 95 % quantile of the same possible coats; never beyond a fortnight."""
    runs = [make(exponential, HOURS, name=f"t-{i}") for i in range(2)]
    found = usual(BACKUP, runs, 0.95, forecast_scores.EVEN)
    air = runs[0].air
    step = ensemble.AirStep(
        *(float(getattr(air, name)[0]) for name in ("deficit", "saturation", "excess", "resistance"))
    )
    coats = dips.possible_coats(BACKUP, 1, "open", edges=forecast_scores.EVEN)
    left = [np.ones_like(coats.water)]
    for _ in range(60 * 12):
        left.append(coat.step(coats, left[-1], step, 300.0))
    course = np.stack(left).max(axis=1)
    hours = np.sort(np.where((course <= 0.05).any(axis=0), np.argmax(course <= 0.05, axis=0) / 12.0, np.inf))
    assert found.best_h == pytest.approx(hours[127], abs=0.1)
    assert found.sure_h == pytest.approx(hours[243], abs=0.2)


def test_one_parameter_that_alone_is_unsure_has_all_of_the_variance() -> None:
    certain = {name: Spread(one.centre, 1e-9) for name, one in BACKUP.parameters.items()}
    for name in ("transfer", "water"):
        alone = replace(BACKUP, parameters={**certain, name: Spread(BACKUP.parameters[name].centre, 0.2)})
        shares = variance_shares(alone)
        assert shares[name] > 0.97
        assert max(share for other, share in shares.items() if other != name) < 0.1


def test_intervals_promised_are_kept_by_normal_scores() -> None:
    scores = [NormalDist().inv_cdf((place + 0.5) / 2000) for place in range(2000)]
    promised, kept = coverage_curve(scores)
    assert promised.tolist() == [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95]
    np.testing.assert_allclose(kept, promised, atol=1e-3)


@pytest.mark.parametrize(
    ("hours", "two"),
    [
        ([3.0, 3.01, 2.99, 4.6, 4.61, 4.59], True),
        ([3.0, 3.01, 2.99, 4.6, 4.61], False),  # five are too few
        ([3.0, 3.01, 2.99, 4.4, 4.41, 4.39], False),  # less than 0.4 apart on the log of time
        ([3.0, 3.01, 2.99, 3.02, 2.98, 4.6, 4.61], True),
        ([3.0, 3.01, 2.99, 3.02, 2.98, 3.0, 4.6], False),  # one alone is a stranger
    ],
)
def test_when_one_name_stands_for_two_coats(hours, two) -> None:
    assert bool(two_groups(np.array(hours))) is two


def test_six_folds_at_the_most_and_whole_trees_of_three(make) -> None:
    trees = [make(exponential, HOURS, name=f"t-{i}") for i in range(20)]
    assert len(folds(trees)) == 6
    three = [make(exponential, HOURS, name=f"t-{i}", number=n) for i in range(3) for n in (1, 2)]
    assert sorted(map(sorted, folds(three))) == [[0, 1], [2, 3], [4, 5]]
    assert len(folds(three[:4])) == 4, "of two trees single runs"


# --- what a model says of itself -------------------------------------------------------------------------------------

SURE = replace(BACKUP, parameters={name: Spread(one.centre, 0.1 * one.sd) for name, one in BACKUP.parameters.items()})


def told(runs, ends, model=SURE, start=BACKUP, of_room=None):
    return estimated_model.told(model, start, runs, ends, [], of_room or len(runs), "")


@pytest.mark.parametrize(
    ("shelter", "left", "learned"),
    [("pocketed", 0.29, ("open", "pocketed")), ("pocketed", 0.31, ("open",)), ("deep", 0.29, ("open", "deep")),
     ("open", 0.01, ("open",))],
)  # fmt: skip
def test_a_shelter_is_learnt_once_30_percent_are_left_in_its_slow_part(make, shelter, left, learned) -> None:
    assert told([make(exponential, HOURS, shelter=shelter)], [left]).shelters_learned == learned


@pytest.mark.parametrize(
    ("left", "hours", "model", "learnt"),
    [
        (0.10, HOURS, SURE, True),
        (0.11, HOURS, SURE, False),
        (0.10, np.linspace(0.05, 1.2, 20), SURE, False),  # still at two thirds of its pace
        (0.10, HOURS, BACKUP, False),  # no surer than a starting model
    ],
)
def test_when_a_tail_is_learnt(make, left, hours, model, learnt) -> None:
    assert told([make(exponential, hours)], [left], model).tail_learned is learnt


def test_how_much_slower_a_learnt_tail_has_become(make) -> None:
    """Lines of two parts: the last quarter of the clock at 0.44 of the mean pace is slow enough, at 0.46 it is not."""
    for pace, learnt in ((0.44, True), (0.46, False)):
        run = make(in_three_lines(0.25 * pace), np.linspace(0.0, 8.0, 81), sd_kg=1e-7)
        assert told([run], [0.05]).tail_learned is learnt


@pytest.mark.parametrize(("count", "priors"), [(8, True), (9, False)])
def test_below_nine_runs_the_interval_rests_on_priors(make, count, priors) -> None:
    """n / (n + 1) must reach 0.9 (split conformal prediction, Vovk et al. 2005)."""
    runs = [make(exponential, HOURS, name=f"t-{i}") for i in range(count)]
    origin = told(runs, [0.05] * count, replace(SURE, run_ids=tuple(run.id for run in runs))).origin
    assert origin.startswith(f"fitted by drymon to {count} weighed runs of this room")
    assert ("below 9 runs the interval rests on priors" in origin) is priors
    assert "felt" not in origin
    assert "together with" not in origin


def test_what_else_an_origin_tells(make) -> None:
    runs = [make(exponential, HOURS)]
    one = told(runs, [0.05], replace(SURE, run_ids=("a", "b")), of_room=3).origin
    assert "to 1 weighed run of this room and to what was felt of 1 coat" in one
    assert "together with 2 runs of its other coats" in one
    learnt = replace(BACKUP, runs=24, shelters_learned=("open", "deep"))
    again = told(runs, [0.05], replace(SURE, run_ids=("a",)), start=learnt)
    assert "beginning from a model of 24 runs of another" in again.origin
    assert again.shelters_learned == ("open", "deep")
    nothing = told([], [], replace(SURE, run_ids=("a", "b")))
    assert nothing.origin.startswith("fitted by drymon to what was felt of 2 coats of this room, nothing weighed")


def test_hours_of_a_fleet_are_those_of_its_runs(make) -> None:
    runs = [make(exponential, HOURS, name="t-1"), make(exponential, 2.0 * HOURS, name="t-2", shelter="deep")]
    fleet = fleet_of(runs)
    assert [float(hours_of(fleet, place)[-1]) for place in (0, 1)] == pytest.approx([6.0, 12.0])
    assert fleet.zones.tolist() == [1, 3]
    assert fleet.first.tolist() == [0, 1]
