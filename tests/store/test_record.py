"""Each fact once, nothing lost: readings, log events, redeliveries and refusals through a real file."""

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.messages.settings import Where
from drymon.shop.facts.events import ClockChecked, Dip, FanSwitched, Felt, Leave, LogEvent, Look, Move, Undo, Weigh
from drymon.shop.facts.reading import Reading
from drymon.store import Mark, Store


def test_a_reading_comes_back_as_it_was(store: Store, make: SimpleNamespace) -> None:
    sent = make.reading(0.000001, 21.123456789012345, sensor="s-1", timed=True, device="n-1", boot="b", seq=7)
    assert store.record(make.message(), [sent]) == [sent]
    assert list(store.readings()) == [sent]


def test_numbered_reading_counts_once_whatever_its_topic_says(store: Store, make: SimpleNamespace) -> None:
    numbered = {"device": "n-1", "boot": "b-1"}
    assert store.record(make.message(), [make.reading(0, seq=5, **numbered)])
    assert store.record(make.message(9), [make.reading(9, 30.0, seq=5, **numbered)]) == []
    assert store.record(make.message(9), [make.reading(9, seq=5, device="n-1", boot="b-2")])
    assert store.record(make.message(9), [make.reading(9, seq=5, device="n-2", boot="b-1")])
    assert len(list(store.readings())) == 3


def test_late_resends_fill_the_holes_and_move_the_mark(store: Store, make: SimpleNamespace) -> None:
    def send(seq: int) -> int:
        return len(store.record(make.message(seq), [make.reading(seq, device="n-1", boot="b", seq=seq)]))

    assert [send(seq) for seq in (100, 101, 104, 103)] == [1, 1, 1, 1]
    assert store.received_marks() == [Mark("n-1", "b", 101)]
    assert [send(seq) for seq in (103, 102, 102)] == [0, 1, 0]
    assert store.received_marks() == [Mark("n-1", "b", 104)]
    assert send(98) == 1  # the node had begun earlier than what came first
    assert store.received_marks() == [Mark("n-1", "b", 98)]


def test_a_number_that_is_sent_again_has_its_mark_told_again(store: Store, make: SimpleNamespace) -> None:
    """Its node has not heard the first word, and keeps sending until it does."""
    for second in (0, 1):
        store.record(make.message(second), [make.reading(0, device="n-1", boot="b", seq=7)])
        assert store.take_touched_marks() == [Mark("n-1", "b", 7)]


def test_marks_survive_reopening_and_tell_the_boot_heard_last(
    store: Store, reopened: Callable[[], Store], make: SimpleNamespace
) -> None:
    for second, (boot, seq) in enumerate((("b-1", 1), ("b-1", 4), ("b-2", 0))):
        store.record(make.message(second), [make.reading(second, device="n-1", boot=boot, seq=seq)])
    assert store.take_touched_marks() == [Mark("n-1", "b-1", 1), Mark("n-1", "b-2", 0)]
    assert store.take_touched_marks() == []
    with reopened() as again:
        assert again.received_marks() == [Mark("n-1", "b-2", 0)]
        assert again.record(make.message(9), [make.reading(9, device="n-1", boot="b-1", seq=4)]) == []
        assert again.record(make.message(10), [make.reading(10, device="n-1", boot="b-1", seq=2)])
        assert again.take_touched_marks() == [Mark("n-1", "b-1", 2)]


def test_one_number_may_cover_a_whole_message(store: Store, make: SimpleNamespace) -> None:
    numbered = {"device": "n-1", "boot": "b", "seq": 1}
    pack = [make.reading(0, 21.0, **numbered), make.reading(0, 45.0, quantity=Quantity.HUMIDITY, **numbered)]
    assert store.record(make.message(), pack) == pack
    assert store.record(make.message(1), pack) == []


def test_timed_reading_is_known_by_topic_time_and_value(store: Store, make: SimpleNamespace) -> None:
    first = make.reading(5, 21.5, timed=True)
    assert store.record(make.message(6), [first]) == [first]
    assert store.record(make.message(60), [make.reading(5, 21.5, timed=True, arrived=make.at(60))]) == []
    others = [
        make.reading(5, 21.6, timed=True),
        make.reading(5.000001, 21.5, timed=True),
        make.reading(5, 21.5, timed=True, sensor="s-2"),
        make.reading(5, 21.5, timed=True, place="room"),
    ]
    assert store.record(make.message(61), others) == others


def test_untimed_equal_readings_are_separate(store: Store, make: SimpleNamespace) -> None:
    for _ in range(3):
        assert len(store.record(make.message(5), [make.reading(5)])) == 1
    assert len(list(store.readings())) == 3


def test_redelivery_leaves_no_trace(store: Store, reopened: Callable[[], Store], make: SimpleNamespace) -> None:
    wire = {"qos": 1, "mid": 17}
    assert store.record(make.message(0, **wire), [make.reading(0)])
    assert store.record(make.message(8, dup=True, **wire), [make.reading(8)]) == []
    with reopened() as again:
        assert again.record(make.message(9, dup=True, **wire), [make.reading(9)]) == []
        assert len(list(again.messages())) == len(list(again.readings())) == 1
        # Another identifier, payload or topic, or no DUP at all: another message.
        assert again.record(make.message(9, dup=True, qos=1, mid=18), [make.reading(9)])
        assert again.record(make.message(9, b"22", dup=True, **wire), [make.reading(9, 22.0)])
        assert again.record(make.message(9, topic="drymon/shop/room/temperature", dup=True, **wire), [make.reading(9)])
        assert again.record(make.message(9, **wire), [make.reading(9)])


def test_first_delivery_may_carry_dup(store: Store, make: SimpleNamespace) -> None:
    """The copy before it was never stored: it is the first that we know of."""
    assert store.record(make.message(0, qos=1, mid=3, dup=True), [make.reading(0)])


def test_redelivered_event_without_id_counts_once(store: Store, make: SimpleNamespace) -> None:
    undo = Undo(time=make.at(0), arrived=make.at(0), tree="t-1")
    topic = "drymon/shop/log/undo"
    assert store.record(make.message(0, b"{}", topic=topic, qos=1, mid=4), [undo])
    assert store.record(make.message(1, b"{}", topic=topic, qos=1, mid=4, dup=True), [undo]) == []
    assert store.record(make.message(2, b"{}", topic=topic, qos=1, mid=5), [undo])
    assert list(store.events()) == [undo, undo]


def test_same_event_id_counts_once(store: Store, make: SimpleNamespace) -> None:
    felt = Felt(time=make.at(0), arrived=make.at(0), tree="t-1", finding="dry", id="e-1")
    assert store.record(make.message(), [felt]) == [felt]
    assert store.record(make.message(1), [felt]) == []
    assert list(store.events()) == [felt]


def test_a_retained_value_never_hides_the_live_one(store: Store, make: SimpleNamespace) -> None:
    kept = make.reading(5, timed=True, retained=True, arrived=make.at(50))
    live = make.reading(5, timed=True, arrived=make.at(51))
    assert store.record(make.message(50, retain=True), [kept]) == [kept]
    assert store.record(make.message(50, retain=True), [kept]) == []
    assert store.record(make.message(51), [live]) == [live]
    assert store.record(make.message(52, retain=True), [kept]) == []
    assert list(store.readings()) == [live]


def test_a_retained_number_is_no_proof_of_the_live_one(store: Store, make: SimpleNamespace) -> None:
    numbered = {"device": "n-1", "boot": "b", "seq": 3}
    store.record(make.message(0, retain=True), [make.reading(0, retained=True, **numbered)])
    assert store.received_marks() == []
    assert len(store.record(make.message(1), [make.reading(1, **numbered)])) == 1


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_finite_number_is_refused_not_raised(store: Store, make: SimpleNamespace, value: float) -> None:
    good = make.reading(0, 20.0)
    assert store.record(make.message(), [make.reading(0, value), good]) == [good]
    assert store.refused_count() == 1
    assert "finite" in store.latest_refused(1)[0].reason


def test_what_no_row_can_hold_is_refused_not_raised(store: Store, make: SimpleNamespace) -> None:
    """JSON may carry any integer and lone surrogates (RFC 8259 sections 6 and 8.2); neither may stop the service."""
    dip = Dip(time=make.at(0), arrived=make.at(0), tree="t-1", rack="rack-a", coat="seal", number=10**30)
    look = Look(time=make.at(0), arrived=make.at(0), tree="t-1", finding="sound", note="fine \ud83d")
    odd = [make.reading(device="n", boot="b", seq=2**62), make.reading(device="\ud800", boot="b", seq=1), dip, look]
    for item in odd:
        assert store.record(make.message(0, b"{}", topic="drymon/shop/\udfff"), [item], ["also \ud800"]) == []
    assert store.refused_count() == 4
    reasons = [refused.reason for refused in store.latest_refused(4)]
    assert [("Unicode" in reason, "too large" in reason) for reason in reversed(reasons)] == [
        (False, True),
        (True, False),
        (False, True),
        (True, False),
    ]


def test_the_largest_number_is_stored(store: Store, make: SimpleNamespace) -> None:
    largest = make.reading(device="n", boot="b", seq=2**62 - 1)
    assert store.record(make.message(0), [largest]) == [largest]
    assert store.received_marks() == [Mark("n", "b", 2**62 - 1)]


def test_refused_message_is_kept_with_its_beginning(store: Store, make: SimpleNamespace) -> None:
    long = make.message(3, b"x" * 10_000, topic="drymon/shop/rack-a/colour")
    assert store.record(long, [], ["unknown quantity 'colour'", "no number"]) == []
    (kept,) = store.latest_refused(5)
    assert (kept.time, kept.topic, kept.reason) == (make.at(3), long.topic, "unknown quantity 'colour'; no number")
    assert (len(kept.payload), kept.size) == (4096, 10_000)
    assert list(store.messages()) == [long]


@pytest.mark.of_a_file  # ten thousand rows are a matter of seconds on a server
def test_refusals_are_counted_for_ever_but_kept_bounded(store: Store, make: SimpleNamespace) -> None:
    with store.transaction():
        for n in range(10_050):
            store.record(make.message(n), [], [f"no {n}"])
    assert store.refused_count() == 10_050
    kept = store.latest_refused(20_000)
    assert (len(kept), kept[0].reason, kept[-1].reason) == (10_000, "no 10049", "no 50")


@pytest.mark.parametrize("letter", ["x", "ü", "\U0001f525"])
def test_what_refused_messages_take_is_bounded_in_bytes(
    store: Store, make: SimpleNamespace, tmp_path: Path, letter: str
) -> None:
    """A pack of twenty thousand records may be refused for as many reasons, and a topic has up to 65,535 bytes."""
    reasons = [f"SenML record {n}: {letter * 80}" for n in range(20_000)]
    made = make.message(0, b"[" + b"{}," * 21_000, topic="drymon/shop/" + letter * 16_000)
    for why in (reasons, ["".join(reasons)]):
        store.record(made, [], why)
    rows = store._rows("SELECT topic, reason, payload FROM refused")
    raw = [part.encode() if isinstance(part, str) else part for row in rows for part in row]
    assert [len(part) for part in raw if len(part) > 4096] == []
    told = [(refused.topic + refused.reason).encode() for refused in store.latest_refused()]
    assert [text for text in told if len(text) > 2000] == []


def test_a_long_reason_of_an_older_database_is_told_in_short(store: Store, make: SimpleNamespace) -> None:
    store.record(make.message(0), [], ["no"])
    store._db.execute("UPDATE refused SET reason = ?", ("x" * 2_000_000,))
    assert store.latest_refused(1)[0].reason == "x" * 1000


def test_an_oversized_payload_does_not_enter_the_inbox(store: Store, make: SimpleNamespace) -> None:
    store.record(make.message(0, b"x" * (1 << 20) + b"x"), [], ["too long"])
    assert list(store.messages()) == []
    assert store.latest_refused(1)[0].size == (1 << 20) + 1


moments = st.integers(0, 2**51).map(
    lambda microseconds: datetime(2020, 1, 1, tzinfo=UTC) + timedelta(0, 0, microseconds)
)
names = st.from_regex(r"[a-z0-9-]{1,40}", fullmatch=True)
words = st.text(max_size=20).filter(lambda text: not any("\ud800" <= char <= "\udfff" for char in text))
finite = st.floats(allow_nan=False, allow_infinity=False)
common = {"time": moments, "arrived": moments, "by": words}
treed = {**common, "tree": names}
events: st.SearchStrategy[LogEvent] = st.one_of(
    st.builds(
        Dip,
        **treed,
        rack=names,
        coat=names,
        number=st.none() | st.integers(1, 40),
        shelter=st.sampled_from([None, "open", "pocketed", "deep"]),
        cell=st.none() | names,
        probe=st.none() | names,
        recipe=st.none() | names,
    ),
    st.builds(Weigh, **treed, mass=finite),
    st.builds(Felt, **treed, finding=st.sampled_from(["wet", "dry"])),
    st.builds(Look, **treed, finding=st.sampled_from(["sound", "repaired", "scrap"]), note=words),
    st.builds(Move, **treed, rack=names, cell=st.none() | names),
    st.builds(Leave, **treed),
    st.builds(Undo, **treed),
    st.builds(FanSwitched, **common, rack=names, on=st.booleans()),
    st.builds(ClockChecked, **common, known=st.booleans(), note=words),
)


@settings(max_examples=20, deadline=None)
@given(st.lists(events, max_size=6))
def test_any_log_event_comes_back_as_it_was(engine: str, anew: Callable[[str], Where], sent: list[LogEvent]) -> None:
    with Store.open(anew(engine)) as store:
        message = Message(datetime(2031, 3, 3, tzinfo=UTC), "drymon/shop/log/dip", b"{}")
        assert store.record(message, sent) == sent
        assert sorted(map(repr, store.events())) == sorted(map(repr, sent))
        assert list(store.facts()) == sent


messages = st.builds(
    Message,
    arrived=moments,
    topic=words,
    payload=st.binary(max_size=60),
    retain=st.booleans(),
    qos=st.integers(0, 2),
    expiry_s=st.none() | st.integers(0, 2**32 - 1),
)


@settings(max_examples=20, deadline=None)
@given(st.lists(messages, max_size=8))
def test_any_messages_come_back_in_order_of_time(
    engine: str, anew: Callable[[str], Where], sent: list[Message]
) -> None:
    with Store.open(anew(engine)) as store:
        for message in sent:
            store.record(message, [])
        assert list(store.messages()) == sorted(sent, key=lambda message: message.arrived)


DAY = datetime(2031, 3, 3, tzinfo=UTC)
few_readings = st.builds(
    lambda second, value, kind: Reading(
        DAY + timedelta(seconds=second),
        DAY + timedelta(seconds=second),
        "room",
        Quantity.HUMIDITY,
        value,
        timed=kind == "timed",
        **({"device": "n", "boot": "b", "seq": second} if kind == "numbered" else {}),
    ),
    st.integers(0, 3),
    st.sampled_from([40.0, 41.0]),
    st.sampled_from(["timed", "untimed", "numbered"]),
)


def identity(reading: Reading, place: int) -> object:
    """What makes two readings one: device, boot and seq; else topic, time and value; else nothing."""
    if reading.seq is not None:
        return ("number", reading.device, reading.boot, reading.seq)
    return ("timed", reading.time, reading.value) if reading.timed else ("each", place)


@settings(max_examples=30, deadline=None)
@given(st.lists(few_readings, max_size=30))
def test_each_reading_counts_once(engine: str, anew: Callable[[str], Where], sent: list[Reading]) -> None:
    where = anew(engine)
    new: list[Reading | LogEvent] = []
    half = len(sent) // 2
    for part in (sent[:half], sent[half:]):  # what was seen is known after reopening, too
        with Store.open(where) as store:
            for reading in part:
                new += store.record(Message(reading.arrived, "drymon/shop/room/humidity", b"40"), [reading])
    first = {identity(reading, place): reading for place, reading in reversed(list(enumerate(sent)))}
    assert len(new) == len(first)
    assert sorted(map(repr, new)) == sorted(map(repr, first.values()))
