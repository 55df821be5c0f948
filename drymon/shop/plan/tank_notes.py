"""What whoever dips is told of the tank first: out of its bands, or not checked for a day. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, tzinfo

from drymon.shop.facts.events import TankEvent
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import DayPlan, PlannedDip
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.facts.slurry import TankNow, dipped_in, tanks_of


def noted(plan: DayPlan, setup: RoomSetup, events: Sequence[TankEvent], zone: tzinfo) -> DayPlan:
    """The plan with a word on the tanks, of the dips before people go home: later ones have checks of their own."""
    if not (setup.tanks or events):
        return plan
    tanks = tanks_of(setup, events)
    return replace(plan, now=_told(plan.now, tanks, plan, zone), next=_told(plan.next, tanks, plan, zone))


def _told(dips: Sequence[PlannedDip], tanks: Sequence[TankNow], plan: DayPlan, zone: tzinfo) -> tuple[PlannedDip, ...]:
    notes = [(dip, tank_note(tanks, dip.coat, plan.time, zone)) for dip in dips]
    return tuple(replace(dip, note="; ".join(filter(None, (dip.note, note)))) for dip, note in notes)


def tank_note(tanks: Iterable[TankNow], coat: str, now: datetime, zone: str | tzinfo, slurry: str | None = None) -> str:
    """What is told before a dip of this coat, "" where its tank was checked and is as it should be. slurry: which tank
    it is, where that was said.
    """
    meant = [one for one in tanks if one.tank.name == slurry] if slurry else dipped_in(tanks, coat)
    notes = ((one.tank.name, doubt(one, now, zone)) for one in meant)
    return "; ".join(f"slurry {name} {note}" for name, note in notes if note)


def doubt(one: TankNow, now: datetime, zone: str | tzinfo) -> str:
    """What is wrong with a tank, or not known of it: `is out of band: 27 s, thinner than 28 to 34 s`; "" where nothing
    is.
    """
    if beyond := one.out_of_band:
        return f"is out of band: {', '.join(value.words for value in beyond)}"
    if one.watered is not None:
        return f"got water {say(one.watered, now, zone)} and no cup since: check it first"
    if one.checked is None:
        return "has not been checked: check it first"
    if one.is_due(now):
        return f"was last checked {say(one.checked, now, zone)}: check it first"
    return ""
