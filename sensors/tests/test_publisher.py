"""What goes to the broker, when, and when again: against a wire that notes it and a service played by the test."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from drymon_sensors.buffer.ring import Ring
from drymon_sensors.clock import NodeTime
from drymon_sensors.payload import Message, Receipt
from drymon_sensors.publisher import AFTER_START_S, CLOCK_PATIENCE_S, FRESH_S, RESEND_S, SETTLE_S, WINDOW, Publisher
from drymon_sensors.trial import TrialClock

SESSION = "machineboot"


class Notes:
    """A wire that writes down what it is given."""

    def __init__(self) -> None:
        self.messages: list[Message] = []

    def publish(self, message: Message) -> int:
        self.messages.append(message)
        return len(self.messages)

    def taken(self) -> list[dict[str, Any]]:
        """What was published since the last look."""
        contents = [json.loads(message.payload) for message in self.messages]
        self.messages.clear()
        return contents


class Bench:
    """A publisher with all that belongs to it."""

    def __init__(self, folder: Path, clock: TrialClock, session: str = SESSION, expires: bool = True) -> None:
        self.clock, self.wire = clock, Notes()
        self.ring = Ring(str(folder), session, 1 << 20)
        self.time = NodeTime(clock)
        self.publisher = Publisher(self.ring, self.wire, self.time, ("shop", "node-1"), session, expires)

    def read(self, *values: float) -> None:
        for value in values:
            self.ring.append(["rack-a/temperature", value, *self.time.taken()])

    def up(self) -> None:
        self.publisher.up(self.clock.monotonic())
        self.clock.sleep(SETTLE_S)

    def pump(self, after_s: float = 0.0) -> list[dict[str, Any]]:
        self.clock.sleep(after_s)
        self.publisher.pump(self.clock.monotonic())
        return self.wire.taken()

    def receipt(self, boot: str, seq: int) -> None:
        self.publisher.receipt(Receipt(boot, seq), self.clock.monotonic())

    def service(self, online: bool) -> None:
        self.publisher.service(online, self.clock.monotonic())


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path, TrialClock())
    yield made
    made.ring.close()


def test_nothing_is_sent_before_the_connection_stands_and_the_last_receipt_had_its_time(bench: Bench) -> None:
    bench.read(21.0)
    assert bench.pump() == []
    bench.publisher.up(bench.clock.monotonic())
    assert bench.pump() == []
    assert [said["value"] for said in bench.pump(SETTLE_S)] == [21.0]


def test_of_a_boot_that_the_service_has_not_answered_for_the_first_goes_alone(bench: Bench) -> None:
    """It counts a node's numbers from the first that it sees: one that came after it would be lost unseen."""
    bench.read(*range(20, 25))
    bench.up()
    (first,) = bench.pump()
    assert first["seq"] == 1
    assert bench.pump(10.0) == []
    bench.receipt(first["boot"], 1)
    assert [said["seq"] for said in bench.pump()] == [2, 3, 4, 5]


def test_a_window_is_on_its_way_and_no_more(bench: Bench) -> None:
    bench.read(*range(2 * WINDOW))
    bench.up()
    boot = bench.pump()[0]["boot"]
    bench.receipt(boot, 1)
    assert len(bench.pump()) == WINDOW
    bench.receipt(boot, 11)
    assert [said["seq"] for said in bench.pump()] == list(range(WINDOW + 2, WINDOW + 12))


def test_what_the_service_does_not_confirm_goes_again_in_order(bench: Bench) -> None:
    bench.read(20.0, 21.0, 22.0)
    bench.up()
    boot = bench.pump()[0]["boot"]
    bench.receipt(boot, 1)
    bench.service(True)
    bench.pump()
    assert bench.pump(AFTER_START_S - 0.1) == []
    assert [said["seq"] for said in bench.pump(RESEND_S)] == [2, 3]
    bench.receipt(boot, 3)
    assert bench.pump(10 * RESEND_S) == []
    assert bench.ring.waiting == 0


def test_nothing_is_repeated_to_a_service_that_is_away(bench: Bench) -> None:
    """The broker keeps it; a heap of repetitions would push out other sensors' readings."""
    bench.read(20.0, 21.0)
    bench.up()
    bench.service(False)
    assert len(bench.pump()) == 1
    for _ in range(100):
        assert bench.pump(600.0) == []
    bench.service(True)
    assert bench.pump(AFTER_START_S - 0.5) == [], "first it takes what the broker has kept for it"
    assert [said["seq"] for said in bench.pump(1.0)] == [1]


def test_where_nobody_tells_of_the_service_it_is_tried_ever_more_seldom(bench: Bench) -> None:
    bench.read(20.0)
    bench.up()
    times = []
    for second in range(20_000):
        if bench.pump(1.0):
            times.append(second)
    gaps = [later - earlier for earlier, later in zip(times, times[1:])]
    assert gaps[:3] == [20, 40, 80]
    assert gaps[-1] <= 3600
    assert len(times) < 20


def test_a_receipt_that_comes_before_anything_is_sent_spares_sending(tmp_path: Path) -> None:
    """The retained receipt after a restart: what it covers is not sent again."""
    clock = TrialClock()
    before = Bench(tmp_path, clock)
    before.read(20.0, 21.0, 22.0)
    before.up()
    boot = before.pump()[0]["boot"]
    before.ring.close()
    after = Bench(tmp_path, clock)
    after.publisher.up(clock.monotonic())
    after.receipt(boot, 2)
    assert [said["value"] for said in after.pump(SETTLE_S)] == [22.0]
    after.ring.close()


def test_a_receipt_for_another_boot_changes_nothing(bench: Bench) -> None:
    bench.read(20.0)
    bench.up()
    bench.pump()
    bench.receipt("another", 99)
    assert bench.ring.waiting == 1


def test_an_older_boot_goes_first_and_the_next_ones_first_reading_beside_it(tmp_path: Path) -> None:
    clock = TrialClock()
    old = Bench(tmp_path, clock)
    old.read(20.0, 21.0)
    old.ring.close()
    new = Bench(tmp_path, clock)
    new.read(22.0, 23.0)
    new.up()
    (first,) = new.pump()
    new.receipt(first["boot"], 1)
    assert [said["value"] for said in new.pump()] == [21.0, 22.0]
    new.receipt(first["boot"], 2)
    assert new.pump() == [], "the second boot is not answered for yet"
    new.ring.close()


def test_what_was_on_its_way_when_the_connection_went_is_not_forgotten(bench: Bench) -> None:
    bench.read(20.0)
    bench.up()
    first = bench.pump()
    bench.publisher.down()
    assert bench.pump(600.0) == []
    bench.up()
    assert bench.pump() == [], "the client has it and sends it by itself"
    assert bench.pump(AFTER_START_S) == first, "and if it did not, so do we"


def test_a_refusal_of_the_broker_is_told_until_it_takes_readings_again(bench: Bench) -> None:
    bench.read(20.0)
    bench.up()
    bench.pump()
    bench.publisher.answered(999, "Not authorized")
    assert bench.publisher.refusal == "", "the answer to another message"
    bench.publisher.answered(1, "Not authorized")
    assert bench.publisher.refusal == "Not authorized"
    bench.publisher.answered(1, None)
    assert bench.publisher.refusal == ""


def test_a_damaged_record_is_answered_for_so_that_nobody_waits_for_it(tmp_path: Path) -> None:
    clock = TrialClock()
    before = Bench(tmp_path, clock)
    before.read(20.0, 21.0, 22.0)
    before.ring.close()
    (file,) = tmp_path.glob("*.log")
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(lines[0] + b"rotten\n" + lines[2])
    after = Bench(tmp_path, clock)
    after.up()
    (first,) = after.pump()
    after.receipt(first["boot"], 1)
    hole, last = after.pump()
    assert hole == {
        "device": "node-1",
        "boot": first["boot"],
        "seq": 2,
        "lost": "its record on the node's disk was damaged",
    }
    assert (last["seq"], last["value"]) == (3, 22.0)
    after.ring.close()


# ---- time ------------------------------------------------------------------------------------------------------------


def unset(folder: Path, **more: Any) -> Bench:
    return Bench(folder, TrialClock(wall=1_600_000_000.0, kept=False), **more)


def test_with_a_kept_clock_every_reading_says_when_it_was_taken(bench: Bench) -> None:
    bench.read(20.0)
    bench.clock.sleep(3600.0)
    bench.up()
    assert bench.pump()[0]["time"] == "2031-03-02T06:40:00.000Z"


def test_a_fresh_reading_without_a_clock_goes_without_a_time_and_the_broker_is_to_forget_it_soon(
    tmp_path: Path,
) -> None:
    bench = unset(tmp_path)
    bench.up()
    bench.read(20.0)
    bench.publisher.pump(bench.clock.monotonic())
    (message,) = bench.wire.messages
    assert "time" not in json.loads(message.payload)
    assert message.expiry_s == FRESH_S
    bench.ring.close()


def test_an_old_reading_without_a_clock_waits_until_the_service_tells_the_time(tmp_path: Path) -> None:
    bench = unset(tmp_path)
    bench.read(20.0)
    bench.clock.sleep(3600.0)
    bench.up()
    assert bench.pump() == []
    bench.time.learn(1_930_200_000.0)
    (said,) = bench.pump()
    assert said["time"] == "2031-03-02T05:39:59.000Z", "an hour and the second of settling before"
    bench.ring.close()


def test_where_the_time_is_never_told_it_is_no_evidence_but_not_lost(tmp_path: Path) -> None:
    bench = unset(tmp_path)
    bench.read(20.0)
    bench.clock.sleep(3600.0)
    bench.up()
    assert bench.pump(CLOCK_PATIENCE_S - 5.0) == []
    (said,) = bench.pump(5.0)
    assert said["time"] == "unknown"
    assert bench.publisher.undated == 1
    bench.ring.close()


def test_a_reading_of_an_earlier_boot_of_the_machine_without_a_clock_can_never_be_dated(tmp_path: Path) -> None:
    before = unset(tmp_path, session="earlier")
    before.read(20.0)
    before.ring.close()
    after = Bench(tmp_path, TrialClock(), session="later")
    after.up()
    assert after.pump()[0]["time"] == "unknown"
    after.ring.close()


def test_a_reading_of_an_earlier_boot_with_a_time_keeps_it(tmp_path: Path) -> None:
    before = Bench(tmp_path, TrialClock(), session="earlier")
    before.read(20.0)
    before.ring.close()
    after = Bench(tmp_path, TrialClock(wall=1_930_900_000.0, running=3.0), session="later")
    after.up()
    assert after.pump()[0]["time"] == "2031-03-02T06:40:00.000Z"
    after.ring.close()


def test_a_broker_that_cannot_forget_gets_an_undated_reading_only_while_the_service_is_there(tmp_path: Path) -> None:
    """MQTT 3.1.1 has no expiry: kept for a service that is away, it would arrive as a reading of then."""
    bench = unset(tmp_path, expires=False)
    bench.up()
    bench.read(20.0)
    assert bench.pump() == []
    bench.service(True)
    assert [said["value"] for said in bench.pump()] == [20.0]
    bench.ring.close()


def test_sent_again_an_undated_reading_says_its_time_once_it_is_known(tmp_path: Path) -> None:
    bench = unset(tmp_path)
    bench.up()
    bench.read(20.0)
    assert "time" not in bench.pump()[0]
    bench.clock.sleep(60.0)
    bench.time.learn(1_930_200_000.0)
    bench.service(True)
    (said,) = bench.pump(AFTER_START_S)
    assert said["time"] == "2031-03-02T06:39:00.000Z"
    bench.ring.close()
