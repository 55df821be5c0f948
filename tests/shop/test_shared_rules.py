"""Rules that several rooms of the house ask for, each from its one home."""

from dataclasses import fields
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from drymon.shop.air.sensors import minute_done
from drymon.shop.facts import findings
from drymon.shop.facts.findings import Finding
from drymon.shop.facts.local_time import clock, dated, say
from drymon.shop.facts.outcome import Reason, State
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.facts.sensor_state import is_silent
from drymon.shop.facts.setup import Rack
from drymon.shop.verdict.reasons import REASONS, WIDENING, Effect, codes_of, decide, effect_of


def test_what_widens_decides_nothing_by_itself() -> None:
    for code in WIDENING:
        assert decide([_found(code)], last_coat=False) is State.READY, code
    decides = [code for code in REASONS if decide([_found(code)], last_coat=False) is not State.READY]
    assert set(decides) | set(WIDENING) == set(REASONS) - {"taken-back"}


def _found(code: ReasonCode) -> Finding:
    """A finding of this code, whatever its facts."""
    (kind,) = (one for one in vars(findings).values() if getattr(one, "code", None) is code)
    return kind(*("" for _ in fields(kind)))


def test_every_code_is_told_and_found_in_one_way() -> None:
    kinds = [one.code for one in vars(findings).values() if hasattr(one, "code")]
    assert sorted(kinds) == sorted(REASONS) == sorted(ReasonCode)


def test_a_reason_of_an_older_record_decides_nothing() -> None:
    older, held = Reason("a-code-of-old", "whatever it was"), Reason("too-long", "it waited")
    assert effect_of(older) is Effect.WIDENS
    assert codes_of([older, held], Effect.HOLD) == ["too-long"]
    assert codes_of([older, held], Effect.WIDENS) == []


def test_a_call_taken_back_is_told_with_what_decides_not_with_what_widens() -> None:
    assert "taken-back" not in WIDENING


@pytest.mark.parametrize(("seconds", "minute"), [(60.0, 0), (60.5, 1), (119.999, 1), (120.0, 1), (121.0, 2)])
def test_the_minute_that_is_over_at_a_whole_minute_is_the_one_before(seconds: float, minute: int) -> None:
    assert minute_done(seconds) == minute


def test_a_rack_assumes_its_own_speeds_and_still_air_while_its_fans_are_off() -> None:
    rack = Rack("rack-a", airflow_assumed=(0.4, 1.5))
    assert rack.speeds_assumed(fans_off=False) == (0.4, 1.5)
    assert rack.speeds_assumed(fans_off=True) == (0.05, 0.2)


@pytest.mark.parametrize(("minutes", "silent"), [(9.9, False), (10.0, False), (10.1, True)])
def test_a_sensor_is_silent_once_it_has_been_so_for_longer_than_is_allowed(minutes: float, silent: bool) -> None:
    now = datetime(2031, 3, 3, 12, tzinfo=UTC)
    assert is_silent(now - timedelta(minutes=minutes), now, timedelta(minutes=10)) is silent


@pytest.mark.parametrize("zone", ["Europe/Berlin", ZoneInfo("Europe/Berlin")])
def test_a_moment_is_told_alike_wherever_its_day_is_plain_or_kept(zone: str | ZoneInfo) -> None:
    """Half past midnight in Berlin is the evening before in UTC."""
    moment = datetime(2031, 3, 2, 23, 30, tzinfo=UTC)
    assert (clock(moment, zone), dated(moment, zone)) == ("00:30", "2031-03-03 00:30")
    assert say(moment, moment, zone) == clock(moment, zone)
    assert say(moment, moment - timedelta(days=30), zone) == dated(moment, zone)
