"""What the plan promised, and what came: the ends of shells as they were told, held against the moments when their last
coats were called dry. Pure.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from statistics import median
from typing import Any
from zoneinfo import ZoneInfo

from drymon.messages.message import Message
from drymon.messages.times import parse_time
from drymon.messages.topics import out_prefix
from drymon.shop.facts.outcome import State

MORNING_H = 7
"""Hour of the room's clock from which on the day's first plan counts as that morning's word."""


@dataclass(frozen=True, slots=True)
class Told:
    """The end of a shell as a plan told it. late None: not within what a plan looks ahead."""

    at: datetime
    early: datetime
    best: datetime
    late: datetime | None

    def holds(self, end: datetime) -> bool:
        """Whether the end came within what was told."""
        return self.early <= end and (self.late is None or end <= self.late)


@dataclass
class PlanKept:
    """Hears plans and verdicts, in order. told: of each tree, at its first plan and each morning after."""

    room: str
    timezone: str
    told: dict[str, list[Told]] = field(default_factory=dict)
    ended: dict[str, datetime] = field(default_factory=dict)
    _mornings: dict[str, date] = field(default_factory=dict)

    def hear(self, message: Message) -> None:
        """Take what is said up; other messages are none of its business."""
        about = message.topic.removeprefix(out_prefix(self.room))
        if about == "plan" and message.payload:
            self._plan(json.loads(message.payload))
        elif about.startswith("tree/") and message.payload:
            said = json.loads(message.payload)
            if said["state"] == State.COMPLETE.value:
                self.ended.setdefault(said["tree"], parse_time(said["time"]))

    def _plan(self, said: dict[str, Any]) -> None:
        at = parse_time(said["time"])
        local = at.astimezone(ZoneInfo(self.timezone))
        for tree, about in said["trees"].items():
            finish = about["finish"]
            if tree in self.ended or not finish or not finish["early"] or not finish["best"]:
                continue
            first = tree not in self.told
            if not first and (local.hour < MORNING_H or self._mornings[tree] == local.date()):
                continue
            self._mornings[tree] = local.date()
            late = parse_time(finish["late"]) if finish["late"] else None
            one = Told(at, parse_time(finish["early"]), parse_time(finish["best"]), late)
            self.told.setdefault(tree, []).append(one)

    def lines(self) -> Iterator[str]:
        """A table of the ends that came, then how many of all that was told of them held."""
        done = sorted((end, tree) for tree, end in self.ended.items() if tree in self.told)
        if not done:
            return
        yield f"{'shell':<10} {'told at its first dip':<36} came"
        for end, tree in done:
            one = self.told[tree][0]
            late = self._moment(one.late) if one.late else "beyond the plan"
            words = f"{self._moment(one.best)} ({self._moment(one.early)} to {late})"
            held = "as told" if one.holds(end) else "before it" if end < one.early else "after it"
            yield f"{tree:<10} {words:<36} {self._moment(end):<12} {held}"
        every = [(one, end) for end, tree in done for one in self.told[tree]]
        held_all = sum(one.holds(end) for one, end in every)
        off = median(abs(one.best - end) / timedelta(hours=1) for one, end in every)
        yield (
            f"Of {len(every)} ends told, at the first dip and each morning after, {held_all} came within what was "
            f"told; half of the likely ends were less than {off:.1f} h off."
        )

    def _moment(self, moment: datetime) -> str:
        return f"{moment.astimezone(ZoneInfo(self.timezone)):%a %H:%M}"
