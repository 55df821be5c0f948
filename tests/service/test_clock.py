"""Clocks that jump: the wall's does, the running time does not. Stream time never runs backwards."""

import subprocess
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon.service.clock import EARLIEST, StreamTime, SystemClock
from drymon.service.inbox import Inbox

NOON = datetime(2031, 3, 3, 12, tzinfo=UTC)


class HandClock:
    """A clock that a test turns by hand."""

    def __init__(self, wall: datetime) -> None:
        self._wall, self._running = wall, 1000.0

    def wall(self) -> datetime:
        return self._wall

    def monotonic(self) -> float:
        return self._running

    def synchronised(self) -> bool:
        return False

    def run(self, seconds: float) -> None:
        self._wall += timedelta(seconds=seconds)
        self._running += seconds

    def jump(self, seconds: float) -> None:
        self._wall += timedelta(seconds=seconds)


def test_an_ordinary_clock_says_nothing() -> None:
    clock = HandClock(NOON)
    stream = StreamTime(clock, last=NOON - timedelta(hours=1))
    for _ in range(100):
        clock.run(30.0)
        assert stream.check() == []
    assert stream.now() == NOON + timedelta(seconds=3000)


def test_a_wall_before_the_last_arrival_is_not_known_until_it_has_caught_up() -> None:
    clock = HandClock(NOON)
    stream = StreamTime(clock, last=NOON + timedelta(hours=2))
    (word,) = stream.check()
    assert not word.known
    assert word.time == NOON + timedelta(hours=2)
    clock.run(60.0)
    assert stream.check() == []
    assert stream.now() == NOON + timedelta(hours=2)
    clock.jump(3 * 3600.0)
    (word,) = stream.check()
    assert word.known
    assert word.time == NOON + timedelta(hours=3, minutes=1)


def test_a_step_backwards_stops_stream_time() -> None:
    clock = HandClock(NOON)
    stream = StreamTime(clock)
    assert stream.now() == NOON
    clock.jump(-600.0)
    assert [word.known for word in stream.check()] == [False]
    assert stream.now() == NOON
    clock.run(601.0)
    assert [word.known for word in stream.check()] == [True]
    assert stream.now() == NOON + timedelta(seconds=1)


def test_a_time_server_s_small_correction_is_waited_out() -> None:
    clock = HandClock(NOON)
    stream = StreamTime(clock)
    stream.now()
    clock.jump(-0.5)
    assert stream.check() == []
    assert stream.now() == NOON


def test_a_step_forward_is_noted_as_time_that_nobody_saw_pass() -> None:
    clock = HandClock(NOON)
    stream = StreamTime(clock)
    stream.now()
    clock.run(1.0)
    clock.jump(7200.0)
    lost, known = stream.check()
    assert (lost.known, lost.time) == (False, NOON)
    assert "7200 s" in lost.note
    assert (known.known, known.time) == (True, NOON + timedelta(seconds=7201))


def test_a_small_step_forward_is_an_ordinary_correction() -> None:
    clock = HandClock(NOON)
    stream = StreamTime(clock)
    clock.jump(59.0)
    assert stream.check() == []


def test_a_clock_that_was_never_set_is_not_known() -> None:
    clock = HandClock(datetime(1970, 1, 1, 0, 0, 9, tzinfo=UTC))
    stream = StreamTime(clock)
    (word,) = stream.check()
    assert not word.known
    assert "has not been set" in word.note
    assert stream.now() == EARLIEST


def test_a_doubt_on_record_ends_when_the_clock_is_right() -> None:
    clock = HandClock(NOON)
    stream = StreamTime(clock, last=NOON - timedelta(hours=10), known=False)
    (word,) = stream.check()
    assert (word.known, word.time) == (True, NOON)
    assert stream.check() == []


def test_a_doubt_on_record_is_not_told_again_while_it_lasts() -> None:
    clock = HandClock(NOON)
    stream = StreamTime(clock, last=NOON + timedelta(hours=2), known=False)
    assert stream.check() == []
    assert not stream.known


@given(st.lists(st.floats(-1e6, 1e6), max_size=50))
def test_stream_time_never_runs_backwards(jumps: list[float]) -> None:
    clock = HandClock(NOON)
    stream = StreamTime(clock)
    before = stream.now()
    for jump in jumps:
        clock.run(0.1)
        clock.jump(jump)
        for word in stream.check():
            assert word.time >= before
            before = word.time
        assert stream.now() >= before
        before = stream.now()


def test_the_inbox_puts_the_word_on_the_clock_before_the_message_that_follows_the_jump() -> None:
    clock = HandClock(NOON)
    inbox = Inbox("shop", StreamTime(clock))

    def put(payload: bytes) -> None:
        inbox.put("drymon/shop/room/humidity", payload, retain=False, qos=1, dup=False, mid=1, generation=1)

    put(b"40")
    clock.jump(-3600.0)
    put(b"41")
    taken, horizon = inbox.drain(enough=1, most=10, wait_s=0.0)
    topics = [each.message.topic.rsplit("/", 1)[1] for each in taken]
    assert topics == ["humidity", "clock", "humidity"]
    assert b'"known": false' in taken[1].message.payload
    assert [each.message.arrived for each in taken] == [NOON, NOON, NOON]
    assert horizon == NOON
    assert not inbox.clock_known


def test_the_inbox_gives_no_horizon_while_messages_wait() -> None:
    inbox = Inbox("shop", StreamTime(HandClock(NOON)))
    for mid in range(3):
        inbox.put("drymon/shop/room/humidity", b"40", retain=False, qos=1, dup=False, mid=mid, generation=1)
    first, horizon = inbox.drain(enough=1, most=2, wait_s=0.0)
    assert ([each.message.mid for each in first], horizon) == ([0, 1], None)
    rest, horizon = inbox.drain(enough=1, most=2, wait_s=0.0)
    assert ([each.message.mid for each in rest], horizon) == ([2], NOON)


def handed(inbox: Inbox, woken_by: Callable[[], None]) -> list[int]:
    """How many messages whoever would wait a minute for one is given, within five seconds, when this is done."""
    counts: list[int] = []
    waiting = threading.Thread(target=lambda: counts.append(len(inbox.drain(1, 10, 60.0)[0])), daemon=True)
    waiting.start()
    waiting.join(0.2)
    woken_by()
    waiting.join(5)
    return counts


def test_whoever_waits_for_messages_is_woken_by_the_first_and_by_the_end() -> None:
    inbox = Inbox("shop", StreamTime(HandClock(NOON)))

    def put() -> None:
        inbox.put("drymon/shop/room/humidity", b"40", retain=False, qos=1, dup=False, mid=1, generation=1)

    assert handed(inbox, put) == [1]
    assert handed(inbox, inbox.close) == [0]
    assert handed(inbox, lambda: None) == [0], "after the end nobody waits"


def test_a_clock_that_jumps_while_nothing_arrives_is_told_of_all_the_same() -> None:
    clock = HandClock(NOON)
    inbox = Inbox("shop", StreamTime(clock))
    inbox.drain(enough=1, most=10, wait_s=0.0)
    clock.jump(-3600.0)
    (word,), _ = inbox.drain(enough=1, most=10, wait_s=0.0)
    assert word.message.topic == "drymon/shop/log/clock"


def test_the_system_clock_agrees_with_date_and_runs() -> None:
    clock = SystemClock()
    said = subprocess.run(["date", "+%s"], capture_output=True, text=True, check=True).stdout
    assert abs(clock.wall().timestamp() - float(said)) < 2.0
    before = clock.monotonic()
    time.sleep(0.01)
    assert clock.monotonic() - before >= 0.01


def test_the_synchronised_flag_agrees_with_the_kernel_s_own_tool() -> None:
    """Against adjtimex(8) or timedatectl(1), where the machine has one of them."""
    try:
        shown = subprocess.run(
            ["timedatectl", "show", "-p", "NTPSynchronized"], capture_output=True, text=True, check=True
        ).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("no timedatectl that answers on this machine")
    assert SystemClock().synchronised() == (shown == "NTPSynchronized=yes")
