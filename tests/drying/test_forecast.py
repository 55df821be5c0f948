"""The room's forecast: what it must give for rooms whose future is known because it was made up."""

import math

import numpy as np
import pytest

from drymon.drying import air, forecast
from drymon.drying.forecast import PastAir

DAY = 1440
RATIO = 0.0082  # kg/kg, air of 22 degC and 50 %RH


def minutes(days: float) -> np.ndarray:
    return np.arange(round(days * DAY), dtype=np.float64)


def swing(minute: np.ndarray, by: float = 3.0) -> np.ndarray:
    """A day's course: warmest at three in the afternoon."""
    return 20.0 + by * np.sin(2 * math.pi * (minute - 9 * 60) / DAY)


def history(temperature: np.ndarray, ratio: float = RATIO, speed: float | np.ndarray = np.nan) -> PastAir:
    full = np.full(len(temperature), ratio) * np.where(np.isnan(temperature), np.nan, 1.0)
    return PastAir(temperature, full, np.broadcast_to(np.asarray(speed, dtype=np.float64), temperature.shape).copy())


def made(past: PastAir) -> forecast.Paths:
    ways = forecast.paths(past, forecast.spread(past))
    assert ways is not None
    return ways


def test_steps_fill_fourteen_days_and_widen() -> None:
    assert float(forecast.STEPS_S.sum()) == 14 * 86_400
    assert float(forecast.ENDS_S[-1]) == 14 * 86_400
    assert (np.diff(forecast.STEPS_S) >= 0).all()
    np.testing.assert_allclose(forecast.MIDDLES_S, forecast.ENDS_S - forecast.STEPS_S / 2)


def test_the_first_hours_of_a_room_are_expected_to_stay_as_they_are() -> None:
    """Persistence: with no earlier day the middle of the paths is what was measured last."""
    ways = made(history(np.full(120, 23.4), speed=0.8))
    np.testing.assert_allclose(np.median(ways.temperature, axis=1), 23.4, atol=0.3)
    np.testing.assert_allclose(np.median(ways.ratio, axis=1), RATIO, rtol=0.02)
    np.testing.assert_allclose(ways.speed, 0.8)


def test_the_further_ahead_the_wider_through_the_first_day() -> None:
    ways = made(history(np.full(120, 23.4)))
    width = np.ptp(ways.temperature, axis=1)
    first = forecast.MIDDLES_S < DAY * 60
    assert 0 < width[0] < 1.5
    assert width[first][-1] > 3 * width[0]
    assert (np.diff(width[first]) >= -1e-9).all()
    assert (np.ptp(np.log(ways.ratio), axis=1)[[0, -1]] > 0).all()


def test_a_calm_first_day_narrows_the_next_hours_and_a_wild_one_widens_them() -> None:
    """Ten hours of record: three kelvins and a quarter of the water up and down every three hours, or nothing."""
    minute = minutes(10 / 24)
    beat = np.sign(np.sin(2 * math.pi * minute / 360.0))
    calm = forecast.spread(history(22.0 + 0.05 * beat))
    unknown = forecast.spread(history(np.full(30, 22.0)))
    wild = forecast.spread(PastAir(22.0 + 3.0 * beat, RATIO * np.exp(0.25 * beat), np.full(len(minute), np.nan)))
    six_hours = int(np.searchsorted(forecast.ENDS_S, 6 * 3600.0))
    for one, usual, other in (
        (calm.temperature, unknown.temperature, wild.temperature),
        (calm.ratio, unknown.ratio, wild.ratio),
    ):
        assert 0.3 * usual[six_hours] < one[six_hours] < 0.9 * usual[six_hours]
        assert other[six_hours] > 1.2 * usual[six_hours]


def test_a_drift_is_held_against_what_was_assumed_so_far_ahead() -> None:
    """A fifth of a kelvin an hour is 1.2 K in six hours, where about 1.5 K were assumed: it is calmer."""
    drift = forecast.spread(history(20.0 + 0.2 * minutes(10 / 24) / 60.0))
    unknown = forecast.spread(history(np.full(30, 22.0)))
    six_hours = int(np.searchsorted(forecast.ENDS_S, 6 * 3600.0))
    assert unknown.temperature[six_hours] == pytest.approx(1.5, abs=0.1)
    assert 0.5 < drift.temperature[six_hours] / unknown.temperature[six_hours] < 1.0


def test_a_room_heard_of_for_minutes_has_the_assumed_spread() -> None:
    short, longer = (forecast.spread(history(np.full(count, 22.0))) for count in (5, 60))
    np.testing.assert_array_equal(short.temperature, longer.temperature)
    assert short.temperature[-1] == pytest.approx(2.0, rel=0.01)  # assumed, drymon's own figure
    assert short.ratio[-1] == pytest.approx(0.12, rel=0.01)


def test_paths_are_whole_courses() -> None:
    """A warm path stays a warm one: paths keep their rank through all steps, so drying adds up along each."""
    ways = made(history(np.full(120, 23.4)))
    ranks = np.argsort(np.argsort(ways.temperature, axis=1), axis=1)
    assert (ranks == ranks[0]).all()


def test_no_spell_of_weather_lasts_a_fortnight() -> None:
    """A room of 60 %RH with nothing on record but an hour: one that is very damp tomorrow is not so for ever."""
    damp = air.humidity_ratio(22.0, 60.0)
    ways = made(history(np.full(60, 22.0), ratio=float(damp)))
    humidity = air.humidity_from_ratio(ways.temperature, ways.ratio)
    day = forecast.MIDDLES_S // 86_400.0
    assert (humidity[day == 0].max(axis=0) > 80.0).mean() > 0.03
    assert (humidity[day >= 2] < 80.0).mean() > 0.97


def test_days_that_repeat_are_expected_to_repeat() -> None:
    """After four equal days the middle path follows the fifth within half a kelvin, where persistence misses by 5 K."""
    past = minutes(4.25)
    ways = made(history(swing(past)))
    ahead = len(past) + forecast.MIDDLES_S / 60.0
    first_days = forecast.MIDDLES_S < 2 * 86_400
    error = np.median(ways.temperature, axis=1) - swing(ahead)
    assert np.abs(error[first_days]).max() < 0.8
    assert np.abs(swing(past)[-1] - swing(ahead))[first_days].max() > 3.0


@pytest.mark.parametrize("days", [1.5, 2.0, 4.0])
def test_todays_departure_dies_away_within_hours(days: float) -> None:
    """Equal days, then three hours 2 K warmer: nearly all of it at once, a third after five hours, none next day."""
    past = minutes(days)
    temperature = swing(past)
    temperature[-180:] += 2.0
    departure = np.median(made(history(temperature)).temperature, axis=1) - swing(len(past) + forecast.MIDDLES_S / 60)
    lead_h = forecast.MIDDLES_S / 3600
    assert 1.6 < float(np.interp(0.25, lead_h, departure)) < 2.2
    assert 0.3 < float(np.interp(5.0, lead_h, departure)) < 1.2
    assert abs(float(np.interp(18.0, lead_h, departure))) < 0.8


def test_a_room_that_has_surprised_is_given_more_room() -> None:
    rng = np.random.default_rng(3)
    steady = swing(minutes(6.0))
    jumpy = steady + np.repeat(rng.normal(0.0, 2.0, 6 * 8), DAY // 8)
    width = [np.interp(6 * 3600.0, forecast.MIDDLES_S, np.ptp(made(history(t)).temperature, axis=1)) for t in
             (steady, jumpy)]  # fmt: skip
    assert width[1] > 1.5 * width[0]


def test_ninety_percent_bounds_hold_most_of_the_time_in_a_room_of_its_own_mind() -> None:
    """An autoregressive room (half-hour steps, memory of four hours, 1 K) that no forecast can know: the outer paths
    must cover at least three quarters of what comes six hours ahead (30 origins; nominal over 90 %)."""
    rng = np.random.default_rng(11)
    level = np.zeros(48 * 12)
    for i in range(1, len(level)):
        level[i] = 0.88 * level[i - 1] + rng.normal(0, 0.475)
    temperature = 21.0 + np.repeat(level, 30)
    inside = []
    for origin in range(5 * DAY, 11 * DAY, 290):
        ways = made(history(temperature[:origin]))
        step = int(np.searchsorted(forecast.ENDS_S, 6 * 3600.0))
        truth = temperature[origin + round(float(forecast.MIDDLES_S[step]) / 60)]
        inside.append(ways.temperature[step].min() <= truth <= ways.temperature[step].max())
    assert len(inside) >= 29
    assert np.mean(inside) >= 0.75


def test_nothing_known_gives_no_forecast() -> None:
    empty = history(np.full(300, np.nan))
    assert forecast.paths(empty, forecast.spread(empty)) is None


def test_gaps_in_the_record_are_bridged() -> None:
    temperature = swing(minutes(3.5))
    temperature[500:900] = np.nan
    temperature[-8:] = np.nan
    ways = made(history(temperature))
    assert np.isfinite(ways.temperature).all()
    assert np.isfinite(ways.ratio).all()
    assert (ways.ratio > 0).all()


def test_an_hour_that_no_earlier_day_has_on_record_is_expected_as_now() -> None:
    """One earlier day, with a hole in it where the next hours stand."""
    temperature = np.full(int(1.5 * DAY), 22.0)
    temperature[DAY // 2 + 60 : DAY // 2 + 480] = np.nan
    ways = made(history(temperature))
    np.testing.assert_allclose(np.median(ways.temperature, axis=1), 22.0, atol=0.5)


def fans_by_day(days: float) -> tuple[np.ndarray, np.ndarray]:
    """Fans on from six to eight in the evening; the record ends at two in the afternoon. Temperature and speed."""
    past = minutes(days)[:-600]
    return swing(past), np.where((past % DAY > 6 * 60) & (past % DAY < 20 * 60), 1.5, 0.05)


def test_fans_that_rested_on_earlier_nights_rest_tonight_when_today_is_like_them() -> None:
    temperature, speed = fans_by_day(3.0)
    ways = made(history(temperature, speed=speed))
    ten_hours = int(np.searchsorted(forecast.MIDDLES_S, 10 * 3600.0))
    assert set(np.round(ways.speed[0], 3)) == {1.5}
    assert set(np.round(ways.speed[ten_hours], 3)) == {0.05}


def test_fans_that_stand_where_they_never_did_may_stand_on_or_follow_earlier_days() -> None:
    temperature, speed = fans_by_day(3.0)
    speed[-120:] = 0.05
    ways = made(history(temperature, speed=speed))
    two_hours = int(np.searchsorted(forecast.MIDDLES_S, 2 * 3600.0))
    assert set(np.round(ways.speed[0], 3)) == {0.05}
    assert set(np.round(ways.speed[two_hours], 3)) == {0.05, 1.5}


def test_fans_that_went_on_ten_minutes_ago_as_they_do_each_day_are_like_them() -> None:
    """On from two o'clock on; the record ends at ten past, when ten minutes of the day tell how it is."""
    past = minutes(3.0)[: 2 * DAY + 14 * 60 + 10]
    ways = made(history(swing(past), speed=np.where((past % DAY >= 14 * 60) & (past % DAY < 20 * 60), 1.5, 0.05)))
    ten_hours = int(np.searchsorted(forecast.MIDDLES_S, 10 * 3600.0))
    assert set(np.round(ways.speed[0], 3)) == {1.5}
    assert set(np.round(ways.speed[ten_hours], 3)) == {0.05}


def test_after_a_short_silence_the_last_that_was_known_is_expected_to_stay() -> None:
    """Half an hour at 24 degC after hours at 20, then nothing for twenty minutes."""
    temperature = np.full(600, 20.0)
    temperature[550:] = 24.0
    temperature[580:] = np.nan
    ways = made(history(temperature))
    assert float(np.median(ways.temperature[0])) == pytest.approx(24.0, abs=0.2)


@pytest.mark.parametrize("length", [1, 14, 16, 29, 31, 59, 1439, 1441, 2 * 1440 + 61])
def test_records_of_every_length_are_enough(length: int) -> None:
    ways = made(history(swing(minutes(length / DAY)), speed=0.5))
    assert ways.temperature.shape == ways.ratio.shape == ways.speed.shape == (len(forecast.STEPS_S), forecast.PATHS)
    assert np.isfinite(ways.temperature).all()
