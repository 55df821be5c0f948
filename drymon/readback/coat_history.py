"""What a row of stored verdicts tells: a tree's coats, and which state held from when to when. And what hung where.

Pure.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from drymon.shop.facts.events import Event
from drymon.shop.facts.lives import Coat, Life, Stay, all_coats, lives_of
from drymon.shop.facts.outcome import Reason, State, Verdict


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


Ends = Mapping[tuple[str, datetime], datetime]
"""Until when a coat was on top, by its tree and dip: the next dip, or the tree left; what hangs still has none."""


def is_about(coat: Coat, verdict: Verdict) -> bool:
    """Whether a verdict was said of this coat, not of one taken back that was told with the same time."""
    return verdict.dipped_at == coat.dip.time and verdict.time >= coat.dip.arrived


def ends_of(lives: Iterable[Life]) -> Ends:
    """When each coat of these lives ended, but those that are on top still."""
    return {
        (life.tree, coat.dip.time): coat.end
        for life in lives
        for coat in life.coats
        if coat is not life.coats[-1] or life.ended_by is not None
    }


def coats_of(verdicts: Iterable[Verdict], end: datetime, ends: Ends | None = None) -> list[CoatHistory]:
    """A tree's verdicts, in time order, split by dip.

    A coat ends at the next dip or where its tree left (`ends`), the last one at `end` if it hangs still.
    """
    parts = [tuple(part) for _, part in groupby(verdicts, key=lambda v: (v.dipped_at, v.number, v.coat))]
    followers = [part[0].dipped_at for part in parts[1:]] + [end]
    told = ends or {}
    return [
        CoatHistory(part, max(min(until, told.get((part[0].tree, part[0].dipped_at), until)), part[0].time))
        for part, until in zip(parts, followers, strict=True)
    ]


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


def last_life(events: Iterable[Event], end: datetime) -> Life | None:
    """The last tree of its name that its events tell of, None where no dip stands."""
    return next(reversed(lives_of(events, end)), None)


def coats_on(rack: str, events: Iterable[Event], begin: datetime, end: datetime) -> set[str]:
    """The coats, by name, that hung on a rack at any time of a span. events: up to `end`."""
    hung = stays_on(rack, all_coats(lives_of(events, end)))
    return {coat.dip.coat for coat, stay in hung if stay.begin < end and stay.end > begin}


def stays_on(rack: str, coats: Iterable[Coat]) -> list[tuple[Coat, Stay]]:
    """Which of the coats hung on a rack, and when."""
    return [(coat, stay) for coat in coats for stay in coat.stays if stay.rack == rack]


@dataclass(frozen=True, slots=True)
class AirPoint:
    """The air at one time: degC, % RH, and g of vapour per kg of dry air."""

    time: datetime
    temperature_c: float
    humidity_pct: float
    ratio_g_per_kg: float
