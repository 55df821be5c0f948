"""Fits against curves that are no part of drymon: a published bar, Crank's slab, plain exponentials."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from drymon.drying import coat, ensemble
from drymon.drying.coat_model import Spread
from drymon.drying.possible import toned_down
from drymon.drying.weight_evidence import BENCH_SCALE, weigh_members
from drymon.errors import LearningError
from drymon.learning.fit import fit_all
from drymon.learning.forecast_scores import coats_of_run, forecast_hours, hours_until
from drymon.learning.run import thinned
from drymon.learning.run_checks import advice, run_checks
from drymon.messages.coat_models import load_models, read_model, write_model
from drymon.shop.weight.scale import LEAST_MEMBERS, curve_misfit

STARTS = load_models(None)
HEATLESS = {
    name: replace(start, parameters={**start.parameters, "cooling": Spread(0.01, 0.5)})
    for name, start in STARTS.items()
}
"""Starting models of things without a pattern behind them, for curves that know of no heat."""

BAR = {1.0: 0.365, 2.0: 0.115}
"""Share of a backup coat's water left after so many hours on a small open bar.

Guerra & Dooley, INCAST June 2020, p. 24.
"""


def page(hours):
    """Page's curve (1949) through both points of the bar: n = 1.101, k = 0.01110 with time in minutes."""
    return np.exp(-0.01110 * (60.0 * hours) ** 1.101)


def two_periods(hours):
    """A constant rate to 0.609 at 34 min, then a rate in proportion to what is left.

    Also through both points.
    """
    minutes = 60.0 * hours
    rate = (1.0 - 0.609) / 34.0
    return np.where(minutes < 34.0, 1.0 - rate * minutes, 0.609 * np.exp(-rate / 0.609 * (minutes - 34.0)))


def left_band(model, run, hours):
    """5 % and 95 % bounds of the share left at `hours`, of the possible coats weighed by the run itself as live."""
    coats = coats_of_run(model, run)
    times = np.union1d(run.times_s, 3600.0 * np.array(hours))
    air = run.air.over(np.concatenate([[0.0], times]) if times[0] > 0 else times)
    left, rows = np.ones_like(coats.water), []
    for i, seconds in enumerate(np.diff(air.edges_s)):
        piece = ensemble.AirStep(air.deficit[i], air.saturation[i], air.excess[i], air.resistance[i])
        for _ in range(4):
            left = coat.step(coats, left, piece, seconds / 4)
        rows.append(left[0])
    table = np.array(rows)
    at = air.edges_s[1:]
    water = (table * coats.water[0])[np.searchsorted(at, run.times_s)].T
    evidence = weigh_members(
        run.times_s, run.masses_kg, run.sds_kg, water, errors=replace(BENCH_SCALE, misfit=curve_misfit(model))
    )
    weights = toned_down(np.full(len(water), 1.0 / len(water)), evidence.log_likelihood, LEAST_MEMBERS)
    bounds = []
    for hour in hours:
        values = table[np.searchsorted(at, 3600.0 * hour)]
        order = np.argsort(values)
        reached = np.cumsum(weights[order])
        bounds.append([values[order][np.searchsorted(reached, q)] for q in (0.05, 0.95)])
    return np.array(bounds)


READ_TO = 0.004
"""Share of water to which two points of a printed figure can be read (assumed)."""


@pytest.mark.parametrize("curve", [page, two_periods])
@pytest.mark.parametrize("held", [0.0, 0.02])
def test_the_published_bar_lies_in_a_narrow_band_after_one_run(make, curve, held) -> None:
    """Both published moistures, through either curve that meets them, and read either as share of the
    removable water or of all the water, 2 % of which the binder keeps.
    """
    assert_allclose(curve(np.array([1.0, 2.0])), [0.365, 0.115], atol=0.012)

    def left(hours):
        return (curve(hours) - held * (1 - curve(hours))) if held else curve(hours)

    run = make(left, np.arange(0.1, 4.6, 1 / 6), water_kg=0.0052 * 20, sd_kg=0.0003)
    model = fit_all([run], STARTS)[0].model
    bounds = left_band(model, run, [1.0, 2.0])
    published = [left(np.array([hour]))[0] for hour in BAR]
    assert np.all(bounds[:, 0] <= np.add(published, READ_TO))
    assert np.all(np.subtract(published, READ_TO) <= bounds[:, 1])
    assert np.all(bounds[:, 1] - bounds[:, 0] <= 0.15)


def crank_surface_resistance(tau, biot, terms=60):
    """Share left in a slab with surface resistance.

    Crank, The Mathematics of Diffusion, 2nd ed., eq. 4.50-4.53.
    """
    roots = [
        brentq(lambda b: b * np.sin(b) - biot * np.cos(b), n * np.pi + 1e-9, (n + 0.5) * np.pi - 1e-9)
        for n in range(terms)
    ]
    beta = np.array(roots)[:, None]
    return (2 * biot**2 * np.exp(-(beta**2) * tau) / (beta**2 * (beta**2 + biot**2 + biot))).sum(axis=0)


@pytest.mark.parametrize(
    ("biot", "table"),
    [(0.1, {0.5: 0.9525739852382, 2.0: 0.8238888527060}), (1.0, {0.5: 0.6811045654467, 2.0: 0.2243940038289})],
)
def test_cranks_slab_with_surface_resistance_is_met(make, biot, table) -> None:
    """A slab of wet material that dries by diffusion against a surface resistance, fitted to its own
    weighings.

    Values computed with mpmath from Crank's eq. 4.50-4.53; the model's limit of a rate in proportion to
    what is left is the slab of small Biot number.
    """
    assert_allclose(crank_surface_resistance(np.array([*table]), biot), [*table.values()], rtol=1e-6)
    per_hour = 0.8 * (1 / biot + 1 / 3)

    def left(hours):
        return crank_surface_resistance(per_hour * hours, biot)

    fit = fit_all([make(left, np.linspace(0.1, 6.0, 30))], HEATLESS)[0]
    account = run_checks(fit)[0]
    assert_allclose(account.curve, left(account.hours), atol=0.03)


def exponential_runs(make, count, spread=0.05, **kind):
    """Runs whose share left is exp(-t/tau), tau about 1.2 h, a little different each time."""
    rng = np.random.default_rng(count)
    taus = 1.2 * np.exp(spread * rng.standard_normal(count))
    hours = np.linspace(0.08, 6.0, 25)
    runs = [
        make(lambda h, tau=tau: np.exp(-h / tau), hours, name=f"t-{i}", seed=i, start_s=9e4 * i, **kind)
        for i, tau in enumerate(taus)
    ]
    return runs, taus


def test_left_out_runs_are_told_within_their_interval(make) -> None:
    """Of an exponential e^(-t / tau) is left; tau ln(1 / left) is its time.

    What was left at a weighing is known to a point of the water: 0.3 g of 100 g at each weighing, and what a curve may
    be wrong by.
    """
    runs, taus = exponential_runs(make, 10)
    fit = fit_all(runs, STARTS)[0]
    tau = dict(zip([run.id for run in runs], taus, strict=True))
    left = [np.exp(-one.true_h / tau[one.run]) for one in fit.left_out]
    assert_allclose([one.left for one in fit.left_out], left, atol=0.012)
    errors = [one.best_h / (tau[one.run] * np.log(1.0 / one.left)) - 1.0 for one in fit.left_out]
    assert np.median(np.abs(errors)) < 0.08
    assert np.mean([one.covered for one in fit.left_out]) >= 0.8
    assert fit.model.runs == 10
    assert "rests on priors" not in fit.model.origin


@pytest.mark.parametrize("curve", [page, two_periods])
def test_the_best_guess_of_a_left_out_run_is_neither_early_nor_late(make, curve) -> None:
    """Bars that dry as the published one, quicker and slower ones in equal number: their time to any share is known.

    Within 2 %: a third of a point, by which the share left at a weighing is unsure, is so much of the time.
    """

    def hours_until(left):
        return brentq(lambda hour: float(curve(np.array([hour]))[0]) - left, 0.5, 7.0)

    pace = np.exp(0.05 * np.linspace(-1.5, 1.5, 12))
    times = np.linspace(0.1, 5.0, 25)
    runs = [make(lambda h, k=k: curve(h / k), times, name=f"t-{i}", seed=i) for i, k in enumerate(pace)]
    of_run = dict(zip([run.id for run in runs], pace, strict=True))
    fit = fit_all(runs, HEATLESS)[0]
    errors = [np.log(one.best_h / (of_run[one.run] * hours_until(one.left))) for one in fit.left_out]
    assert len(errors) == 12
    assert abs(np.mean(errors)) < 0.02


def test_few_runs_help_and_say_that_priors_carry_them(make) -> None:
    """The starting model expects other coats; two runs bring a third one's forecast near: within 10 %, for the two
    differ by 23 % and a forecast can lie no nearer than their middle.
    """
    runs, taus = exponential_runs(make, 3)
    start = HEATLESS["backup"]
    model = fit_all(runs[:2], HEATLESS)[0].model
    true = taus[2] * np.log(20.0)
    before, after = (abs(np.log(np.median(forecast_hours(m, runs[2], 0.05)) / true)) for m in (start, model))
    assert after < 0.5 * before
    assert after < 0.10
    assert "below 9 runs the interval rests on priors" in model.origin


def test_the_tail_is_not_learnt_from_runs_that_stop_early(make) -> None:
    hours = np.linspace(0.08, 1.2, 15)
    run = make(lambda h: np.exp(-h / 1.2), hours)
    fit = fit_all([run], STARTS)[0]
    assert not fit.model.tail_learned
    assert any("tail" in one.words for one in advice(fit))


def pocketed_left(hours, tau=1.2, times=4.0):
    """A fifth of the faces dries some times as slowly as the rest."""
    return 0.8 * np.exp(-hours / tau) + 0.2 * np.exp(-hours / (times * tau))


def slowest_hours(model, run):
    """Hours until 5 % is left in the slowest part, in the run's steady air: 5 %, 50 %, 95 % of the possible coats."""
    air = run.air
    steady = ensemble.AirStep(air.deficit[0], air.saturation[0], air.excess[0], air.resistance[0])
    steps = [(steady, 300.0 * 1.03**i) for i in range(200)]
    return np.quantile(hours_until(coats_of_run(model, run), steps, 0.05), [0.05, 0.5, 0.95])


def test_pockets_are_read_from_the_weight_of_the_whole_tree(make) -> None:
    """Nothing but the tree's mass is weighed."""
    open_runs, _ = exponential_runs(make, 4, spread=0.02)
    hours = np.linspace(0.08, 24.0, 60)
    sheltered = [
        make(pocketed_left, hours, name=f"p-{i}", shelter="pocketed", seed=10 + i, start_s=1e6 + 2e5 * i)
        for i in range(3)
    ]
    fit = fit_all([*open_runs, *sheltered], STARTS)[0]
    assert slowest_hours(fit.model, sheltered[0])[1] == pytest.approx(4.8 * np.log(20.0), rel=0.25)
    whole = np.quantile(forecast_hours(fit.model, sheltered[0], 0.05), [0.05, 0.95])
    assert whole[0] < brentq(lambda hour: pocketed_left(hour) - 0.05, 1.0, 24.0) < whole[1]
    assert "pocketed" in fit.model.shelters_learned
    assert "deep" not in fit.model.shelters_learned


def test_runs_of_other_coats_help_one_that_has_few(make) -> None:
    """Two open runs of a coat say nothing of its pockets. Pocketed trees under another coat of the room, in which a
    fifth dries six times as slowly, do: no such tree of this coat was ever weighed.
    """
    own, _ = exponential_runs(make, 2, spread=0.02)
    hours = np.linspace(0.08, 24.0, 40)
    left = partial(pocketed_left, tau=1.0, times=6.0)
    kind = {"shelter": "pocketed", "coat": "prime-fine"}
    others = [make(left, hours, name=f"p-{i}", seed=i, start_s=1e6 + 2e5 * i, **kind) for i in range(3)]
    open_others, _ = exponential_runs(make, 3, spread=0.02, coat="prime-fine")
    others += [replace(run, id=f"o-{i}", tree=f"o-{i}") for i, run in enumerate(open_others)]
    probe = make(partial(left, tau=1.2), hours, name="p-9", shelter="pocketed", start_s=9e6)
    alone = slowest_hours(fit_all(own, HEATLESS)[0].model, probe)
    (fit,) = fit_all([*own, *others], HEATLESS, ["backup"])
    together = slowest_hours(fit.model, probe)
    true = 6.0 * 1.2 * np.log(20.0)
    assert abs(np.log(together[1] / true)) < 0.5 * abs(np.log(alone[1] / true))
    assert together[2] / together[0] < 0.5 * alone[2] / alone[0]
    assert together[0] < true < together[2]
    assert (fit.model.runs, [run.coat for run in fit.runs]) == (2, ["backup"] * 2)
    assert "together with 6 runs of its other coats" in fit.model.origin


def test_how_much_of_a_tree_lies_in_its_pockets_is_learnt(make) -> None:
    """Trees of which a tenth, or three tenths, dry five times as slowly. Both kinds of face lose their water as no coat
    of drymon's does, so what is found need not be the share itself: it must go with it.
    """
    open_runs, _ = exponential_runs(make, 4, spread=0.02)
    found = {}
    for share in (0.1, 0.3):
        left = partial(in_two_speeds, share=share, hours=(1.2, 6.0))
        sheltered = [
            make(left, np.linspace(0.08, 24.0, 60), name=f"p-{i}", shelter="pocketed", seed=i, start_s=1e6 + 2e5 * i)
            for i in range(3)
        ]
        found[share] = fit_all([*open_runs, *sheltered], STARTS)[0].model.parameters["pocketed_share"]
    start = STARTS["backup"].parameters["pocketed_share"]
    assert found[0.3].centre == pytest.approx(3.0 * found[0.1].centre, rel=0.25)
    assert max(spread.sd for spread in found.values()) < start.sd


def in_two_speeds(h, share, hours):
    return (1.0 - share) * np.exp(-h / hours[0]) + share * np.exp(-h / hours[1])


def test_a_run_of_another_coat_cannot_mislead(make) -> None:
    """Six runs of 1.2 h, and one logged under the same name that takes four times as long."""
    runs, _ = exponential_runs(make, 6)
    hours = np.linspace(0.08, 22.0, 25)
    stranger = make(lambda h: np.exp(-h / 4.8), hours, name="stranger", start_s=9e6)
    fit = fit_all([*runs, stranger], STARTS)[0]
    assert [run.tree for run in fit.doubted] == ["stranger"]
    assert np.median(forecast_hours(fit.model, runs[0], 0.05)) == pytest.approx(1.2 * np.log(20.0), rel=0.12)


def test_no_usable_run_is_refused_in_words(make) -> None:
    run = make(lambda h: np.exp(-h), np.array([0.5, 1.0]))
    assert "at least 4 are needed" in run.problem
    assert fit_all([run], STARTS) == []
    with pytest.raises(LearningError, match="no starting model for coat 'mystery'"):
        fit_all([replace(make(lambda h: np.exp(-h), np.linspace(0.1, 4, 9)), coat="mystery")], STARTS)


def test_a_fitted_model_survives_its_file(make, tmp_path) -> None:
    runs, _ = exponential_runs(make, 2)
    model = fit_all(runs, STARTS)[0].model
    path = tmp_path / "backup.toml"
    write_model(model, path)
    assert read_model(path) == model


def test_the_same_runs_give_the_same_model(make) -> None:
    runs, _ = exponential_runs(make, 3)
    first, second = (fit_all(runs, STARTS)[0].model for _ in range(2))
    assert first == second


def test_of_six_hundred_weighings_a_run_keeps_what_a_fit_can_use(make) -> None:
    """How long fits take is measured in `benchmarks/fits.py`."""
    run = make(lambda h: np.exp(-h / 1.2), np.linspace(0.05, 7.0, 600), on_cell=True)
    few = thinned(run)
    assert len(few.times_s) <= 48
    assert (few.times_s[0], few.times_s[-1]) == pytest.approx((run.times_s[0], run.times_s[-1]), rel=0.05)
    assert_allclose(few.masses_kg, 3.0 + 0.1 * np.exp(-few.times_s / 3600.0 / 1.2), atol=0.0005)
