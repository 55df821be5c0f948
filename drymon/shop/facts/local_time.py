"""Times as people in the room read them: the one home of it for verdicts, alarms, commands and pages."""

from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo


def on_clock(moment: datetime, timezone: str | tzinfo) -> datetime:
    """`moment` (aware) as the room's clock shows it."""
    return moment.astimezone(ZoneInfo(timezone) if isinstance(timezone, str) else timezone)


def clock(moment: datetime, timezone: str | tzinfo) -> str:
    """`14:05`: where the day is plain."""
    return _hour(on_clock(moment, timezone))


def dated(moment: datetime, timezone: str | tzinfo) -> str:
    """`2031-05-12 14:05`: where it is kept, and read on any day."""
    return f"{on_clock(moment, timezone):%Y-%m-%d %H:%M}"


def say(moment: datetime, now: datetime, timezone: str | tzinfo) -> str:
    """`moment` (aware) on the room's clock: "14:05" today, "Tue 14:05" this week, else with its date."""
    local, today = on_clock(moment, timezone), on_clock(now, timezone)
    if local.date() == today.date():
        return _hour(local)
    if abs((local.date() - today.date()).days) < 7:
        return f"{local:%a} {_hour(local)}"
    return dated(moment, timezone)


def _hour(local: datetime) -> str:
    return f"{local.hour:02}:{local.minute:02}"
