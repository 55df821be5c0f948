"""Times on the wire: RFC 3339 in, RFC 3339 in UTC out, and what time a message can plausibly claim."""

import re
from datetime import UTC, datetime, timedelta

AHEAD = timedelta(minutes=5)
"""Clocks of sensors and scripts may run ahead by this much."""

BEHIND = timedelta(days=31)
"""A node that was cut off may hand in readings this old."""

_RFC3339 = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d)(?:\.(\d+))?([Zz]|[+-]\d\d:\d\d)\Z", re.ASCII)


def stamp(moment: datetime, digits: str = "auto") -> str:
    """RFC 3339 in UTC, with as many digits of the second as there are: "2031-03-03T06:00:00Z". digits: "seconds", to
    leave the fractions out, as in `datetime.isoformat`.
    """
    utc = moment if moment.tzinfo is UTC else moment.astimezone(UTC)
    return utc.isoformat(timespec=digits)[: -len("+00:00")] + "Z"


def parse_time(text: object) -> datetime:
    """An RFC 3339 time with its offset, to the microsecond, in UTC; ValueError says what is allowed."""
    match = _RFC3339.match(text) if isinstance(text, str) and len(text) <= 60 else None
    if match is None:
        raise ValueError(_wanted(text))
    day, clock, fraction, zone = match.groups()
    offset = "+00:00" if zone in "Zz" else zone
    try:
        moment = datetime.fromisoformat(f"{day}T{clock}.{(fraction or '0')[:6]:0<6}{offset}")
        return moment.astimezone(UTC)
    except (ValueError, OverflowError):
        raise ValueError(_wanted(text)) from None


def plausible(moment: datetime, arrived: datetime) -> datetime:
    """The same moment where a message that arrived then can mean it; ValueError where it cannot."""
    if arrived - BEHIND <= moment <= arrived + AHEAD:
        return moment
    raise ValueError(
        f"time: received {stamp(moment)}; allowed is from {BEHIND.days} days before to "
        f"{AHEAD.seconds // 60} min after its arrival at {stamp(arrived)}; is the sender's clock set?"
    )


def _wanted(text: object) -> str:
    shown = repr(text)[:60]
    return f'time: received {shown}; allowed is RFC 3339 with its offset, such as "2031-03-03T06:00:00Z"'
