"""Drying that others measured, and bodies that are none of drymon's, held against the starting models and the fit.

None of these is a weighed shell: a sand column, fruit slices, and statements of abstracts. So the tolerances are wide,
the narrow side is "early" (told drier than it is), and nothing here says that shells are told right. `published/`
has the digits and their sources; each test says what else it rests on.
"""

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import least_squares

from drymon.drying import air, curve, dips, ensemble, surface
from drymon.drying.coat_model import CoatModel, Spread
from drymon.learning.fit import TypeFit, fit_all
from drymon.learning.forecast_scores import EVEN, forecast_hours, hours_until
from drymon.learning.forward import hours_of, mean_water
from drymon.learning.run import Run
from drymon.learning.run_checks import run_checks
from drymon.messages.coat_models import load_models
from tests.learning.made_up_air import steady_air
from tests.learning.wet_slab import slab

Array = npt.NDArray[np.float64]
PUBLISHED = Path(__file__).parents[1] / "published"
STARTS = load_models(None)
STEPS = [60.0 * 1.03**i for i in range(330)]


def table(name: str) -> list[dict[str, str]]:
    with (PUBLISHED / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def with_spreads(model: CoatModel, **spreads: tuple[float, float]) -> CoatModel:
    return replace(model, parameters={**model.parameters, **{name: Spread(*one) for name, one in spreads.items()}})


BACKUP = STARTS["backup"]
BARE = with_spreads(BACKUP, cooling=(0.01, 0.1))
"""A body with no wax behind it, whose heat would hurry its first minutes."""


# ---- the starting models: ratios and brackets --------------------------------------------------------------------


def weather(temperature_c: float, humidity_pct: float, speed: float) -> ensemble.AirStep:
    steady = steady_air(2, temperature_c, humidity_pct, speed)
    return ensemble.AirStep(*(float(getattr(steady, n)[0]) for n in ("deficit", "saturation", "excess", "resistance")))


def hours(
    model: CoatModel, at: ensemble.AirStep, left: float, number: int = 1, shelter: str = "open", whole: bool = False,
    **times: float,
) -> Array:  # fmt: skip
    """Hours of every possible coat until `left` remains. times: factors on the coats' own numbers."""
    coats = dips.possible_coats(model, number, shelter, edges=EVEN)
    coats = replace(coats, **{name: getattr(coats, name) * factor for name, factor in times.items()})
    return hours_until(coats, [(at, seconds) for seconds in STEPS], left, whole)


def slices(column: str, **conditions: float) -> float:
    """A time mark of the fruit slices in minutes; the reference is 50 degC, 1.1 m/s, 42.5 %RH, 6 mm."""
    usual = {"temperature_c": 50.0, "speed_m_per_s": 1.1, "humidity_pct": 42.5, "thickness_mm": 6.0}
    (row,) = [r for r in table("drying_slices") if all(float(r[k]) == v for k, v in {**usual, **conditions}.items())]
    return float(row[column])


def middle(values: Array) -> float:
    return float(np.median(values))


REFERENCE = weather(50.0, 42.5, 1.1)


@pytest.mark.parametrize("name", STARTS)
def test_a_slower_wind_lengthens_the_time_as_over_slices(name: str) -> None:
    """Measured 1.35; a laminar law gives 1.35, a turbulent one 1.62, and radiation takes some. Below 1.20 is early."""
    measured = slices("t90_min", speed_m_per_s=0.6) / slices("t90_min")
    ratio = middle(hours(STARTS[name], weather(50.0, 42.5, 0.6), 0.1) / hours(STARTS[name], REFERENCE, 0.1))
    assert 1.20 < ratio < 1.45
    assert measured == pytest.approx(1.33, abs=0.05)


@pytest.mark.parametrize(("left", "column"), [(0.1, "t90_min"), (0.5, "t50_min")])
def test_damper_air_lengthens_the_time_as_over_slices(left: float, column: str) -> None:
    """Measured 1.32 and 1.25; between the drives of the wet bulb (1.42) and of the deficit at the air's warmth (1.28).
    The bands of humidity are 3 to 5 points wide.
    """
    measured = slices(column) / slices(column, humidity_pct=26.5)
    ratio = middle(hours(BARE, REFERENCE, left) / hours(BARE, weather(50.0, 26.5, 1.1), left))
    assert 1.20 < ratio < 1.45
    assert ratio == pytest.approx(measured, rel=0.15)


def test_what_warmth_does_to_slices_is_not_reached(record_property: Callable[[str, object], None]) -> None:
    """Told, not asked for: measured 1.75 to 90 % and 1.58 to one half, of which a part is the fruit's own diffusion,
    which grows with warmth. drymon says less, as its drive is nearer to the wet bulb's. Only the sign is held.
    """
    for left, column in ((0.1, "t90_min"), (0.5, "t50_min")):
        ratio = middle(hours(BARE, weather(40.0, 42.5, 1.1), left) / hours(BARE, REFERENCE, left))
        measured = slices(column, temperature_c=40.0) / slices(column)
        record_property(column, f"drymon {ratio:.2f}, measured {measured:.2f}")
        assert 1.05 < ratio < measured


def test_a_thicker_layer_takes_longer_but_not_as_pure_diffusion() -> None:
    """4 against 10 mm: surface alone gives 2.5, diffusion alone 6.25; measured 2.0 on a body that shrinks, so only the
    upper limit is a test of a rigid shell.
    """
    measured = slices("t90_min", thickness_mm=10.0) / slices("t90_min", thickness_mm=4.0)
    thick = hours(BARE, REFERENCE, 0.1, water=2.5, inner=2.5)
    assert 1.6 < middle(thick / hours(BARE, REFERENCE, 0.1)) < 5.0
    assert measured == pytest.approx(2.0, abs=0.05)


def test_one_curve_does_for_all_weather_of_a_room() -> None:
    """Measured: t90/t50 of one thickness spreads by 6 % over humidity and speed (2.34 to 2.47); water coatings on sand
    too change their curve with the air only slightly (Di Muoio & Tiedje 2015, abstract). Below 0.2 kg/m2h, for the
    curve changes in strong wind.
    """
    ratios, measured = [], []
    for humidity in (40.0, 50.0, 60.0, 65.0):
        for speed in (0.3, 0.6, 1.1):
            at = weather(22.0, humidity, speed)
            if 3600.0 * float(at.deficit) / float(at.resistance) < 0.2:
                ratios.append(middle(hours(BACKUP, at, 0.1) / hours(BACKUP, at, 0.5)))
    for more in ({}, {"humidity_pct": 26.5}, {"humidity_pct": 36.5}, {"speed_m_per_s": 0.85}, {"speed_m_per_s": 0.6}):
        measured.append(slices("t90_min", **more) / slices("t50_min", **more))
    assert len(ratios) > 8
    assert max(ratios) / min(ratios) < 1.10
    assert max(measured) / min(measured) < 1.07


@pytest.mark.parametrize("name", STARTS)
def test_the_starting_curve_is_of_the_shape_that_bodies_have(name: str) -> None:
    """t95/t50: fruit slices 2.5 to 3.2 (to 93 %), the published bar 3.8, an exponential 4.3, fired brick 5.5 to 11.4
    (Page's n of 0.60 to 0.86; Adv. Mater. Sci. Eng. 2016:7868194, table 3), sand 10 cm deep over 7.2. So 2.5 to 6 of an
    open coat, 3 to 12 of a tree with pockets, as it weighs.
    """
    model, at = STARTS[name], weather(22.0, 50.0, 0.6)
    assert 2.5 < middle(hours(model, at, 0.05) / hours(model, at, 0.5)) < 6.0
    for shelter in ("pocketed", "deep"):
        half, most = (hours(model, at, left, 5, shelter, whole=True) for left in (0.5, 0.05))
        assert 3.0 < middle(most / half) < 12.0


def test_a_bar_is_dry_within_the_hours_that_its_strength_tells() -> None:
    """Dooley & Everden, INCAST November 2020, p. 20-21: at 20.7 degC, 45 %RH, 0.6 m/s an hour between dips is clearly
    weaker, two gain, 4, 8 and 24 h are alike. Strength, not mass: 1 to 4 h for 0.25 to 0.4 kg/m2.
    """
    coats = dips.possible_coats(BACKUP, 1, "open", edges=EVEN)
    usual = (coats.water[0] > 0.25) & (coats.water[0] < 0.4)
    found = hours(BACKUP, weather(20.7, 45.0, 0.6), 0.05)[usual]
    assert np.count_nonzero(usual) > 60
    assert 1.0 < middle(found) < 4.0
    assert np.quantile(found, 0.95) > 4.0  # nobody knows which bar: a starting model is wide, on the late side


@pytest.mark.parametrize("name", STARTS)
def test_each_layer_takes_longer_and_cavities_several_times(name: str) -> None:
    """Zych, Kolczyk & Jamrozowicz 2015, Metalurgija 54(1):15 (abstract): each next layer dries longer; deep cavities
    several times longer than open faces, the more so the more slender.
    """
    at = weather(22.0, 50.0, 0.6)
    certain = replace(
        with_spreads(STARTS[name], **{key: (one.centre, 1e-9) for key, one in STARTS[name].parameters.items()}),
        dip_sd=dict.fromkeys(STARTS[name].dip_sd, 1e-9),
    )
    layers = [middle(hours(certain, at, 0.05, number)) for number in range(1, 13)]
    assert np.all(np.diff(layers) > 0.0)
    opened, cup, bore = (middle(hours(STARTS[name], at, 0.05, 5, shelter)) for shelter in ("open", "pocketed", "deep"))
    assert 2.0 < cup / opened < bore / opened < 10.0


def test_the_constant_period_goes_with_the_water_and_not_with_its_square() -> None:
    """Scheffler 2008 (second-hand): over calcium silicate and brick its length is linear in the sample's height."""
    at = weather(22.0, 50.0, 0.6)
    exponent = np.log2(hours(BARE, at, 0.8, water=2.0) / hours(BARE, at, 0.8))
    assert np.quantile(exponent, [0.05, 0.95]) == pytest.approx([1.0, 1.0], abs=0.1)


@pytest.mark.parametrize("name", STARTS)
def test_a_strong_wind_hurries_the_beginning_more_than_the_end(name: str) -> None:
    """Above a demand of 5 mm a day (0.2 kg/m2h) the rate falls steadily though water is there (Shahraeeni, Lehmann &
    Or 2012, abstract); salts in a plaster's surface slow it the more the stronger the wind (Seck et al. 2015,
    abstract).
    """
    usual, strong = weather(22.0, 45.0, 1.0), weather(22.0, 45.0, 4.0)
    assert 3600.0 * float(usual.deficit) / float(usual.resistance) > 0.2
    half, most = (middle(hours(STARTS[name], usual, left) / hours(STARTS[name], strong, left)) for left in (0.5, 0.05))
    assert 1.0 < most < half


def test_a_wet_face_is_warmer_in_damper_air_and_between_wet_bulb_and_air() -> None:
    """Cieslikiewicz et al. 2019, IOP Conf. Ser. 660:012025 (abstract): 40 degC, 3 m/s, 16 to 40 %RH."""
    humidity = np.array([16.0, 22.0, 28.0, 34.0, 40.0])
    face = np.asarray(surface.evaporation(40.0, humidity, 3.0).surface_temperature_c)
    assert np.all(np.diff(face) > 0.0)
    assert np.all(face > air.wet_bulb(40.0, humidity))
    assert np.all(face < 40.0)


# ---- whole curves: the sand column and the slices ----------------------------------------------------------------


def sand() -> tuple[Array, Array]:
    """Days and share of the water left of a sand column 10 cm deep."""
    rows = table("drying_sand_column")
    return np.array([float(row["time_d"]) for row in rows]), np.array([float(row["fraction_left"]) for row in rows])


def family_fit(exponent: float | None) -> tuple[dict[str, float], float]:
    """drymon's power form through the sand column from 0.60 left on: critical share, floor, exponent; rms."""
    days, left = sand()
    days, left = days[left <= 0.6], left[left <= 0.6]

    def misfit(z: Array) -> Array:
        critical, floor, per_day, start, n = (*z, exponent)[:5] if exponent is not None else z
        share = np.linspace(0.61, max(floor + 1e-4, 0.05), 3000)
        whole = 1.0 - floor
        dose = curve.outer_dose((share - floor) / whole, (critical - floor) / whole, n)
        return np.asarray(np.interp(days, start + per_day * (dose - np.interp(-0.6, -share, dose)), share) - left)

    begin, low, high = [0.36, 0.01, 4.0, 1.5], [0.2, 0.0, 1.0, 1.0], [0.6, 0.1, 12.0, 2.0]
    if exponent is None:
        begin, low, high = [*begin, 2.5], [*low, 0.8], [*high, 4.0]
    found = least_squares(misfit, begin, bounds=(low, high), x_scale=np.array(begin), diff_step=1e-3)
    named = dict(zip(("critical", "floor", "per_day", "start", "exponent"), found.x, strict=False))
    return named, float(np.sqrt(np.mean(found.fun**2)))


def test_the_curve_family_goes_through_the_sand_column() -> None:
    """Found by others with a grid: critical 0.36, exponent 2.75, floor 0, rms 0.0026 of the water; the initial water is
    second-hand, and 3 % in it move the exponent from 2.25 to 3.0.
    """
    free, rms = family_fit(None)
    assert rms < 0.006
    assert 0.33 < free["critical"] < 0.39
    assert 2.0 < free["exponent"] < 3.3
    assert family_fit(1.0)[1] > 2.0 * rms


KNOWN_M2, KNOWN_WATER = 0.1 / 0.3, (0.3, 0.005)
"""Area and water [kg/m2] that make the 0.1 kg of a made-up run: published curves are of a known initial water."""


@pytest.fixture
def known_water(monkeypatch: pytest.MonkeyPatch) -> CoatModel:
    """A starting model for bodies whose removable water is known, as it is in the published shares."""
    for module in ("layout", "problem"):
        monkeypatch.setattr(f"drymon.learning.{module}.AREA_MEDIAN_M2", KNOWN_M2)
        monkeypatch.setattr(f"drymon.learning.{module}.AREA_LOG_SD", 0.005)
    return with_spreads(BARE, water=KNOWN_WATER)


MakeRun = Callable[..., Run]


def sand_run(make: MakeRun, until: float = 0.25) -> Run:
    """The column as a run, weighed until so much is left, in air that nobody wrote down."""
    days, left = sand()
    seen = left >= until
    return make(lambda h: np.interp(h, 24.0 * days, left), 24.0 * days[seen], seed=1)


def slice_run(make: MakeRun) -> Run:
    """The reference slice until X = 2 of 6. Of its curve only marks may be kept: X = 3 at 122.5 min, X = 2 at 179; a
    parabola through them, which meets the next mark, X = 0.6 at 303 min, to 0.06.
    """
    minutes, moisture = np.array([0.0, slices("t50_min"), 179.0]), np.array([6.0, 3.0, 2.0])
    parabola = np.polynomial.Polynomial.fit(minutes, moisture, 2)
    assert parabola(slices("t90_min")) == pytest.approx(0.6, abs=0.06)
    weighed = np.linspace(5.0, 179.0, 12) / 60.0
    return make(lambda h: parabola(60.0 * h) / 6.0, weighed, air=steady_air(300, 50.0, 42.5, 1.1))


def forecast(fit: TypeFit, run: Run, left: float) -> Array:
    """5 %, 50 %, 95 % of the hours until `left` remains; the last may be never."""
    found = np.sort(forecast_hours(fit.model, run, left))
    return found[[int(np.ceil(share * len(found))) - 1 for share in (0.05, 0.5, 0.95)]]


def sand_forecast(make: MakeRun, start: CoatModel) -> Array:
    """Days until a tenth is left of the sand column that was seen until a quarter was (3.26 d): 5 %, 50 %, 95 %."""
    run = sand_run(make)
    (fit,) = fit_all([run], {"backup": start})
    return forecast(fit, run, 0.10) / 24.0


def test_from_half_a_run_the_bounds_know_of_a_long_tail(make: MakeRun, known_water: CoatModel) -> None:
    """A tenth was left after 9.5 d. The constant period ends sharply and the tail is long; exponents of 1 to 3.5 differ
    by less than a weighing's error until then, and say 4.8 to 14 d.
    """
    early, _, late = sand_forecast(make, known_water)
    assert early < 9.5 < late


@pytest.mark.xfail(strict=True, reason="what is taken for granted of the exponent, 1.0 +- 0.3, is too sure: 6.1 d")
def test_from_half_a_run_a_long_tail_is_not_told_early(make: MakeRun, known_water: CoatModel) -> None:
    """No less than 6.5 d. With a spread of 0.6 it is 7.6, but simulated rooms were then told up to 4 points worse."""
    assert sand_forecast(make, known_water)[1] > 6.5


def test_from_half_a_run_a_short_tail_is_not_told_late(make: MakeRun, known_water: CoatModel) -> None:
    """A slice until a third is left (179 min): a tenth was left after 303. Pulls the other way than the sand column."""
    run = slice_run(make)
    (fit,) = fit_all([run], {"backup": known_water})
    early, best, late = forecast(fit, run, 0.10) * 60.0
    true = slices("t90_min")
    assert early < true < late
    assert 0.90 < best / true < 1.25


@pytest.mark.parametrize("since", [0.0, 0.5])
def test_from_half_a_run_of_unknown_water_no_end_is_claimed(make: MakeRun, since: float) -> None:
    """A scale does not know the dry mass: the fit may take the sand column's quarter for a tenth, and the end for near.
    What it must not do is to count such a tail as learnt: trees then wait for a look.
    """
    run = sand_run(make)
    later = run.times_s >= 86400.0 * since
    run = replace(run, times_s=run.times_s[later], masses_kg=run.masses_kg[later], sds_kg=run.sds_kg[later])
    (fit,) = fit_all([run], {"backup": BARE})
    assert not fit.model.tail_learned


# ---- bodies of another kind: a slab that dries by diffusion ------------------------------------------------------

DRY_H = 3.5


def own_hours(fit: TypeFit, left: float = 0.05) -> float:
    """Hours until `left` remains by the only run's own curve."""
    problem = fit.estimate.problem
    water = mean_water(problem.fleet, fit.estimate.theta[:, None, :], fit.estimate.tail)[:, 0, 0]
    return float(np.interp(-left, -water / water[0], hours_of(problem.fleet, 0)))


def slab_run(make: MakeRun, biot: float, steep: float, until: float, times: float = 1.0) -> Run:
    """A slab that is dry to 5 % after `DRY_H` x `times`, weighed until it has had `until` of that."""
    left, dry = slab(biot, steep)
    weighed = DRY_H * times * until * np.linspace(0.02, 1.0, 24)
    return make(lambda h: left(h * dry / (DRY_H * times)), weighed, seed=1)


@pytest.mark.parametrize("biot", [0.1, 1.0, 10.0])
def test_the_slab_is_cranks(biot: float) -> None:
    """The solver, before anything is judged by it: to 1e-4 of the water."""
    left, _ = slab(biot)
    rows = [row for row in table("crank_surface_resistance") if float(row["L_Biot"]) == biot]
    assert len(rows) > 2
    for row in rows:
        assert float(left(float(row["tau=D*t/l^2"]))) == pytest.approx(float(row["remaining_fraction"]), abs=1e-4)


@pytest.mark.parametrize(
    ("biot", "steep", "within"),
    [(0.5, 0.0, 0.05), (4.0, 0.0, 0.05), (100.0, 0.0, 0.05), (0.5, 1.5, 0.05), (4.0, 1.5, 0.05), (15.0, 3.0, 0.10)],
)
def test_a_slabs_end_is_found_in_its_masses_alone(make: MakeRun, biot: float, steep: float, within: float) -> None:
    """Its dry mass unknown; surface and inside hold the water back to very different parts. Weighed on until little is
    lost any more. Where what is dry conducts twenty times worse than what is wet, curves bend more than drymon's can.
    """
    run = slab_run(make, biot, steep, 1.7)
    (fit,) = fit_all([run], {"backup": BARE})
    assert own_hours(fit) == pytest.approx(DRY_H, rel=within)
    early, _, late = forecast(fit, run, 0.05)
    assert early < DRY_H < late
    assert fit.model.doubt == ""
    assert fit.model.tail_learned


@pytest.mark.parametrize(("biot", "steep"), [(0.5, 0.0), (4.0, 1.5), (15.0, 3.0)])
def test_a_slab_that_is_watched_no_longer_than_its_end_lies_within_the_bounds(
    make: MakeRun, biot: float, steep: float
) -> None:
    """Of a run that stops there the last water is guessed, a little early: the bounds must know."""
    run = slab_run(make, biot, steep, 1.1)
    (fit,) = fit_all([run], {"backup": BARE})
    early, _, late = forecast(fit, run, 0.05)
    assert early < DRY_H < late
    assert own_hours(fit) == pytest.approx(DRY_H, rel=0.16)


def test_cranks_long_times_are_met(make: MakeRun) -> None:
    """A slab whose surface holds nothing back, from the table's few shares: in the end it falls as e^(-(pi/2)^2 tau)
    (Crank, 2nd ed., eq. 4.18, its first term); at first as 1 - 2 sqrt(tau/pi), which no coat of drymon's does.
    """
    rows = table("crank_slab")
    columns = ("tau=D*t/l^2", "remaining_fraction_long_series")
    tau, left = (np.array([float(row[key]) for row in rows]) for key in columns)
    per_tau = DRY_H / float(np.interp(-0.05, -left, tau))
    some = (per_tau * tau > 0.05) & (tau <= 2.0)
    run = make(lambda h: np.interp(h, per_tau * tau, left), per_tau * tau[some])
    (fit,) = fit_all([run], {"backup": BARE})
    own = run_checks(fit)[0].curve[tau[some] >= 0.75]
    falls = np.log(own[0] / own[-1]) / (2.0 - 0.75)
    assert falls == pytest.approx((np.pi / 2.0) ** 2, rel=0.1)
    np.testing.assert_allclose(own, left[some][tau[some] >= 0.75], atol=0.05)


@pytest.mark.parametrize("times", [0.1, 30.0])
def test_the_scale_of_time_does_not_matter(make: MakeRun, times: float) -> None:
    """A tenth and thirty times the usual hours, of the same masses: the same shares within some percent."""
    found = {}
    for factor in (1.0, times):
        run = slab_run(make, 4.0, 0.0, 1.7, factor)
        (fit,) = fit_all([run], {"backup": BARE})
        found[factor] = (run_checks(fit)[0].curve, own_hours(fit) / factor, forecast(fit, run, 0.05) / factor)
    usual, other = found[1.0], found[times]
    np.testing.assert_allclose(other[0], usual[0], atol=0.03)
    assert other[1] == pytest.approx(usual[1], rel=0.04)
    np.testing.assert_allclose(other[2], usual[2], rtol=0.08)
