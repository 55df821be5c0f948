"""Roll-ups against pandas, which groups the same readings its own way; and what is cleared away, and what never is."""

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.messages.settings import Where
from drymon.shop.facts.events import Leave
from drymon.shop.facts.outcome import State
from drymon.shop.facts.reading import Reading
from drymon.store import Bucket, Channel, Store
from drymon.store.record import REDELIVERY_MEMORY

T0 = datetime(2031, 3, 3, 6, tzinfo=UTC)
TEMPERATURE = Channel("rack-a", "temperature")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FAR = T0 + timedelta(days=2)


def expected(readings: list[tuple[float, float]], step: timedelta) -> list[tuple[datetime, float, float, float, int]]:
    frame = pd.Series([v for _, v in readings], pd.DatetimeIndex([T0 + timedelta(seconds=s) for s, _ in readings]))
    table = frame.sort_index().resample(step, origin="epoch").agg(["min", "mean", "max", "count"])
    rows = table[table["count"] > 0].itertuples()
    return [(row[0].to_pydatetime(), row[1], row[2], row[3], row[4]) for row in rows]


def agree(buckets: list[Bucket], readings: list[tuple[float, float]], step: timedelta) -> bool:
    wanted = expected(readings, step)
    got = [(b.start, b.low, b.mean, b.high, b.count) for b in buckets]
    return len(got) == len(wanted) and all(
        g[0] == w[0] and g[1] == w[1] and math.isclose(g[2], w[2], abs_tol=1e-9) and g[3:] == w[3:]
        for g, w in zip(got, wanted, strict=True)
    )


def feed(store: Store, readings: list[tuple[float, float]]) -> None:
    with store.transaction():
        for second, value in readings:
            when = T0 + timedelta(seconds=second)
            item = Reading(when, when, "rack-a", Quantity.TEMPERATURE, value)
            store.record(Message(when, "drymon/shop/rack-a/temperature", b"1"), [item])


points = st.lists(st.tuples(st.integers(0, 4 * 3600), st.floats(-10, 50)), max_size=40)
STEPS = [timedelta(seconds=20), timedelta(minutes=1), timedelta(minutes=15), timedelta(hours=1), timedelta(days=1)]


@settings(max_examples=15, deadline=None)
@given(points, points, st.integers(0, 4 * 3600))
def test_series_is_the_same_however_much_is_rolled_up(
    engine: str,
    anew: Callable[[str], Where],
    early: list[tuple[float, float]],
    late: list[tuple[float, float]],
    rolled_at: int,
) -> None:
    with Store.open(anew(engine)) as store:
        feed(store, early)
        store.roll_up(T0 + timedelta(seconds=rolled_at))
        feed(store, late)  # late ones fall into buckets that are rolled up already
        for end in (None, FAR):
            if end is not None:
                store.roll_up(end)
                store.roll_up(end)
            for step in STEPS:
                assert agree(list(store.series(TEMPERATURE, T0, FAR, step)), [*early, *late], step)


def test_doubted_and_retained_readings_are_in_no_roll_up(store: Store, make: SimpleNamespace) -> None:
    good = [(60.0 * minute, 20.0 + minute) for minute in range(0, 180, 2)]
    bad = [(60.0 * minute, 999.0) for minute in range(61, 120, 2)]
    feed(store, sorted(good + bad))
    store.record(make.message(7000, retain=True), [make.reading(7000, -999.0, retained=True)])
    for rolled in (False, True, True):
        if rolled:
            store.roll_up(FAR)
        # Bit by bit, as a stuck sensor's span grows; before the roll-up, and after.
        for second, _ in bad:
            store.flag_readings(TEMPERATURE, make.at(second), make.at(second), "out-of-range")
        for step in STEPS:
            assert agree(list(store.series(TEMPERATURE, T0, FAR, step)), good, step)


def test_doubts_after_the_roll_up_take_readings_out_of_it(store: Store, make: SimpleNamespace) -> None:
    points = [(30.0 * n, 20.0) for n in range(600)]
    feed(store, points)
    store.roll_up(FAR)
    for second in range(3000, 9001, 30):
        store.flag_readings(TEMPERATURE, make.at(3000), make.at(second), "stuck")
    left = [(s, v) for s, v in points if not 3000 <= s <= 9000]
    for step in STEPS:
        assert agree(list(store.series(TEMPERATURE, T0, FAR, step)), left, step)
    assert len(list(store.doubts())) == 1


def test_series_of_a_part_and_of_nothing(store: Store, make: SimpleNamespace) -> None:
    feed(store, [(second, 20.0) for second in range(0, 7200, 60)])
    store.roll_up(FAR)
    starts = [b.start for b in store.series(TEMPERATURE, make.at(600), make.at(1200), timedelta(minutes=5))]
    assert starts == [make.at(600), make.at(900)]
    assert list(store.series(Channel("rack-z", "temperature"), T0, FAR, timedelta(hours=1))) == []
    with pytest.raises(ValueError, match="positive"):
        list(store.series(TEMPERATURE, T0, FAR, timedelta(0)))


def test_the_minute_that_still_runs_is_not_written_yet(store: Store, make: SimpleNamespace) -> None:
    feed(store, [(0, 20.0), (30, 21.0), (61, 22.0)])
    store.roll_up(make.at(65))
    assert store._row("SELECT count(*) FROM minute") == (1,)
    assert [b.count for b in store.series(TEMPERATURE, T0, FAR, timedelta(minutes=1))] == [2, 1]


def test_what_is_old_goes_and_what_is_for_ever_stays(store: Store, make: SimpleNamespace) -> None:
    day = 86_400
    with store.transaction():
        for n in range(200):  # one reading, one message, one repeated verdict a day; a change of state every tenth
            store.record(make.message(n * day), [make.reading(n * day, float(n))])
            state = State.READY if n % 20 >= 10 else State.DRYING
            store.add_outcomes([make.verdict(n * day, state=state)])
    now = make.at(199.5 * day)
    store.record(make.message(199.5 * day), [Leave(time=make.at(0), arrived=make.at(0), tree="t-1")])
    newest = [(now - EPOCH) // timedelta(microseconds=1), 1, b"1", 0]
    insert = "INSERT INTO message (arrived, topic, payload, flags) VALUES (?, ?, ?, ?)"
    store._db.execute_many(insert, [newest] * REDELIVERY_MEMORY)
    for key, second in (("delivered long ago", 0), ("never delivered", 0), ("delivered just now", 199 * day)):
        store.queue_notice(make.at(second), "mail", {}, key)
    for notice in store.notices():
        if notice.key.startswith("delivered"):
            store.notice_delivered(notice.id, notice.created)
    store.flag_readings(TEMPERATURE, make.at(0), make.at(0), "stuck")
    store.flag_readings(TEMPERATURE, make.at(199 * day), make.at(199 * day), "too-fast")
    calls = 1
    while store.tidy(now, chunk=20):
        calls += 1
    assert calls > 5
    assert [r.value for r in store.readings()] == [float(n) for n in range(110, 200)]
    assert [m.arrived for m in store.messages()][:31] == [make.at(n * day) for n in (*range(170, 200), 199.5)]
    history = list(store.verdict_history())
    assert [v.time for v in history if v.time < make.at(109 * day)] == [make.at(n * day) for n in range(0, 109, 10)]
    assert sum(v.time >= make.at(110 * day) for v in history) == 90
    assert [notice.key for notice in store.notices(waiting=False)] == ["never delivered", "delivered just now"]
    assert ([doubt.code for doubt in store.doubts()], len(list(store.events()))) == (["too-fast"], 1)
    days = list(store.series(TEMPERATURE, make.at(0), now, timedelta(days=1)))
    assert [b.mean for b in days] == [float(n) for n in range(1, 199)]


def test_the_newest_messages_stay_so_that_a_redelivery_is_known_after_a_long_rest(
    store: Store, make: SimpleNamespace, reopened: Callable[[], Store]
) -> None:
    """What was not acknowledged before the shop was shut for months is sent again when it opens."""
    store.record(make.message(0, qos=1, mid=7), [make.reading(0)])
    later = 200 * 86_400
    for day in (199, 200):  # the clock is believed when something has come
        store.record(make.message(day * 86_400, topic="drymon/shop/log/look"), [])
    while store.tidy(make.at(later)):
        pass
    with reopened() as again:
        assert again.record(make.message(later, qos=1, mid=7, dup=True), [make.reading(later)]) == []


def test_one_call_ages_by_a_day_at_most_and_never_beyond_what_has_come(store: Store, make: SimpleNamespace) -> None:
    """A clock that says another year for an hour does not cost the record."""
    feed(store, [(0, 20.0), (60, 21.0)])
    far = make.at(3650 * 86_400)
    for _ in range(3):
        assert not store.tidy(far)  # nothing has come that is younger
    feed(store, [(3650 * 86_400, 30.0), (3650 * 86_400 + 60, 30.0)])
    for _ in range(90):
        assert store.tidy(far + timedelta(minutes=5))
    assert len(list(store.readings())) == 4
    store.tidy(far + timedelta(minutes=5))
    store.tidy(far + timedelta(minutes=5))
    assert len(list(store.readings())) == 2


def test_years_of_kept_changes_are_looked_at_once(store: Store, make: SimpleNamespace) -> None:
    """Each step takes a part of the verdicts on; those between which nothing went do not hold up the rest."""
    with store.transaction():
        for n in range(40):
            state = State.READY if n % 2 and n < 30 else State.DRYING
            store.add_outcomes([make.verdict(n * 86_400, state=state)])
    store.record(make.message(125 * 86_400), [])
    while store.tidy(make.at(125 * 86_400), chunk=4):
        pass
    left = [(verdict.time - T0).days for verdict in store.verdict_history()]
    assert left == [*range(31), *range(35, 40)]


def test_numbers_go_on_after_everything_was_cleared(store: Store, make: SimpleNamespace) -> None:
    feed(store, [(0, 20.0), (1, 21.0)])
    later = 200 * 86_400
    while store.tidy(make.at(later - 1)):
        pass
    feed(store, [(later, 30.0)])
    store.roll_up(make.at(later + 600))
    (bucket,) = store.series(TEMPERATURE, make.at(later - 60), make.at(later + 60), timedelta(minutes=1))
    assert (bucket.mean, bucket.count) == (30.0, 1)
    assert store._row("SELECT count(*) FROM minute WHERE low = 30.0") == (1,)


@pytest.mark.parametrize("minutes", [1, 5, 60, 90, 1440])
def test_whole_minutes_outlive_their_readings(store: Store, make: SimpleNamespace, minutes: int) -> None:
    """Cleared away after 90 days; what was rolled up of them is read in any step of whole minutes."""
    points = [(60.0 * minute, 20.0 + minute % 7) for minute in range(1440)]
    feed(store, points)
    feed(store, [(100 * 86_400, 99.0)])  # the last one always stays
    while store.tidy(make.at(100 * 86_400 + 60)):
        pass
    assert [reading.value for reading in store.readings()] == [99.0]
    step = timedelta(minutes=minutes)
    assert agree(list(store.series(TEMPERATURE, T0, FAR, step)), points, step)
    assert list(store.series(TEMPERATURE, T0, FAR, timedelta(seconds=90))) == []
