"""What a row of stored verdicts tells: a tree's coats, and which state held from when to when. Pure."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby, zip_longest

from drymon.shop.events import Dip, Leave, LogEvent, Look, Undo
from drymon.shop.outcome import Reason, State, Verdict

WIDENING = ("starting-model", "airflow-assumed", "outside-experience", "buried-water", "redipped-early")
"""Reasons that decide nothing: they widen the bounds and explain."""


@dataclass(frozen=True)
class Stretch:
    """A state that held from `begin` to `end`, with the reasons given when it began."""

    state: State
    begin: datetime
    end: datetime
    reasons: tuple[Reason, ...] = ()
    watched: bool = True


@dataclass(frozen=True)
class CoatHistory:
    """One coat of one tree: all verdicts on it in time order, and when the next dip (or the end) came."""

    verdicts: tuple[Verdict, ...]
    end: datetime

    @property
    def first(self) -> Verdict:
        """The verdict that followed the dip."""
        return self.verdicts[0]

    @property
    def last(self) -> Verdict:
        """The last word on this coat."""
        return self.verdicts[-1]

    @property
    def stretches(self) -> list[Stretch]:
        """The states of this coat, equal neighbours joined."""
        return stretches(self.verdicts, self.end)

    @property
    def ready_at(self) -> datetime | None:
        """When it first was ready (or, the last coat, dry); None while it was not."""
        good = (State.READY, State.COMPLETE)
        return next((verdict.time for verdict in self.verdicts if verdict.state in good), None)


def coats_of(verdicts: Iterable[Verdict], end: datetime) -> list[CoatHistory]:
    """A tree's verdicts, in time order, split by dip; a coat ends at the next dip, the last one at `end`."""
    parts = [tuple(part) for _, part in groupby(verdicts, key=lambda v: (v.dipped_at, v.number, v.coat))]
    ends = [part[0].dipped_at for part in parts[1:]] + [end]
    return [CoatHistory(part, max(until, part[0].time)) for part, until in zip(parts, ends, strict=True)]


def stretches(verdicts: Sequence[Verdict], end: datetime) -> list[Stretch]:
    """Which state held when. Past a verdict's `valid_until` nobody watched: unknown, whatever was."""
    pieces: list[Stretch] = []
    followers = [verdict.time for verdict in verdicts[1:]] + [end]
    for verdict, until in zip(verdicts, followers, strict=True):
        known_to = min(until, max(verdict.valid_until, verdict.time))
        pieces.append(Stretch(verdict.state, verdict.time, known_to, verdict.reasons))
        if known_to < until:
            pieces.append(Stretch(State.UNKNOWN, known_to, until, watched=False))
    return _joined(pieces)


def _joined(pieces: list[Stretch]) -> list[Stretch]:
    joined: list[Stretch] = []
    for piece in pieces:
        if piece.begin >= piece.end:
            continue
        if joined and (joined[-1].state, joined[-1].watched) == (piece.state, piece.watched):
            last = joined.pop()
            piece = Stretch(last.state, last.begin, piece.end, last.reasons, last.watched)
        joined.append(piece)
    return joined


@dataclass(frozen=True)
class Dipped:
    """A dip that stands, and until when its coat was the tree's last: the next dip, the tree's leaving, or `end`."""

    dip: Dip
    end: datetime


def dips_of(events: Iterable[LogEvent], end: datetime) -> list[Dipped]:
    """The dips that were not taken back, by time. events: in time order."""
    standing: dict[str, list[Dip]] = {}
    gone: dict[str, datetime] = {}
    for event in events:
        if isinstance(event, Dip):
            standing.setdefault(event.tree, []).append(event)
        elif isinstance(event, Undo) and standing.get(event.tree):
            standing[event.tree].pop()
        elif isinstance(event, Leave) or (isinstance(event, Look) and event.finding == "scrap"):
            gone[event.tree] = event.time
    found = [
        Dipped(dip, after.time if after else max(gone.get(tree, end), dip.time))
        for tree, dips in standing.items()
        for dip, after in zip_longest(dips, dips[1:])
    ]
    return sorted(found, key=lambda dipped: dipped.dip.time)


def coats_on(rack: str, events: Iterable[LogEvent], begin: datetime, end: datetime) -> set[str]:
    """The coats, by name, that hung on a rack at any time of a span. events: in time order, up to `end`."""
    dips = [dipped for dipped in dips_of(events, end) if dipped.dip.rack == rack]
    return {dipped.dip.coat for dipped in dips if dipped.dip.time < end and dipped.end > begin}


@dataclass(frozen=True, slots=True)
class AirPoint:
    """The air at one time: degC, % RH, and g of vapour per kg of dry air."""

    time: datetime
    temperature_c: float
    humidity_pct: float
    ratio_g_per_kg: float


def natural(name: str) -> tuple[tuple[int, str], ...]:
    """Sort key by which t-9 comes before t-10."""
    parts = re.split(r"(\d+)", name)
    return tuple((int(part), "") if part.isdigit() else (-1, part) for part in parts)
