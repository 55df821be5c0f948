"""A tank of slurry as its log tells it: what was measured last, in or out of its bands, how old. Pure."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal

from drymon.shop.facts.events import SlurryCheck, TankEvent
from drymon.shop.facts.setup import RoomSetup, Tank
from drymon.shop.facts.standing import in_time

CHECK_EVERY = timedelta(hours=24)
"""A check counts for a day: water goes off, and a binder ages (common practice, no source)."""

Measured = Literal["seconds", "temperature", "density", "ph"]

UNITS: Mapping[Measured, str] = {"seconds": "s", "temperature": "\N{DEGREE SIGN}C", "density": "kg/L", "ph": ""}
"""What is measured of a tank, with its unit."""

NAMES: Mapping[Measured, str] = {
    "seconds": "cup",
    "temperature": "temperature",
    "density": "density",
    "ph": "pH",
}
_BEYOND: Mapping[Measured, tuple[str, str]] = {
    "seconds": ("thinner than", "thicker than"),
    "temperature": ("colder than", "warmer than"),
    "density": ("lighter than", "heavier than"),
    "ph": ("below", "above"),
}


@dataclass(frozen=True, slots=True)
class Value:
    """One measured value, when, and the band that it is to be within; None: none is given."""

    what: Measured
    value: float
    time: datetime
    band: tuple[float, float] | None

    @property
    def beyond(self) -> int:
        """-1 below its band, 1 above it, 0 in it or where there is none."""
        if self.band is None:
            return 0
        return (self.value > self.band[1]) - (self.value < self.band[0])

    @property
    def words(self) -> str:
        """`27 s, thinner than 28 to 34 s`; `pH 9.1`."""
        told = f"{'pH ' if self.what == 'ph' else ''}{with_unit(self.what, f'{self.value:g}')}"
        if self.band is None or not self.beyond:
            return told
        return f"{told}, {_BEYOND[self.what][self.beyond > 0]} {band_words(self.what, self.band)}"


@dataclass(frozen=True, slots=True)
class TankNow:
    """A tank, and the entries of it that stand, by time, since it was last filled anew."""

    tank: Tank
    checks: tuple[SlurryCheck, ...] = ()

    @property
    def values(self) -> list[Value]:
        """The newest of each that was measured."""
        last = {what: check for check in self.checks for what in UNITS if getattr(check, what) is not None}
        return [
            Value(what, getattr(last[what], what), last[what].time, getattr(self.tank, what))
            for what in UNITS
            if what in last
        ]

    @property
    def checked(self) -> datetime | None:
        """When anything was measured last; None: not since it was filled."""
        return max((value.time for value in self.values), default=None)

    @property
    def stirred(self) -> datetime | None:
        """When it was last said to have been stirred."""
        return max((check.time for check in self.checks if check.stirred), default=None)

    @property
    def out_of_band(self) -> list[Value]:
        """What is beyond its band."""
        return [value for value in self.values if value.beyond]

    def is_due(self, at: datetime) -> bool:
        """Whether it is time for the next check."""
        return self.checked is None or at - self.checked > CHECK_EVERY

    @property
    def watered(self) -> datetime | None:
        """When water was last added, with no cup since: what the cup said before says nothing now."""
        cup = next((value.time for value in self.values if value.what == "seconds"), None)
        added = max((check.time for check in self.checks if check.water_added), default=None)
        return added if added is not None and (cup is None or added > cup) else None


def with_unit(what: Measured, value: str) -> str:
    """`32 s`, `9.1`."""
    return f"{value} {UNITS[what]}".rstrip()


def band_words(what: Measured, band: tuple[float, float]) -> str:
    """`28 to 34 s`."""
    return with_unit(what, f"{band[0]:g} to {band[1]:g}")


def tank_of(setup: RoomSetup, name: str, events: Iterable[TankEvent]) -> TankNow:
    """One tank by its events, of one or of many, in any order; one that room.toml does not have by what its last
    entries say.
    """
    return by_checks(setup, name, checks_of(name, events))


def by_checks(setup: RoomSetup, name: str, checks: Sequence[SlurryCheck]) -> TankNow:
    """The same by its checks that stand, by time."""
    filled = max((place for place, check in enumerate(checks) if check.fresh), default=0)
    tank = setup.tank_by_name.get(name) or Tank(name, ())
    for check in checks:
        tank = _as_said(tank, check)
    return TankNow(tank, tuple(checks[filled:]))


def checks_of(name: str, events: Iterable[TankEvent]) -> list[SlurryCheck]:
    """The checks of a tank that stand, by time."""
    said = in_time(event for event in events if event.slurry == name)
    return [one.event for one in said if one.stands and isinstance(one.event, SlurryCheck)]


def tanks_of(setup: RoomSetup, events: Iterable[TankEvent]) -> list[TankNow]:
    """Those of room.toml in its order, then others that the log names, without those taken back to the last word."""
    told = list(events)
    names = dict.fromkeys([*setup.tank_by_name, *sorted({event.slurry for event in told})])
    found = [tank_of(setup, name, told) for name in names]
    return [one for one in found if one.checks or one.tank.name in setup.tank_by_name]


def _as_said(tank: Tank, check: SlurryCheck) -> Tank:
    """A check may name its coats and its cup. Seconds out of another cup are not those of the band."""
    if check.cup is not None and check.cup != tank.cup and check.seconds is not None:
        tank = replace(tank, cup=check.cup, seconds=None)
    return replace(tank, coats=check.coats or tank.coats)


def dipped_in(tanks: Iterable[TankNow], coat: str) -> Iterator[TankNow]:
    """The tanks that this coat is dipped in."""
    return (one for one in tanks if coat in one.tank.coats)
