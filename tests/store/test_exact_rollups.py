"""Roll-ups after any order, lateness and repetition of readings, and after those were cleared away, against one plain
pass over the distinct readings in exact fractions.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.messages.settings import Keep, Where
from drymon.shop.facts.reading import Reading
from drymon.shop.facts.sensor_state import SensorState
from drymon.store import Channel, Store
from drymon.store.buckets import Heap

T0 = datetime(2031, 3, 3, 6, tzinfo=UTC)
DAY, HOUR, MINUTE = timedelta(days=1), timedelta(hours=1), timedelta(minutes=1)
TOPIC = "drymon/shop/rack-a/temperature"
OFFSETS = (timedelta(0), timedelta(seconds=59.5), MINUTE, HOUR, 33 * DAY)
TIMES = [T0 + offset for offset in OFFSETS]
"""Of what sensors say with a time: minutes and hours that they share."""
VALUES = [0.1, 1e16, -1e16, 5e-324]
"""Some that lose one another when they are added as floating-point numbers."""
LATE = timedelta(days=31)

said = st.tuples(
    st.sampled_from(["numbered", "timed", "retained", "retained-numbered"]),
    st.sampled_from(range(len(TIMES))),
    st.sampled_from(VALUES),
)
untimed = st.tuples(st.sampled_from(["untimed", "redelivered"]), st.just(0), st.sampled_from(VALUES))
done = st.tuples(st.sampled_from(["roll", "tidy", "open again"]), st.sampled_from([0, 1, 33]), st.just(0.0))
KEEP = [Keep(), Keep(readings_days=32, minutes_days=32, hours_days=60, messages_days=1)]


@dataclass
class Shop:
    """A store, and beside it the distinct readings by the rule of the interface."""

    where: Where
    keep: Keep
    store: Store
    now: datetime = T0 + HOUR
    cleared_to: datetime = T0 - 1000 * DAY
    distinct: dict[object, tuple[datetime, float]] = field(default_factory=dict)
    mid: int = 0

    def live(self, kind: str, which: int, value: float) -> None:
        """Something happens, and a second passes."""
        self.now += timedelta(seconds=1)
        match kind:
            case "roll":
                self.store.roll_up(self.now)
            case "open again":
                self.store.close()
                self.store = Store.open(self.where)
            case "tidy":
                self.tidy(which)
            case "untimed" | "redelivered":
                self.untimed(value, again=kind == "redelivered")
            case _:
                self.timed(kind, TIMES[which], which, value)

    def tidy(self, days: int) -> None:
        self.now += days * DAY
        self.store.record(Message(self.now, TOPIC, b"?"), [])
        while self.store.tidy(self.now, self.keep, chunk=3):
            pass
        self.cleared_to = self.bound(self.keep.readings_days)

    def bound(self, days: int) -> datetime:
        return self.now.replace(minute=0, second=0, microsecond=0) - days * DAY

    def untimed(self, value: float, *, again: bool) -> None:
        """again: the broker has not seen the receipt, and sends the message once more."""
        self.mid += 1
        for dup in (False, True) if again else (False,):
            reading = Reading(self.now, self.now, "rack-a", Quantity.TEMPERATURE, value)
            self.store.record(Message(self.now, TOPIC, repr(value).encode(), qos=1, mid=self.mid, dup=dup), [reading])
        self.distinct["untimed", self.mid] = (self.now, value)

    def timed(self, kind: str, time: datetime, which: int, value: float) -> None:
        numbered, retained = "numbered" in kind, kind.startswith("retained")
        if retained and time < self.now - LATE:
            return  # what nobody can send: it is refused at the door
        number = {"device": "node", "boot": "b", "seq": which * len(VALUES) + VALUES.index(value)} if numbered else {}
        reading = Reading(
            time, self.now, "rack-a", Quantity.TEMPERATURE, value, timed=True, retained=retained, **number
        )
        self.mid += 1
        kept = self.store.record(Message(self.now, TOPIC, b"{}", qos=1, mid=self.mid), [reading])
        key = (time, value, numbered)
        if numbered or time >= self.cleared_to:
            self.distinct[key] = (time, value)
        elif key not in self.distinct:
            assert not kept, "what may be a repeat is not taken for news"


def plain_pass(readings: list[tuple[datetime, float]], step: timedelta, since: datetime) -> list[tuple[object, ...]]:
    found: dict[int, list[float]] = {}
    for time, value in readings:
        found.setdefault((time - datetime(1970, 1, 1, tzinfo=UTC)) // step, []).append(value)
    rows = [(start * (step // timedelta(microseconds=1)), values) for start, values in sorted(found.items())]
    first = (since - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    return [
        (start, min(values), float(sum(map(Fraction, values)) / len(values)), max(values), len(values))
        for start, values in rows
        if start >= first
    ]


def told(heaps: Sequence[Heap]) -> Heap:
    """All of them as one, by way of the rows that they are kept as."""
    whole, *others = (Heap.of_row(*heap.row()) for heap in heaps)
    for other in others:
        whole.add(other)
        whole = Heap.of_row(*whole.row())
    return whole


any_values = st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=8)


@given(st.lists(any_values, min_size=1, max_size=4))
def test_a_sum_that_is_told_in_parts_is_exact(parts: list[list[float]]) -> None:
    values = [value for part in parts for value in part]
    low, mean, high, count, _ = told([Heap.of(part) for part in parts]).row()
    assert (low, high, count) == (min(values), max(values), len(values))
    assert mean == float(sum(map(Fraction, values)) / len(values))
    assert told([Heap.of([value]) for value in reversed(values)]) == told([Heap.of(part) for part in parts])


@settings(max_examples=15, deadline=None)
@given(st.sampled_from(KEEP), st.lists(st.one_of(said, said, untimed, done), max_size=20))
def test_each_row_is_what_a_plain_pass_over_all_distinct_readings_gives(
    engine: str, anew: Callable[[str], Where], keep: Keep, story: list[tuple[str, int, float]]
) -> None:
    where = anew(engine)
    shop = Shop(where, keep, Store.open(where))
    try:
        for what in story:
            shop.live(*what)
        late = [("numbered", which, 0.1) for which in range(len(TIMES))]
        for what in [("roll", 0, 0.0), ("tidy", 33, 0.0), *late, *late, ("untimed", 0, 0.0), ("tidy", 1, 0.0)]:
            shop.live(*what)
        assert all(reading.time >= shop.cleared_to for reading in shop.store.readings() if not reading.retained)
        shop.store.roll_up(shop.now + DAY)
        for table, step, days in (("minute", MINUTE, keep.minutes_days), ("hour", HOUR, keep.hours_days)):
            query = f"SELECT start, low, mean, high, count FROM {table} WHERE start >= ? ORDER BY start"
            wanted = plain_pass(list(shop.distinct.values()), step, shop.bound(days))
            since = (shop.bound(days) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
            assert list(shop.store._rows(query, (since,))) == wanted
    finally:
        shop.store.close()


def test_what_may_be_a_repeat_is_refused_with_what_to_do(engine: str, anew: Callable[[str], Where]) -> None:
    where = anew(engine)
    with Store.open(where) as store:
        shop = Shop(where, KEEP[1], store)
        shop.live("timed", 0, 0.1)
        shop.tidy(33)
        shop.live("timed", 0, 0.1)
        (refused,) = store.latest_refused()
        assert refused.reason.startswith("time: received 2031-03-03T06:00:00Z; readings from before 2031-03-")
        assert "(device, boot, seq)" in refused.reason
        (told,) = store._rows("SELECT count FROM hour")
        assert told == (1,)


def test_a_doubt_counts_a_reading_once_that_was_first_known_as_a_retained_value(
    engine: str, anew: Callable[[str], Where]
) -> None:
    """Its row is written anew when it comes live, after it was rolled up; then its minute is made anew."""
    where = anew(engine)
    with Store.open(where) as store:
        shop = Shop(where, Keep(), store)
        for kind, which, value in (("retained", 0, 0.1), ("timed", 1, 1e16)):
            shop.live(kind, which, value)
        shop.tidy(0)
        store.roll_up(shop.now + HOUR)
        shop.live("timed", 0, 0.1)
        for _ in range(2):
            store.flag_readings(Channel("rack-a", "temperature"), TIMES[1], TIMES[1], SensorState.STUCK)
            store.roll_up(shop.now + HOUR)
            for table in ("minute", "hour"):
                assert list(store._rows(f"SELECT mean, count FROM {table}")) == [(0.1, 1)]
