"""RFC 3339 times in and out, and what is plausible."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drymon.messages.times import parse_time, plausible, stamp

NOON = datetime(2031, 3, 3, 12, tzinfo=UTC)
EARLIEST = datetime(1900, 1, 1)  # noqa: DTZ001 - the strategy adds the zone


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # RFC 3339 section 5.8, examples (memory; the leap second is not kept by Python and refused)
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)),
        # section 5.6: t and z may be lower case, and a space may stand for T
        ("2031-03-03t12:00:00z", NOON),
        ("2031-03-03 12:00:00+00:00", NOON),
        ("2031-03-03T12:00:00.123456789Z", NOON.replace(microsecond=123_456)),
    ],
)
def test_rfc3339(text, expected) -> None:
    assert parse_time(text) == expected


@pytest.mark.parametrize(
    "text",
    [
        "2031-03-03T12:00:00", "2031-03-03", "12:00:00Z", "2031-13-03T12:00:00Z", "2031-02-30T12:00:00Z",
        "2031-03-03T25:00:00Z", "now", "", 1930305600, None, True, "0001-01-01T00:00:00+23:00",
        "2031-03-03T12:00:00+0100", "2031-03-03T12:00:00Z" + "0" * 90, "२०३१-03-03T12:00:00Z",
    ],
)  # fmt: skip
def test_what_is_no_time_is_refused(text) -> None:
    with pytest.raises(ValueError, match="RFC 3339"):
        parse_time(text)


@given(st.datetimes(timezones=st.just(UTC), min_value=EARLIEST))
def test_round_trip(moment) -> None:
    assert parse_time(stamp(moment)) == moment


def test_whole_seconds_are_written_short() -> None:
    assert stamp(NOON.astimezone()) == "2031-03-03T12:00:00Z"


def test_plausible_window() -> None:
    """Five minutes ahead, 31 days behind, both ends included."""
    for moment in (NOON + timedelta(minutes=5), NOON - timedelta(days=31), NOON):
        assert plausible(moment, NOON) == moment
    for moment in (
        NOON + timedelta(minutes=5, microseconds=1),
        NOON - timedelta(days=31, microseconds=1),
        datetime(1970, 1, 1, tzinfo=UTC),
        datetime(2090, 1, 1, tzinfo=UTC),
    ):
        with pytest.raises(ValueError, match="clock"):
            plausible(moment, NOON)
