"""Whether "surely by" was kept: the bound that was told at each dip, against when drymon's own word had the coat dry.

A read model of the verdicts on record. A coat is called when it is as sure as its bound is: with nothing learned in
between that is the bound itself, so a little over says little. Air that turned out damper, colder or stiller than was
forecast, and a finger that found it wet, overrun it; who planned by the first word was told wrong all the same.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from statistics import median

from drymon.readback.coat_history import is_about
from drymon.shop.facts.events import Weigh
from drymon.shop.facts.lives import STILL_THERE, Coat, Stay, lives_of
from drymon.shop.facts.outcome import State, Verdict
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.verdict.reasons import Effect, effect_of
from drymon.store import Store

GRACE = timedelta(minutes=5)
"""A verdict that changes no state is on record this often: what is dry within it was so by its bound."""

LOOKED_AT = timedelta(days=60)
"""What dips are counted: a shop changes, and so does what it is told by."""

FAR = 0.1
"""Share of the wait that was told, by which a bound must be overrun to upset a day's plan (assumed)."""

OFTEN, LEAST = 0.1, 2
"""Share of the bounds overrun so far from which on the air, or a model, is to be looked at, and no fewer than so many
(assumed).
"""


class Outcome(StrEnum):
    """What became of a promise. CENSORED: the next dip, or the tree's leaving, came before the bound, and before the
    coat was dry, so nobody knows. RUNNING: its bound is still to come.
    """

    KEPT = "kept"
    OVERRUN = "overrun"
    CENSORED = "censored"
    RUNNING = "running"


@dataclass(frozen=True, slots=True)
class Promise:
    """The first bound told of a coat.

    told: when. likely: the likely moment told with it. bound: "surely by". dry: when it was first said to be dry, None
    while it was not. end: until when the record tells of the coat. hangs: it is on top still. starting: by a starting
    model. weighed: by a cell or on a bench, so that its weight had a say. unknown: for how long, until it was dry or
    `end`, nobody could tell. stays: where it hung.
    """

    tree: str
    coat: str
    number: int
    shelter: str
    dipped: datetime
    told: datetime
    likely: datetime
    bound: datetime
    dry: datetime | None
    end: datetime
    hangs: bool
    starting: bool
    weighed: bool
    unknown: timedelta
    stays: tuple[Stay, ...]

    @property
    def outcome(self) -> Outcome:
        """What became of it."""
        limit = self.bound + GRACE
        if self.dry is not None:
            return Outcome.KEPT if self.dry <= limit else Outcome.OVERRUN
        if self.end > limit:
            return Outcome.OVERRUN
        return Outcome.RUNNING if self.hangs else Outcome.CENSORED

    @property
    def over(self) -> timedelta:
        """Time from the bound to the call "dry". Without a call: to the end of the record, a lower limit."""
        return (self.dry or self.end) - self.bound

    @property
    def is_far(self) -> bool:
        """Whether it was overrun by more than `FAR` of the wait that was told."""
        return self.over > FAR * (self.bound - self.told)


@dataclass(frozen=True, slots=True)
class Tally:
    """Promises counted."""

    promises: Sequence[Promise]

    def of(self, outcome: Outcome) -> list[Promise]:
        """Those of this outcome, in their order."""
        return [promise for promise in self.promises if promise.outcome is outcome]

    def by_coat(self) -> dict[str, "Tally"]:
        """Each coat's own."""
        coats = sorted({promise.coat for promise in self.promises})
        return {coat: Tally([one for one in self.promises if one.coat == coat]) for coat in coats}

    @property
    def too_often(self) -> bool:
        """Whether so many were overrun by far that somebody should see why."""
        over, kept = self.of(Outcome.OVERRUN), self.of(Outcome.KEPT)
        far = sum(promise.is_far for promise in over)
        return far >= LEAST and far > OFTEN * (len(over) + len(kept))


def on_record(store: Store) -> Tally:
    """What was promised at the dips of the record's last `LOOKED_AT`, by tree and time."""
    heard = store.last_arrival()
    if heard is None:
        return Tally(())
    end = max([heard, *(verdict.time for verdict in store.current_verdicts())])  # sensors may be silent, drymon is not
    found = []
    for life in lives_of(store.events(end - LOOKED_AT), end):
        found += promises(life.coats, list(store.verdicts_in_force(life.tree, life.begin)))
    return Tally(sorted(found, key=lambda promise: (promise.tree, promise.told)))


def promises(coats: Iterable[Coat], verdicts: Sequence[Verdict]) -> list[Promise]:
    """What was promised of each of a tree's coats, in their order; coats whose bound was never told are left out.

    verdicts: of that tree, by time: at least all changes of state and all holds.
    """
    found = (_promise(coat, [said for said in verdicts if is_about(coat, said)]) for coat in coats)
    return [promise for promise in found if promise is not None]


def _promise(coat: Coat, said: Sequence[Verdict]) -> Promise | None:
    first = next((one for one in said if one.state is not State.UNKNOWN and one.dry_at.late is not None), None)
    if first is None or first.dry_at.late is None or first.dry_at.best is None or is_dry(first):
        return None
    dry = next((one.time for one in said if one.time >= first.time and is_dry(one)), None)
    return Promise(
        tree=coat.dip.tree,
        coat=coat.dip.coat,
        number=first.number,
        shelter=coat.shelter,
        dipped=coat.dip.time,
        told=first.time,
        likely=first.dry_at.best,
        bound=first.dry_at.late,
        dry=dry,
        end=coat.end,
        hangs=coat.ended_by == STILL_THERE,
        starting=any(reason.code == ReasonCode.STARTING_MODEL for reason in first.reasons),
        weighed=any(stay.cell for stay in coat.stays) or any(isinstance(event, Weigh) for event in coat.events),
        unknown=_unknown([one for one in said if one.time >= first.time], dry or coat.end),
        stays=coat.stays,
    )


def _unknown(said: Sequence[Verdict], end: datetime) -> timedelta:
    until = [*(one.time for one in said[1:]), end]
    gaps = (min(then, end) - one.time for one, then in zip(said, until, strict=True) if one.state is State.UNKNOWN)
    return sum((gap for gap in gaps if gap > timedelta()), timedelta())


def is_dry(verdict: Verdict) -> bool:
    """Whether a verdict has the coat dry, though something else may hold it."""
    effects = {effect_of(reason) for reason in verdict.reasons}
    return verdict.state is not State.UNKNOWN and Effect.DRYING not in effects


def tally_words(tally: Tally) -> str:
    """`18 told at a dip, 12 kept; 1 overrun, by 2.1 h (backup); 3 dipped before; 2 to come`, but what is none."""
    kept, over, censored, running = (tally.of(outcome) for outcome in Outcome)
    parts = [f"{len(tally.promises)} told at a dip, {len(kept)} kept"]
    if over:
        coats = {coat: len(own.of(Outcome.OVERRUN)) for coat, own in tally.by_coat().items()}
        named = ", ".join(coat if len(over) == 1 else f"{count} of {coat}" for coat, count in coats.items() if count)
        parts.append(f"{len(over)} overrun, {_by(over)} ({named})")
    parts += [f"{len(censored)} dipped before"] if censored else []
    parts += [f"{len(running)} to come"] if running else []
    return "; ".join(parts)


def _by(over: Sequence[Promise]) -> str:
    hours = [hours_of(promise.over) for promise in over]
    if len(hours) == 1:
        return f"by {hours[0]:.1f} h"
    far = sum(promise.is_far for promise in over)
    return f"by {median(hours):.1f} h in the middle, {max(hours):.1f} h at most, {far} by over a tenth of their wait"


def hours_of(span: timedelta) -> float:
    """The span in hours."""
    return span / timedelta(hours=1)
