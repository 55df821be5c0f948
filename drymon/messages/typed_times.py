"""Times as people type them: RFC 3339, or on the room's clock."""

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

from drymon.errors import SetupError
from drymon.messages.times import stamp

ALLOWED = 'RFC 3339 ("2031-03-03T06:00:00Z"), or on the room\'s clock "2031-03-03 14:05", "2031-03-03", "14:05"'


def typed_time(text: str, timezone: str, now: datetime) -> datetime:
    """The moment that `text` means, aware UTC; a time of day alone is the latest such time before `now`.

    Raises SetupError that says what is allowed.
    """
    zone = ZoneInfo(timezone)
    try:
        if "-" not in text:
            return _time_of_day(time.fromisoformat(text), zone, now)
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise SetupError(f"time: received {text!r}; allowed is {ALLOWED}") from None
    return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).astimezone(UTC)


def typed_span(
    from_: str | None, to: str | None, timezone: str, now: datetime
) -> tuple[datetime | None, datetime | None]:
    """--from and --to as typed, each None where it was not; SetupError where the span ends before it begins."""
    begin, end = (typed_time(text, timezone, now) if text else None for text in (from_, to))
    if begin and end and end < begin:
        raise SetupError(
            f"--from: received {from_!r}, which is {stamp(begin)} and later than --to {to!r}, {stamp(end)}; "
            "allowed is an earlier --from"
        )
    return begin, end


def _time_of_day(of_day: time, zone: ZoneInfo, now: datetime) -> datetime:
    today = now.astimezone(zone)
    moment = datetime.combine(today.date(), of_day, zone)
    if moment > today:
        yesterday = datetime.fromordinal(today.toordinal() - 1)
        moment = datetime.combine(yesterday.date(), of_day, zone)
    return moment.astimezone(UTC)
