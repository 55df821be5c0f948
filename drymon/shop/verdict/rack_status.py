"""A rack's readiness from its trees' verdicts."""

import math
from collections.abc import Iterable
from datetime import UTC, datetime

from drymon.shop.facts.outcome import AirNow, RackStatus, State, Verdict, When
from drymon.shop.verdict.judge import VALID_FOR


def rack_status(rack: str, verdicts: Iterable[Verdict], air: AirNow, at: float) -> RackStatus:
    """Ready when at least one tree awaits a dip and every tree that does is ready; a tree under its last coat, dry or
    not, awaits none.
    """
    mine = sorted((v for v in verdicts if v.rack == rack), key=lambda v: v.tree)
    awaiting = [v for v in mine if v.state is not State.COMPLETE and not v.last_coat]
    holding_up = [v for v in awaiting if v.state is not State.READY]
    now = datetime.fromtimestamp(at, UTC)
    return RackStatus(
        time=now,
        valid_until=now + VALID_FOR,
        rack=rack,
        ready=bool(awaiting) and not holding_up,
        ready_at=_ready_at(awaiting),
        waiting_for=max(holding_up, key=_lateness).tree if holding_up else None,
        trees={v.tree: v.state for v in mine},
        air=air,
    )


def says_the_same(said: RackStatus | None, now: RackStatus) -> bool:
    """Whether a rack's trees are as they were said to be."""
    if said is None:
        return False
    return (said.ready, said.trees, said.waiting_for) == (now.ready, now.trees, now.waiting_for)


def _lateness(verdict: Verdict) -> tuple[int, float]:
    """What holds the rack up longest: nobody knows, a person must look, then the latest to be dry."""
    unclear = {State.UNKNOWN: 2, State.HOLD: 1}.get(verdict.state, 0)
    late = verdict.dry_at.late
    return unclear, late.timestamp() if late else math.inf


def _ready_at(awaiting: list[Verdict]) -> When | None:
    """The times from which the last tree may be dipped; none where a tree is unknown or on hold, as no forecast says
    when a person will have looked.
    """
    if not awaiting or any(v.state in (State.UNKNOWN, State.HOLD) for v in awaiting):
        return None
    bounds = ((v.dry_at.early, v.dry_at.best, v.dry_at.late) for v in awaiting)
    early, best, late = (_latest(moments) for moments in zip(*bounds, strict=True))
    return None if best is None else When(early, best, late)


def _latest(moments: tuple[datetime | None, ...]) -> datetime | None:
    known = [moment for moment in moments if moment is not None]
    return max(known) if len(known) == len(moments) else None
