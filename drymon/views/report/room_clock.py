"""Times of a record: on the room's clock with the date, and how that clock stands to UTC."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from drymon.shop.facts.local_time import clock, dated, on_clock


@dataclass(frozen=True)
class RoomClock:
    """Says moments on the room's clock."""

    timezone: str

    def at(self, moment: datetime | None) -> str:
        """`2031-05-12 07:10`, an em dash for none."""
        return "—" if moment is None else dated(moment, self.timezone)

    def time(self, moment: datetime | None, beside: datetime) -> str:
        """`07:10` on the day of `beside`, else with the date."""
        if moment is None or on_clock(moment, self.timezone).date() != on_clock(beside, self.timezone).date():
            return self.at(moment)
        return clock(moment, self.timezone)

    def against_utc(self, moments: Iterable[datetime]) -> str:
        """How the clock stood to UTC at these moments: `UTC+01:00, UTC+02:00 by 2031-03-30 03:00`."""
        zone = ZoneInfo(self.timezone)
        found: list[tuple[str, datetime]] = []
        for moment in moments:
            offset = _offset(moment.astimezone(zone))
            if not found or found[-1][0] != offset:
                found.append((offset, moment))
        later = [f"{offset} by {self.at(moment)}" for offset, moment in found[1:]]
        return ", ".join([found[0][0], *later])


def _offset(local: datetime) -> str:
    sign_hours_minutes = f"{local:%z}"
    return "UTC" if sign_hours_minutes == "+0000" else f"UTC{sign_hours_minutes[:3]}:{sign_hours_minutes[3:5]}"


def utc(moment: datetime) -> str:
    """RFC 3339 in UTC, to the second: `2031-05-12T05:10:00Z`."""
    return f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"


def length(span: timedelta) -> str:
    """`7 h 20 min`, `45 min`, `3 d 4 h`."""
    minutes = round(span.total_seconds() / 60)
    days, hours = divmod(minutes // 60, 24)
    if days:
        return f"{days} d {hours} h" if hours else f"{days} d"
    return f"{hours} h {minutes % 60} min" if hours else f"{minutes} min"
