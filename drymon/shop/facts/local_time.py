"""Times as people in the room read them: the one home of it for verdicts, alarms, commands and pages."""

from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo


def say(moment: datetime, now: datetime, timezone: str | tzinfo) -> str:
    """`moment` (aware) on the room's clock: "14:05" today, "Tue 14:05" this week, else with its date."""
    zone = ZoneInfo(timezone) if isinstance(timezone, str) else timezone
    local, today = moment.astimezone(zone), now.astimezone(zone)
    if local.date() == today.date():
        return f"{local:%H:%M}"
    if abs((local.date() - today.date()).days) < 7:
        return f"{local:%a %H:%M}"
    return f"{local:%Y-%m-%d %H:%M}"
