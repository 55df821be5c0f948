"""Times, shares and states in the words of the room: small pure functions that the templates call."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from drymon.readback.now import age
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import AirNow, State, When, recorded_in
from drymon.views.expected import sure

FACES: dict[State, tuple[str, str]] = {
    State.DRYING: ("Drying", "drop"),
    State.READY: ("Ready", "tick"),
    State.HOLD: ("Hold", "bar"),
    State.UNKNOWN: ("Unknown", "ask"),
    State.COMPLETE: ("Complete", "disc"),
}
"""A state's word and its shape (a symbol of shapes.svg)."""

SHELTER_WORDS = {
    "open": "open: plain faces, air gets everywhere",
    "pocketed": "pocketed: corners, slots, shallow cores",
    "deep": "deep: blind holes, narrow cores",
}


DAYS_BACK = 14


@dataclass(frozen=True, slots=True)
class Words:
    """Says moments on the room's clock as seen from `now`."""

    now: datetime
    timezone: str

    def moment(self, moment: datetime | None) -> str:
        """`14:05`, `Tue 14:05`, or with its date."""
        return "—" if moment is None else say(moment, self.now, self.timezone)

    def expected(self, when: When | None) -> str:
        """`14:40`, or what stands for a moment that nobody can tell, or that has passed."""
        if when is not None and self.is_past(when.best):
            return sure(when, self.now, self.timezone)
        return "no end in sight" if when is None or when.best is None else self.moment(when.best)

    def between(self, when: When | None) -> str:
        """`perhaps from 14:05, sure by 15:30`; an open end is said."""
        if when is None or when.best is None:
            return ""
        late = "not sure within 14 days" if when.late is None else f"sure by {self.moment(when.late)}"
        return f"perhaps {'now' if self.is_past(when.early) else f'from {self.moment(when.early)}'}, {late}"

    def ago(self, moment: datetime) -> str:
        """`4 min`, `3 h 10 min`."""
        return age(self.now - moment)

    def is_past(self, moment: datetime | None) -> bool:
        """Whether it lies behind."""
        return moment is not None and moment <= self.now

    def day(self, moment: datetime) -> str:
        """`2031-03-03`, on the room's clock."""
        return f"{moment.astimezone(ZoneInfo(self.timezone)):%Y-%m-%d}"

    def days_back(self) -> list[tuple[str, str]]:
        """The days that something may be told of late, as `2031-03-03` and `Mon 3 Mar`, today first."""
        today = self.now.astimezone(ZoneInfo(self.timezone)).date()
        days = [today - timedelta(days=back) for back in range(DAYS_BACK)]
        return [(f"{day}", f"{day:%a} {day.day} {day:%b}") for day in days]

    def clock(self) -> str:
        """The room's clock now, to the second."""
        return f"{self.now.astimezone(ZoneInfo(self.timezone)):%H:%M:%S}"


def air_words(air: AirNow | None) -> list[str]:
    """`21.4 °C`, `48 % RH`, `1.2 m/s`; what is not known is left out."""
    if air is None:
        return []
    parts = (
        (air.temperature_c, ".1f", "°C"),
        (air.humidity_pct, ".0f", "% RH"),
        (air.airflow_m_per_s, ".1f", "m/s"),
        *((value, f".{row.digits}f", f"{row.unit} {row.name}") for row, value in recorded_in(air)),
    )
    return [f"{value:{form}} {unit}" for value, form, unit in parts if value is not None]
