"""The plan as a calendar that phones read: iCalendar (RFC 5545). Pure."""

from datetime import datetime, timedelta

import icalendar

from drymon.shop.facts.outcome import DayPlan, PlannedDip
from drymon.shop.facts.setup import RoomSetup
from drymon.views.plan_words import dip_words


def calendar(plan: DayPlan, room: RoomSetup, until: datetime) -> bytes:
    """All dips of the plan before `until`, each as an event as long as a dip takes."""
    document = icalendar.Calendar()
    document.add("PRODID", "-//drymon//plan of coming dips//EN")
    document.add("VERSION", "2.0")
    for dip in (*plan.now, *plan.next, *plan.later):
        if dip.at < until:
            document.add_component(_event(dip, room, plan.time))
    return bytes(document.to_ical())


def _event(dip: PlannedDip, room: RoomSetup, made: datetime) -> icalendar.Event:
    event = icalendar.Event()
    event.add(
        "UID", f"{room.name}-{dip.tree}-{dip.number}@drymon"
    )  # the same dip keeps its place when the plan moves it
    event.add("DTSTAMP", made)
    event.add("DTSTART", dip.at)
    event.add("DTEND", dip.at + timedelta(minutes=room.hours.dip_min))
    event.add("SUMMARY", f"Dip {dip_words(dip, room)}")
    if dip.note:
        event.add("DESCRIPTION", dip.note)
    return event
