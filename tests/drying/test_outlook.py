"""When each possible coat will be dry, against the closed form of steady air and against minute-by-minute stepping."""

from itertools import pairwise

import numpy as np
import pytest

from drymon.drying import air, coat, dips, draws, ensemble, forecast, outlook, possible, surface
from drymon.drying.coat_model import DIP_PARAMETERS, PARAMETERS, CoatModel, Spread
from drymon.drying.ensemble import AirStep, PossibleCoats
from drymon.drying.forecast import Paths
from drymon.drying.outlook import FutureAir

CENTRES = dict(
    zip(
        PARAMETERS,
        (
            0.3,
            0.75,
            1.2,
            0.6,
            1.1,
            300.0,
            0.3,
            0.02,
            0.15,
            0.1,
            0.35,
            0.2,
            0.15,
            0.1,
            0.08,
            1.0,
            1.03,
            1.03,
            1.03,
            1.03,
            0.9,
            1.0,
            1.0,
        ),
        strict=True,
    )
)
MODEL = CoatModel(
    name="backup",
    family="backup",
    parameters={name: Spread(value, 0.3) for name, value in CENTRES.items()},
    dip_sd=dict.fromkeys(DIP_PARAMETERS, 0.1),
    seen={},
)


def paths(temperature_c: float, humidity_pct: float, speed: float) -> Paths:
    """A future that stays."""
    shape = (len(forecast.STEPS_S), forecast.PATHS)
    ratio = float(air.humidity_ratio(temperature_c, humidity_pct, air.STANDARD_PRESSURE_PA))
    return Paths(*(np.full(shape, value) for value in (temperature_c, ratio, speed)))


def future(temperature_c: float, humidity_pct: float, speed: float) -> FutureAir:
    return outlook.future_air(paths(temperature_c, humidity_pct, speed), air.STANDARD_PRESSURE_PA, None)


def seconds(
    coats: list[PossibleCoats], left: float, target: float, futures: list[FutureAir], which: list[int]
) -> np.ndarray:
    start = np.full((len(coats), possible.MEMBERS), left)
    return outlook.seconds_to_dry(ensemble.stacked(coats), start, np.full(len(coats), target), futures, which)


def wild(temperature_c: float, ratio: float) -> FutureAir:
    shape = (len(forecast.STEPS_S), forecast.PATHS)
    ways = Paths(np.full(shape, temperature_c), np.full(shape, ratio), np.full(shape, 1.0))
    return outlook.future_air(ways, air.STANDARD_PRESSURE_PA, None)


@pytest.mark.parametrize("ratio", [1.4, 1e9])
def test_a_path_damper_than_air_can_be_is_saturated_and_stops_nothing(ratio: float) -> None:
    assert np.abs(wild(22.0, ratio).deficit).max() < 1e-9


@pytest.mark.parametrize("temperature_c", [-90.0, 140.0])
def test_a_path_warmer_or_colder_than_a_room_can_be_stops_nothing(temperature_c: float) -> None:
    assert np.isfinite(wild(temperature_c, 0.001).deficit).all()


@pytest.mark.frozen
@pytest.mark.parametrize("shelter", ["open", "pocketed", "deep"])
@pytest.mark.parametrize("speed", [0.2, 1.0])
def test_steady_air_takes_the_closed_form_time(shelter: str, speed: float) -> None:
    """Air of 50 %RH holds the sorbed floor at nought, so the closed form is exact; the outlook's coarse steps may
    cost 8 % of a member's time and 2 % in the middle."""
    coats = dips.possible_coats(MODEL, 3, shelter)
    found = seconds([coats], 1.0, 0.05, [future(22, 50, speed)], [0])[0]
    drive = surface.air_drive(22.0, 50.0)
    h, h_m = surface.transfer_coefficients(speed)
    step = AirStep(float(drive.deficit), float(drive.saturation), 0.0,
                   float(surface.air_side_resistance(drive.slope_heat, h, h_m, 5.2)))  # fmt: skip
    expected = coat.steady_time(coats, 0.05, step)[-1]
    within = expected < 10 * 86_400
    assert within.mean() > 0.5
    ratio = found[within] / expected[within]
    assert np.abs(ratio - 1.0).max() < 0.08
    assert abs(float(np.median(ratio)) - 1.0) < 0.02


@pytest.mark.frozen
def test_a_changing_future_is_followed_like_the_past() -> None:
    """The same two days stepped minute by minute: a damp still night between two dry days."""
    coats = dips.possible_coats(MODEL, 3, "pocketed")
    ends_h = forecast.ENDS_S / 3600
    night = (ends_h > 4) & (ends_h <= 14)
    dry, damp = paths(22, 45, 1.0), paths(19, 75, 0.1)
    fields = ("temperature", "ratio", "speed")
    mixed = Paths(*(np.where(night[:, None], getattr(damp, name), getattr(dry, name)) for name in fields))
    ahead = outlook.future_air(mixed, air.STANDARD_PRESSURE_PA, None)
    found = seconds([coats], 1.0, 0.05, [ahead], [0])[0]
    left, crossed = np.ones_like(coats.water), np.full(possible.MEMBERS, np.inf)
    for minute in range(40 * 60):
        place = int(np.searchsorted(forecast.ENDS_S, 60.0 * minute, side="right"))
        names = ("deficit", "saturation", "excess", "resistance")
        left = coat.step(coats, left, AirStep(*(getattr(ahead, name)[place] for name in names)), 60.0)
        dry_now = left[-1] <= 0.05
        crossed = np.where(dry_now & np.isinf(crossed), 60.0 * (minute + 1), crossed)
    both = np.isfinite(crossed) & np.isfinite(found)
    assert both.mean() > 0.9
    apart = np.sort(np.abs(found - crossed)[both])
    assert apart[-2] < 1.5 * 3600  # one member may get there in the minute in which the night begins, or miss it
    assert np.median(apart) < 600


def test_air_that_is_too_damp_never_gets_there() -> None:
    coats = dips.possible_coats(MODEL, 3, "open")
    found = seconds([coats], 1.0, 0.01, [future(22, 97, 1.0)], [0])
    assert np.isinf(found).all()


def test_who_is_dry_is_dry_now() -> None:
    coats = dips.possible_coats(MODEL, 3, "open")
    assert (seconds([coats], 0.04, 0.05, [future(22, 90, 1.0)], [0]) == 0.0).all()


def test_better_air_never_takes_longer() -> None:
    coats = dips.possible_coats(MODEL, 3, "deep")
    times = [seconds([coats], 0.9, 0.05, [future(*weather)], [0])[0] for weather in
             ((20, 70, 0.3), (20, 60, 0.3), (20, 60, 1.0), (24, 48, 1.0))]  # fmt: skip
    for slower, quicker in pairwise(times):
        assert (quicker <= slower).all()


def test_trees_together_are_trees_one_by_one_each_in_its_own_racks_air() -> None:
    coats = [dips.possible_coats(MODEL, n, shelter) for n, shelter in ((1, "open"), (4, "deep"), (2, "open"))]
    futures = [future(22, 45, 1.0), future(20, 65, 0.2)]
    together = seconds(coats, 0.8, 0.05, futures, [0, 1, 1])
    for row, (one, rack) in enumerate(zip(coats, (0, 1, 1), strict=True)):
        np.testing.assert_array_equal(together[row], seconds([one], 0.8, 0.05, [futures[rack]], [0])[0])


def test_an_assumed_speed_gives_each_member_its_own() -> None:
    coefficients = surface.transfer_coefficients(np.linspace(0.3, 2.0, possible.MEMBERS))
    ahead = outlook.future_air(paths(22, 50, np.nan), air.STANDARD_PRESSURE_PA, coefficients)
    assert (np.diff(ahead.resistance[0]) < 0).all()
    slow, fast = future(22, 50, 0.3).resistance[0, 0], future(22, 50, 2.0).resistance[0, 0]
    assert ahead.resistance[0, 0] == pytest.approx(slow, rel=0.01)
    assert ahead.resistance[0, -1] == pytest.approx(fast, rel=0.01)


@pytest.mark.parametrize("temperature_c", [12.0, 22.0, 33.0])
@pytest.mark.parametrize("altitude_m", [0.0, 1800.0])
def test_the_table_of_speeds_is_the_correlation_within_two_percent(temperature_c: float, altitude_m: float) -> None:
    speeds = np.linspace(0.05, 6.0, 61)
    pressure = float(air.standard_pressure(altitude_m))
    ratio = float(air.humidity_ratio(temperature_c, 50.0, pressure))
    shape = (61, forecast.PATHS)
    ways = Paths(
        np.full(shape, temperature_c), np.full(shape, ratio), np.repeat(speeds[:, None], forecast.PATHS, axis=1)
    )
    found = outlook.future_air(ways, pressure, None).resistance[:, 0]
    drive = surface.air_drive(temperature_c, 50.0, pressure)
    h, h_m = surface.transfer_coefficients(speeds, temperature_c, pressure)
    radiation = surface.radiative_coefficient(temperature_c)
    expected = surface.air_side_resistance(drive.slope_heat, np.asarray(h), np.asarray(h_m), radiation)
    np.testing.assert_allclose(found, expected, rtol=0.02)


def test_a_cooling_night_that_reaches_fog_stops_drying_but_breaks_nothing() -> None:
    shape = (len(forecast.STEPS_S), forecast.PATHS)
    ways = Paths(np.full(shape, 8.0), np.full(shape, 0.0099), np.full(shape, 0.5))
    ahead = outlook.future_air(ways, air.STANDARD_PRESSURE_PA, None)
    assert (ahead.deficit == 0.0).all()
    coats = dips.possible_coats(MODEL, 2, "open")
    assert np.isinf(seconds([coats], 0.9, 0.05, [ahead], [0])).all()


def test_no_parameter_of_the_members_goes_with_the_weather_of_their_paths() -> None:
    path = outlook.path_of_member()
    np.testing.assert_array_equal(np.bincount(path), possible.MEMBERS // forecast.PATHS)
    weather = possible.normal_scores(2, forecast.PATHS)[path]
    members = possible.normal_scores(draws.DIMENSIONS)
    together = np.corrcoef(np.column_stack([members, weather]), rowvar=False)[-2:, :-2]
    assert np.abs(together).max() < 0.15
