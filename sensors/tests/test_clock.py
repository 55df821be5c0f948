"""Which time a reading gets: kept clocks, clocks that nobody set, and the service's words."""

from __future__ import annotations

import pytest

from drymon_sensors.clock import NodeTime, SystemClock, stamp
from drymon_sensors.trial import TrialClock


def test_a_kept_clock_is_believed() -> None:
    clock = TrialClock()
    time = NodeTime(clock)
    assert time.now() == clock.wall_s
    assert time.words() == "kept"


def test_a_clock_that_nobody_keeps_says_nothing_until_the_service_has_told_its_time() -> None:
    clock = TrialClock(wall=1_600_000_000.0, kept=False)
    time = NodeTime(clock)
    early = time.taken()
    assert (time.now(), time.of(early), time.words()) == (None, None, "not-set")
    clock.sleep(3600.0)
    time.learn(1_930_200_000.0)
    assert time.words() == "from-service"
    assert time.of(early) == pytest.approx(1_930_200_000.0 - 3600.0), "what was read before gets its time too"
    clock.sleep(30.0)
    clock.wall_s = 12.0  # whatever the wall says meanwhile
    assert time.now() == pytest.approx(1_930_200_030.0)


def test_a_battery_clock_is_believed_where_that_is_said() -> None:
    clock = TrialClock(kept=False)
    assert NodeTime(clock, kept=True).now() == clock.wall_s


def test_a_clock_that_is_set_later_dates_what_was_read_before() -> None:
    clock = TrialClock(wall=1_600_000_000.0, kept=False)
    time = NodeTime(clock)
    early = time.taken()
    clock.sleep(600.0)
    clock.wall_s, clock.kept = 1_930_200_000.0, True
    assert time.of(early) == pytest.approx(1_930_200_000.0 - 600.0)


def test_a_stamp_is_rfc_3339_in_utc() -> None:
    """RFC 3339 section 5.8 has "1985-04-12T23:20:50.52Z": 482196050.52 s after 1970 (date -u -d … +%s)."""
    assert stamp(482_196_050.52) == "1985-04-12T23:20:50.520Z"
    assert stamp(482_196_050.9996) == "1985-04-12T23:20:51.000Z"


def test_the_machines_own_clocks_go_forward() -> None:
    clock = SystemClock()
    before = clock.monotonic()
    clock.sleep(0.01)
    assert clock.monotonic() > before
    assert clock.wall() > 1_700_000_000.0
    assert clock.synchronised() in (True, False)
