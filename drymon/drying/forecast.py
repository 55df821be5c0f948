"""The room's next hours and days: temperature, humidity ratio and air speed as a handful of whole paths.

Temperature and humidity ratio (not relative humidity, which only mirrors temperature) are today's departure from the
same hours of earlier days, dying away with the lead, on top of those hours (Gustin, McLeod & Lomas found such simple
models good to about 0.7 K in dwellings, abstract only); without earlier days it is persistence. The forecast's own
past errors by lead give the spread; in a room's first days assumed values do, scaled by how calm it has been.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from drymon.drying import possible

Array = npt.NDArray[np.float64]

PATHS = 64
"""So many that the worst of them, cold and damp at once, weighs less than the 5 % beyond a bound."""

DAY_MIN = 1440
MEMORY_MIN = 300.0
"""Minutes over which today's departure from the usual course dies away (assumed, 3 to 6 h)."""

WEATHER_H, LEAST_LASTING = 36.0, 0.25
"""Hours over which a path's departure from the likely course dies away, and the share of it that stays: no spell of
weather lasts a fortnight, and a path that stayed damp for ever would tell that nothing dries (assumed).
"""

SPEED_HOLDS_S = 300.0
"""The air speed of now is taken to last so long, whatever earlier days did then."""

ALIKE, STILL = 0.5, 0.05
"""Two speeds are alike when their logarithms, of the speed plus so many m/s, differ by less (assumed)."""

_STEP_PLAN = ((12, 5), (12, 15), (16, 30), (18, 120), (24, 720))
STEPS_S: Array = np.concatenate([np.full(count, 60.0 * minutes) for count, minutes in _STEP_PLAN])
"""Lengths of the forecast's steps in seconds: 5 min for the first hour, widening to 12 h from the third day on; 14
days in all.
"""
ENDS_S: Array = np.cumsum(STEPS_S)
MIDDLES_S: Array = ENDS_S - 0.5 * STEPS_S

LEAST_ASSUMED = 0.04
"""Share of the assumed variance that stays however long the record: weather that it has not seen (assumed)."""


class _Assumed(NamedTuple):
    """Spread right away and after a day, and how many stretches of the record count as much as these (assumed)."""

    first: float
    later: float
    worth: float


_TEMPERATURE, _RATIO = _Assumed(0.15, 2.0, 8.0), _Assumed(0.02, 0.12, 4.0)
"""In K, and on the logarithm of the humidity ratio. The temperature's is trusted for longer: a calm day says little of
a night when the heating is off.
"""

_LEADS_MIN: Array = np.array([30.0, 60.0, 180.0, 360.0, 720.0, 1440.0])
"""Leads at which the forecast's past errors are looked at."""


@dataclass(frozen=True, slots=True)
class PastAir:
    """A rack's minutes up to now (the last entry is the newest), NaN where unknown: temperature [degC], humidity
    ratio [kg/kg], speed [m/s].
    """

    temperature: Array
    ratio: Array
    speed: Array


@dataclass(frozen=True, slots=True)
class Paths:
    """Possible futures, (steps, paths): temperature [degC], humidity ratio [kg/kg], air speed [m/s] (NaN: not
    measured).
    """

    temperature: Array
    ratio: Array
    speed: Array


@dataclass(frozen=True, slots=True)
class AirSpread:
    """Standard deviation by step: temperature [K], logarithm of the humidity ratio [-], each (steps,)."""

    temperature: Array
    ratio: Array


def spread(history: PastAir) -> AirSpread:
    """How far the forecast may be out, by lead; worth keeping for some hours, as it looks through the whole record."""
    return AirSpread(_spread(history.temperature, _TEMPERATURE), _spread(np.log(history.ratio), _RATIO))


def paths(history: PastAir, out: AirSpread) -> Paths | None:
    """The next 14 days in PATHS ways, or None where nothing is known of the last hours."""
    temperature, ratio = _course(history.temperature), _course(np.log(history.ratio))
    if temperature is None or ratio is None:
        return None
    scores, lasting = possible.normal_scores(2, PATHS), _lasting()
    warm = temperature[:, None] + out.temperature[:, None] * lasting * scores[None, :, 0]
    damp = ratio[:, None] + out.ratio[:, None] * lasting * scores[None, :, 1]
    return Paths(warm, np.exp(damp), _speeds(history.speed))


def _lasting() -> Array:
    """Share of a path's departure that is left at each step, (steps, 1): all of it on the first day."""
    days = np.floor(MIDDLES_S / 86_400.0)
    return np.asarray(np.maximum(np.exp(-24.0 * days / WEATHER_H), LEAST_LASTING)[:, None])


def _recent(series: Array, minutes: int = 15) -> float:
    known = series[-minutes:][~np.isnan(series[-minutes:])]
    if len(known) == 0:
        known = series[-720:][~np.isnan(series[-720:])][-minutes:]
    return float(known.mean()) if len(known) else float("nan")


def _daily(series: Array, shift_min: Array, days: int) -> Array:
    """Mean over earlier days of the value at now + shift, (len(shift),); half-hour means, NaN where no day has it."""
    values = np.full((days, len(shift_min)), np.nan)
    half_hours = len(series) // 30
    if half_hours == 0:
        return np.full(len(shift_min), np.nan)
    blocks = series[len(series) - 30 * half_hours :].reshape(half_hours, 30)
    counts = np.sum(~np.isnan(blocks), axis=1)
    means = np.where(counts > 0, np.nansum(blocks, axis=1) / np.maximum(counts, 1), np.nan)
    for day in range(days):
        # What lies behind must not wrap round to today itself, or it would be its own usual course.
        within = np.where(shift_min < 0, shift_min, np.mod(shift_min, DAY_MIN)) - (day + 1) * DAY_MIN
        index = half_hours + np.floor(within / 30.0).astype(int)
        usable = (index >= 0) & (index < half_hours)
        values[day, usable] = means[index[usable]]
    known = np.sum(~np.isnan(values), axis=0)
    return np.where(known > 0, np.nansum(values, axis=0) / np.maximum(known, 1), np.nan)


def _days(series: Array) -> int:
    return min(7, len(series) // DAY_MIN)


def _course(series: Array, middles_s: Array = MIDDLES_S) -> Array | None:
    """Most likely values at the middles of the steps, or None."""
    now = _recent(series)
    if np.isnan(now):
        return None
    lead_min = middles_s / 60.0
    if _days(series) == 0:
        return np.full(len(lead_min), now)
    usual = _daily(series, lead_min, _days(series))
    usual_now = _daily(series, np.array([-15.0]), _days(series))[0]
    departure = (now - usual_now) * np.exp(-lead_min / MEMORY_MIN)
    course = usual + departure
    return np.where(np.isnan(course), now, course)


def _spread(series: Array, assumed: _Assumed) -> Array:
    """Standard deviation by step: assumed at first, from the forecast's own past errors once there are some of a whole
    day ahead.
    """
    lead_h = MIDDLES_S / 3600.0
    guess = np.sqrt(assumed.first**2 + (assumed.later**2 - assumed.first**2) * (1.0 - np.exp(-lead_h / 8.0)))
    days = len(series) / DAY_MIN
    newer = range(max(DAY_MIN + 60, len(series) - 5 * DAY_MIN), len(series) - 60, 120)
    own, count = _past_errors(series, newer)
    if (count <= 5).any():
        return np.asarray(guess * _unrest(series, guess, assumed.worth))
    past = np.interp(lead_h * 60.0, _LEADS_MIN, own)
    share = max(LEAST_ASSUMED, 0.6 / days**2)
    return np.maximum(np.sqrt((1.0 - share) * past**2 + share * guess**2), assumed.first)


def _unrest(series: Array, guess: Array, worth: float) -> float:
    """How much wilder than assumed a room has been in its first hours: errors of the forecasts made since its first
    hour over the assumed ones, which count like `worth` stretches of the record that are as long as their lead.
    """
    own, count = _past_errors(series, range(60, len(series) - 30, 30))
    stretches = np.minimum(count * 30.0 / _LEADS_MIN, 4.0)
    known = count > 0
    squares = (own[known] / np.interp(_LEADS_MIN[known], MIDDLES_S / 60.0, guess)) ** 2
    return float(np.sqrt((worth + stretches[known] @ squares) / (worth + stretches.sum())))


def _past_errors(series: Array, origins: range) -> tuple[Array, Array]:
    """Root mean square errors, by lead, of the same forecast made at these minutes of the record, and how many there
    are, (leads,) each.
    """
    errors = np.full((len(origins), len(_LEADS_MIN)), np.nan)
    for row, origin in enumerate(origins):
        course = _course(series[:origin], _LEADS_MIN * 60.0)
        if course is None:
            continue
        at = origin + _LEADS_MIN.astype(int)
        usable = at < len(series)
        errors[row, usable] = series[at[usable]] - course[usable]
    count = np.sum(~np.isnan(errors), axis=0)
    return np.sqrt(np.nansum(errors**2, axis=0) / np.maximum(count, 1)), count


def _speeds(series: Array) -> Array:
    """Air speed paths: the courses that it took on those earlier days that were at this hour as today is.

    Fans go by the clock: a day that was like today so far tells when they stop. Where no day was, half the paths let
    the speed of now go on and the others take the earlier days' courses.
    """
    now = _recent(series, 10)
    steps = np.full((len(STEPS_S), PATHS), now)
    days = range(1, _days(series) + 1)
    if np.isnan(now) or not days:
        return steps
    before = {day: float(_at(series, np.array([-10.0]), day)[0]) for day in days}
    like = [day for day in days if _alike(now, before[day])]
    known = [day for day in days if not np.isnan(before[day])]
    courses = {day: _at(series, np.maximum(MIDDLES_S / 60.0, 1.0), day) for day in {*like, *known}}
    for path in range(PATHS):
        day = _day_of(path, like, known)
        if day is not None:
            past = courses[day]
            steps[:, path] = np.where(np.isnan(past) | (MIDDLES_S < SPEED_HOLDS_S), now, past)
    return steps


def _day_of(path: int, like: list[int], known: list[int]) -> int | None:
    """The earlier day whose course a path takes, None where the speed of now goes on."""
    if like:
        return like[path % len(like)]
    return known[path // 2 % len(known)] if known and path % 2 else None


def _alike(now: float, before: float) -> bool:
    return bool(abs(np.log((now + STILL) / (before + STILL))) < ALIKE)


def _at(series: Array, lead_min: Array, day: int, width: int = 10) -> Array:
    """Means over `width` minutes of what the series was at now + lead, so many days ago, (len(lead),)."""
    within = np.where(lead_min < 0.0, lead_min, np.mod(lead_min, DAY_MIN))
    start = len(series) + np.floor(within).astype(int) - day * DAY_MIN
    index = start[:, None] + np.arange(width)[None, :]
    usable = (index >= 0) & (index < len(series))
    values = np.where(usable, series[np.clip(index, 0, len(series) - 1)], np.nan)
    counts = np.sum(~np.isnan(values), axis=1)
    return np.asarray(np.where(counts > 0, np.nansum(values, axis=1) / np.maximum(counts, 1), np.nan))
