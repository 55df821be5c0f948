"""A sensor's minutes and their doubts, sensor by sensor; limits are the table in `drying.quantities`."""

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon.drying.quantities import LIMITS, Quantity
from drymon.shop.air.digits import NOTHING, Around
from drymon.shop.air.sensors import MinuteSeries, Track, minute_of
from drymon.shop.facts.grades import coarsest, skipped
from tests.shop.invented_shop import BEGIN, reading

T, RH, SPEED = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW
START = minute_of(BEGIN)


def track(
    quantity: Quantity, values: Sequence[float], partner: Sequence[float] | None = None, every_s: int = 60
) -> Track:
    """A track that has heard these values, one each `every_s`."""
    heard = Track("room", quantity, "")
    for i, value in enumerate(values):
        stamp = BEGIN + timedelta(seconds=every_s * i)
        around = NOTHING if partner is None else Around(partner[i])
        heard.admit(reading(stamp, quantity, value), lambda around=around: around)  # type: ignore[misc]
    return heard


@given(st.lists(st.floats(20.0, 24.0), min_size=1, max_size=30), st.randoms())
def test_a_minutes_value_is_the_mean_in_whatever_order(values: list[float], dice: object) -> None:
    stamps = [BEGIN + timedelta(seconds=59.0 * i / len(values)) for i in range(len(values))]
    pairs = list(zip(stamps, values, strict=True))
    dice.shuffle(pairs)  # type: ignore[attr-defined]
    heard = Track("room", T, "")
    for stamp, value in pairs:
        heard.admit(reading(stamp, T, value), lambda: NOTHING)
    assert heard.minutes.get(START) == pytest.approx(np.mean(values), rel=1e-12)


@pytest.mark.parametrize("quantity", list(Quantity))
def test_the_edges_of_what_is_possible(quantity: Quantity) -> None:
    limits = LIMITS[quantity]
    inside, outside = (limits.low, limits.high), (limits.low - 0.01, limits.high + 0.01)
    for value, state in [*((v, "ok") for v in inside), *((v, "out-of-range") for v in outside)]:
        heard = track(quantity, [value])
        assert heard.state == state
        assert np.isnan(heard.minutes.get(START)) == (state != "ok")


@pytest.mark.parametrize(("quantity", "per_minute"), [(T, 5.0), (RH, 25.0)])
def test_too_fast_counts_from_the_last_trusted_reading(quantity: Quantity, per_minute: float) -> None:
    low = 20.0
    assert track(quantity, [low, low + per_minute]).state == "ok"
    assert track(quantity, [low, low + per_minute + 0.1]).state == "too-fast"
    assert track(quantity, [low, low + 2 * per_minute + 0.1, low + 0.1]).state == "ok"  # a single spike
    assert track(quantity, [low, low + 1.9 * per_minute, low + 1.9 * per_minute]).state == "ok"  # it may have been true


def test_stuck_humidity_needs_time_and_a_partner_that_moves() -> None:
    moving = [20.0 + i * 0.05 for i in range(90)]
    assert track(RH, [45.0] * 45, moving[:45]).state == "ok"
    assert track(RH, [45.0] * 90, moving).state == "stuck"
    assert track(RH, [45.0] * 90, [20.0] * 90).state == "ok"
    assert track(RH, [45.0] * 90, None).state == "ok"
    assert track(RH, [45.0 + 0.1 * (i % 2) for i in range(90)], moving).state == "ok"


def test_stuck_from_the_first_of_the_digits_on() -> None:
    moving = [20.0 + i * 0.05 for i in range(100)]
    heard = track(RH, [44.0 + i / 10 for i in range(10)] + [45.0] * 90, moving)
    window = heard.minutes.window(START, START + 100)
    assert not np.isnan(window[:10]).any()
    assert np.isnan(window[10:]).all()


@pytest.mark.parametrize(("value", "state"), [(0.0, "ok"), (0.8, "stuck")])
def test_airflow_rests_at_nought_honestly_and_nowhere_else(value: float, state: str) -> None:
    lively = [0.5, 0.6, 0.7, 0.55, 0.62, 0.71, 0.66]
    assert track(SPEED, lively + [value] * 90).state == state


def test_a_late_reading_is_no_new_word() -> None:
    heard = track(T, [20.0, 21.0, 22.0])
    heard.admit(reading(BEGIN - timedelta(minutes=5), T, 19.0), lambda: NOTHING)
    assert heard.last is not None
    assert heard.last.value == 22.0
    assert heard.minutes.get(START - 5) == 19.0


# Minutes kept


@given(st.lists(st.tuples(st.integers(-3000, 5000), st.floats(-5, 5)), min_size=1, max_size=40))
def test_minutes_are_kept_as_in_a_dictionary(writes: list[tuple[int, float]]) -> None:
    series, book = MinuteSeries(), dict[int, float]()
    for minute, value in writes:
        series.set(START + minute, value)
        book[START + minute] = value
    for minute in {START + m + d for m, _ in writes for d in (-1, 0, 1)}:
        found = series.get(minute)
        np.testing.assert_equal(found, book.get(minute, np.nan))
    low, high = min(book) - 3, max(book) + 3
    window = series.window(low, high)
    assert {low + i: v for i, v in enumerate(window) if not np.isnan(v)} == book


def test_the_newest_value_within_reach() -> None:
    series = MinuteSeries()
    series.set(100, 1.0)
    series.set(103, 2.0)
    assert series.latest(105, 10) == (2.0, 103)
    assert series.latest(102, 3) == (1.0, 100)
    assert series.latest(113, 10)[1] == -1
    assert series.latest(112, 10) == (2.0, 103)
    series.forget(103, 104)
    assert series.latest(105, 10) == (1.0, 100)


def test_a_month_of_minutes_is_kept_and_no_more() -> None:
    series = MinuteSeries()
    for day in range(70):
        series.set(START + 1440 * day, float(day))
    assert series.get(START + 1440 * 69) == 69.0
    assert series.get(START + 1440 * (69 - 30)) == 39.0
    assert len(series.held) < 40 * 1440


# Grades of stucco, by ASTM E11 openings (80: 180 um, 50: 300, 30: 600, 20: 850, 10: 2000)


@pytest.mark.parametrize(
    ("before", "mesh", "skips"),
    [
        ((80, 120), (50, 80), False),
        ((50, 80), (30, 50), False),
        ((80, 120), (30, 50), True),
        ((80, 120), (10, 20), True),
        ((30, 50), (80, 120), False),
        ((80, 120), (), False),
        ((80, 120), None, False),
        ((), (10, 20), False),
    ],
)
def test_no_grade_is_skipped(before: tuple[int, ...], mesh: tuple[int, ...] | None, skips: bool) -> None:
    """Common practice, no source: each next stucco begins about where the last one ends, never a whole grade above."""
    assert (skipped(coarsest(before), mesh) is not None) is skips
