"""The plan of coming dips in words: for the terminal, a calendar, and a printed sheet. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, tzinfo

from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import DayPlan, PlannedDip, When
from drymon.shop.facts.setup import RoomSetup

NOBODY = "nothing"
PARTS = (("now", "Dip now"), ("next", "Next"), ("later", "Later"))


def plan_text(plan: DayPlan, room: RoomSetup, zone: tzinfo, until: datetime) -> str:
    """The whole plan up to `until`, a dip a line."""
    lines: list[str] = []
    for part, title in PARTS:
        dips = [dip for dip in getattr(plan, part) if part == "now" or dip.at < until]
        lines += [title, *(_lines(dips, room, plan.time, zone) if dips else [f"  {NOBODY}"]), ""]
    lines += ["Last coat dry", *_finishes(plan, zone), ""]
    lines.append(
        "By the air of the past day and the hours in room.toml. Ready to redip is never ready to dewax or pour."
    )
    return "\n".join(lines) + "\n"


def as_past(plan: DayPlan) -> DayPlan:
    """A plan that holds no more: what was to be dipped then is not said to be ready."""
    return replace(plan, now=(), next=(*plan.now, *plan.next))


def past_words(plan: DayPlan, zone: tzinfo) -> str:
    """What is said of it."""
    made = plan.time.astimezone(zone)
    return (
        f"this plan is of {made:%a %Y-%m-%d %H:%M} and holds no more: no tree is known to be ready. "
        "Start the service: drymon serve"
    )


def dip_words(dip: PlannedDip, room: RoomSetup) -> str:
    """`tree-1, coat 4 (Backup), rack-a`."""
    return f"{dip.called}, coat {dip.number} ({coat_called(room, dip.coat)}), {rack_called(room, dip.rack)}"


def coat_called(room: RoomSetup, name: str) -> str:
    """What people call a coat; its name where room.toml has no label, or no such coat any more."""
    coat = room.coat_by_name.get(name)
    return (coat.label if coat else "") or name


def rack_called(room: RoomSetup, name: str) -> str:
    """What people call a rack; its name where room.toml has no label, or no such rack any more."""
    rack = room.rack_by_name.get(name)
    return (rack.label if rack else "") or name


def when_words(when: When, now: datetime, zone: tzinfo) -> str:
    """`Tue 09:00 to Wed 14:00, most likely Tue 16:00`; what is not known is not told."""
    if when.best is None:
        return "not within the plan's 60 days"
    ends = [say(end, now, zone) for end in (when.early, when.late) if end is not None]
    span = f" ({' to '.join(dict.fromkeys(ends))})" if ends else ""
    return f"{say(when.best, now, zone)}{span}"


def _lines(dips: Sequence[PlannedDip], room: RoomSetup, now: datetime, zone: tzinfo) -> Iterator[str]:
    for dip in dips:
        until = f", by {say(dip.until, now, zone)} at the latest" if dip.until is not None else ""
        yield f"  {say(dip.at, now, zone):>16}  {dip_words(dip, room)}{until}"
        if dip.note:
            yield f"  {'':>16}  {dip.note}"


def _finishes(plan: DayPlan, zone: tzinfo) -> Iterator[str]:
    if not plan.finishes:
        yield f"  {NOBODY} is known"
    for tree, finish in plan.finishes.items():
        yield f"  {tree}: {when_words(finish, plan.time, zone)}"
