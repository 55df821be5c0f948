"""What the forecast assumes, seen in rooms so plain that each figure stands alone in what is foretold.

The figures are drymon's own assumptions (`forecast` says of each that it is assumed), the outcomes follow by hand.
"""

import numpy as np
import pytest

from drymon.drying import air, forecast, outlook, possible
from drymon.drying.forecast import PastAir, Paths

DAY = 1440
RATIO = 0.0082
LEAD_H = forecast.MIDDLES_S / 3600.0


def history(temperature: np.ndarray, speed: np.ndarray | float = np.nan) -> PastAir:
    ratio = np.where(np.isnan(temperature), np.nan, RATIO)
    return PastAir(temperature, ratio, np.broadcast_to(np.asarray(speed, dtype=float), temperature.shape).copy())


def course(temperature: np.ndarray) -> np.ndarray:
    """The middle of the paths of temperature, by step."""
    past = history(temperature)
    ways = forecast.paths(past, forecast.spread(past))
    assert ways is not None
    return np.asarray(np.median(ways.temperature, axis=1))


def speeds(speed: np.ndarray) -> np.ndarray:
    past = history(np.full(len(speed), 22.0), speed)
    ways = forecast.paths(past, forecast.spread(past))
    assert ways is not None
    return ways.speed


def test_the_plan_of_steps_is_that_of_the_page() -> None:
    """Five minutes for an hour, a quarter of an hour to the fourth, half an hour to the twelfth, two hours to the end
    of the second day, half a day to the fortnight's."""
    ends_h = forecast.ENDS_S / 3600.0
    minutes = forecast.STEPS_S / 60.0
    for until, length in ((1.0, 5.0), (4.0, 15.0), (12.0, 30.0), (48.0, 120.0), (336.0, 720.0)):
        place = int(np.searchsorted(ends_h, until))
        assert ends_h[place] == until
        assert minutes[place] == length
        assert (minutes[place + 1 : place + 2] > length).all()


def test_a_departure_fades_to_its_e_th_part_in_five_hours() -> None:
    """Three days at 20 degC, the last quarter of an hour at 22: 2 K now, 2 / e in five hours, 2 / e2 in ten."""
    temperature = np.full(3 * DAY, 20.0)
    temperature[-15:] = 22.0
    departure = course(temperature) - 20.0
    for lead_h, left in ((0.2, 2.0 * np.exp(-0.04)), (5.0, 0.7358), (10.0, 0.2707)):
        assert float(np.interp(lead_h, LEAD_H, departure)) == pytest.approx(left, rel=0.02)


def test_now_is_the_mean_of_a_quarter_of_an_hour() -> None:
    for minutes, mean in ((15, 22.0), (30, 22.0), (5, 20.0 + 2.0 / 3.0)):
        temperature = np.full(120, 20.0)
        temperature[-minutes:] = 22.0
        assert course(temperature)[0] == pytest.approx(mean, abs=0.01)


def test_after_half_a_day_of_silence_nothing_is_foretold() -> None:
    """Within it the last quarter of an hour that was known counts, and no older one."""
    for silent, known in ((700, True), (719, True), (720, False)):
        temperature = np.full(1000, 20.0)
        temperature[-silent - 15 : -silent] = 24.0
        temperature[-silent:] = np.nan
        past = history(temperature)
        ways = forecast.paths(past, forecast.spread(past))
        assert (ways is not None) is known
        if ways is not None and silent < 705:
            assert float(np.median(ways.temperature[0])) == pytest.approx(24.0, abs=0.01)


@pytest.mark.parametrize(("days_ago", "counts"), [(1, True), (7, True), (8, False)])
def test_the_usual_course_is_that_of_a_week(days_ago: int, counts: bool) -> None:
    """One day of the ten was 7 K warmer: a seventh of it, one kelvin, is expected a day ahead, or nothing."""
    temperature = np.full(10 * DAY, 20.0)
    temperature[len(temperature) - days_ago * DAY : len(temperature) - (days_ago - 1) * DAY] += 7.0
    expected = float(np.interp(40.0, LEAD_H, course(temperature)))
    assert expected == pytest.approx(21.0 if counts else 20.0, abs=0.05)


def test_a_whole_day_on_record_makes_a_usual_course_and_less_makes_none() -> None:
    """The day before was warmer at the hour that comes: with a day and a quarter on record that is expected again."""
    for days, expected in ((1.25, 26.0), (0.99, 20.0)):
        temperature = np.full(round(days * DAY), 20.0)
        ago = len(temperature) - DAY
        temperature[max(ago, 0) + 480 : max(ago, 0) + 720] = 26.0
        assert float(np.interp(10.0, LEAD_H, course(temperature))) == pytest.approx(expected, abs=0.3)


def test_spread_grows_as_is_assumed() -> None:
    """0.15 K and 2 % at once, 2 K and 12 % after a day, two thirds of the way (in the square) after eight hours."""
    out = forecast.spread(history(np.full(30, 22.0)))
    assert out.temperature[0] == pytest.approx(0.15, rel=0.5)
    assert out.ratio[0] == pytest.approx(0.02, rel=0.5)
    assert float(np.interp(8.0, LEAD_H, out.temperature)) == pytest.approx(1.593, rel=0.01)
    assert float(np.interp(8.0, LEAD_H, out.ratio)) == pytest.approx(0.0960, rel=0.01)
    assert (out.temperature[-1], out.ratio[-1]) == pytest.approx((2.0, 0.12), rel=0.001)


def test_a_room_without_any_surprise_keeps_a_fifth_of_what_was_assumed() -> None:
    """Ten days that do not move: 4 % of the variance stays, for weather that the room has not seen."""
    out = forecast.spread(history(np.full(10 * DAY, 22.0)))
    assert (out.temperature[-1], out.ratio[-1]) == pytest.approx((0.4, 0.024), rel=0.01)
    assert out.temperature[0] == pytest.approx(0.15, rel=0.01)


@pytest.mark.frozen
def test_how_fast_a_room_is_believed() -> None:
    """Drymon's own figures: after ten hours and after three days that do not move, and of a room in hourly leaps."""
    calm, settled = (forecast.spread(history(np.full(length, 22.0))).temperature for length in (600, 3 * DAY))
    assert float(np.interp(6.0, LEAD_H, calm)) == pytest.approx(0.957, rel=0.01)
    assert settled[-1] == pytest.approx(0.516, rel=0.01)
    leaps = 22.0 + 4.0 * np.sign(np.sin(2.0 * np.pi * (np.arange(600) + 30.5) / 120.0))
    assert float(np.interp(6.0, LEAD_H, forecast.spread(history(leaps)).temperature)) == pytest.approx(12.21, rel=0.01)


@pytest.mark.parametrize(
    ("lead_h", "stays"), [(12.0, 1.0), (36.0, 0.5134), (60.0, 0.2636), (84.0, 0.25), (300.0, 0.25)]
)
def test_a_spell_of_weather_fades_day_by_day_to_a_quarter(lead_h: float, stays: float) -> None:
    """All of it on the first day, then e^(-2/3) from day to day (0.5134, 0.2636), a quarter at the least."""
    past = history(np.full(60, 22.0))
    out = forecast.spread(past)
    ways = forecast.paths(past, out)
    assert ways is not None
    place = int(np.argmin(np.abs(LEAD_H - lead_h)))
    widest = np.ptp(ways.temperature[place]) / np.ptp(possible.normal_scores(2, forecast.PATHS)[:, 0])
    assert widest / out.temperature[place] == pytest.approx(stays, rel=0.01)


def before_and_now(before: float, now: float) -> np.ndarray:
    """Three days: this speed up to now, and on the days before at this hour that one; 3 m/s in the hours to come."""
    speed = np.full(3 * DAY, before)
    speed[-300:] = now
    for day in (1, 2):
        speed[len(speed) - day * DAY + 5 : len(speed) - day * DAY + 600] = 3.0
    return speed


@pytest.mark.parametrize(
    ("before", "now", "alike"),
    [
        # logarithms of the speed plus 0.05 m/s part by half where 1 m/s meets 0.587 m/s, and nought meets 0.0324
        (0.60, 1.0, True),
        (0.57, 1.0, False),
        (1.0, 0.60, True),
        (1.0, 0.57, False),
        (0.0, 0.030, True),
        (0.0, 0.035, False),
    ],
)
def test_which_speeds_are_alike(before: float, now: float, alike: bool) -> None:
    """Where an earlier day was alike all paths take its course, else half of them let the speed of now go on."""
    later = speeds(before_and_now(before, now))[int(np.searchsorted(LEAD_H, 3.0))]
    assert np.mean(np.abs(later - 3.0) < 0.01) == (1.0 if alike else 0.5)
    assert np.mean(np.abs(later - now) < 1e-9) == (0.0 if alike else 0.5)


def test_the_speed_of_now_holds_for_five_minutes() -> None:
    """Fans that stopped at this minute on both days before still blow in the first step, and not in the second."""
    speed = np.full(3 * DAY, 1.5)
    for day in (1, 2):
        speed[len(speed) - day * DAY : len(speed) - day * DAY + 300] = 0.05
    found = speeds(speed)
    assert (found[0] == 1.5).all()
    np.testing.assert_allclose(found[1], 0.05)


def test_a_course_of_speeds_is_read_off_ten_minutes_at_a_time() -> None:
    """A gust of ten minutes the day before, an hour from now: half of it in each of two quarters of an hour."""
    speed = np.full(2 * DAY, 1.0)
    start = len(speed) - DAY + 60
    speed[start : start + 10] = 1.5
    found = speeds(speed)[:, 0]
    minutes = forecast.MIDDLES_S / 60.0
    hit = (found > 1.0 + 1e-9) & (minutes < DAY)
    assert np.count_nonzero(hit) == 3
    assert (np.abs(minutes[hit] - 60.0) < 10.0).all()
    assert found[hit] == pytest.approx([1.0 + 0.05 * max(10 - abs(int(m) - 60), 0) for m in minutes[hit]])


def test_every_path_is_taken_by_as_many_members() -> None:
    """Of 256 members four take each of 64 paths: what a bound of 5 % means is the same of weather and coats."""
    shape = (len(forecast.STEPS_S), forecast.PATHS)
    warm = np.broadcast_to(np.linspace(15.0, 25.0, forecast.PATHS), shape)
    ways = Paths(warm, np.full(shape, 0.006), np.full(shape, 0.5))
    _, counts = np.unique(outlook.future_air(ways, air.STANDARD_PRESSURE_PA, None).saturation[0], return_counts=True)
    assert counts.tolist() == [4] * 64
