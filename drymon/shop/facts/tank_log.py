"""What was said of the tanks so far, and how thick the slurry of a dip was by it. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from drymon.drying import thickness
from drymon.shop.facts.events import Dip, SlurryCheck, TankEvent
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.facts.slurry import CHECK_EVERY, by_checks, checks_of


@dataclass(frozen=True, slots=True)
class Thickness:
    """How thick the slurry of a dip was: the tank, its cup's seconds and their band, and `thickness.of_cup` of them."""

    slurry: str
    seconds: float
    band: tuple[float, float]
    log: float


class TankLog:
    """What was said of the tanks, in order of arrival, and how thick their slurry was."""

    def __init__(self, events: Iterable[TankEvent] = ()) -> None:
        self.events = list(events)
        self._checks: dict[str, list[SlurryCheck]] = {}

    def take(self, event: TankEvent, setup: RoomSetup, dips: Iterable[Dip] = ()) -> list[Dip]:
        """One more; those of the dips whose slurry was another by that than was known so far."""
        own = [dip for dip in dips if tank_name(setup, dip) == event.slurry]
        before = self._standing(event.slurry) if own else []
        self.events.append(event)
        self._checks.pop(event.slurry, None)
        if not own:
            return []
        since = _first_apart(before, self._standing(event.slurry))
        told = [dip for dip in own if since is not None and dip.time >= since]
        return [dip for dip in told if _thickness(setup, dip, before) != self.thickness(setup, dip)]

    def go_on_from(self, events: Iterable[TankEvent]) -> None:
        """These were said so far."""
        self.events, self._checks = list(events), {}

    def thickness(self, setup: RoomSetup, dip: Dip) -> Thickness | None:
        """That of the slurry of a dip by the cup of the day before it; None: it is not known."""
        name = tank_name(setup, dip)
        return _thickness(setup, dip, self._standing(name)) if name is not None else None

    def _standing(self, name: str) -> Sequence[SlurryCheck]:
        if name not in self._checks:
            self._checks[name] = checks_of(name, self.events)
        return self._checks[name]


def tank_name(setup: RoomSetup, dip: Dip) -> str | None:
    """The tank that a dip was made in: the one that it names, else the only one that its coat is dipped in."""
    meant = [dip.slurry] if dip.slurry else [tank.name for tank in setup.tanks if dip.coat in tank.coats]
    return meant[0] if len(meant) == 1 else None


def _thickness(setup: RoomSetup, dip: Dip, checks: Sequence[SlurryCheck]) -> Thickness | None:
    """By the tank's checks that stand, by time. Water since the cup, or a new filling, make it unknown."""
    one = by_checks(setup, tank_name(setup, dip) or "", [check for check in checks if check.time <= dip.time])
    cup = next((value for value in one.values if value.what == "seconds"), None)
    if cup is None or cup.band is None or one.watered is not None or dip.time - cup.time > CHECK_EVERY:
        return None
    return Thickness(one.tank.name, cup.value, cup.band, thickness.of_cup(one.tank.cup, cup.value, cup.band))


def _first_apart(before: Sequence[SlurryCheck], after: Sequence[SlurryCheck]) -> datetime | None:
    """The time of the first check that stands in one of the two alone."""
    old, new = ({id(check): check for check in checks} for checks in (before, after))
    return min(({**old, **new}[each].time for each in old.keys() ^ new.keys()), default=None)
