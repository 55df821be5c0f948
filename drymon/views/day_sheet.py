"""The plan as a sheet of paper to hang up: one page a day or less, boxes to tick, room to write. Pure."""

from collections.abc import Sequence
from datetime import datetime, tzinfo
from itertools import groupby

from jinja2 import Environment, PackageLoader, StrictUndefined

from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import DayPlan, PlannedDip
from drymon.shop.facts.setup import RoomSetup
from drymon.views.plan_words import coat_called, rack_called, when_words
from drymon.views.what_if_words import air_words


def day_sheet(plan: DayPlan, room: RoomSetup, zone: tzinfo, until: datetime) -> str:
    """One HTML file that needs nothing else: the dips before `until`, by day."""
    environment = Environment(
        loader=PackageLoader("drymon.views"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    dips = sorted((dip for dip in (*plan.now, *plan.next, *plan.later) if dip.at < until), key=lambda dip: dip.at)
    days = groupby(dips, lambda dip: dip.at.astimezone(zone).date())
    return environment.get_template("day_sheet.html").render(
        room=room.label or room.name,
        made=plan.time.astimezone(zone),
        days=[(f"{date:%A} {date.day} {date:%B %Y}", _rows(list(each), plan, room, zone)) for date, each in days],
        finishes=[(tree, when_words(finish, plan.time, zone)) for tree, finish in plan.finishes.items()],
        airs=[(rack_called(room, rack), air_words(told)) for rack, told in plan.air.items()],
    )


def _rows(dips: Sequence[PlannedDip], plan: DayPlan, room: RoomSetup, zone: tzinfo) -> list[dict[str, str]]:
    ready = {(dip.tree, dip.number) for dip in plan.now}
    return [
        {
            "at": "now" if (dip.tree, dip.number) in ready else f"{dip.at.astimezone(zone):%H:%M}",
            "tree": dip.called,
            "coat": coat_called(room, dip.coat),
            "number": str(dip.number),
            "rack": rack_called(room, dip.rack),
            "until": "" if dip.until is None else say(dip.until, dip.at, zone),
            "dry": "" if dip.dry is None or dip.dry.best is None else say(dip.dry.best, dip.at, zone),
            "note": dip.note,
        }
        for dip in dips
    ]
