"""Between drymon's types and the columns of the database; every pair of functions loses nothing."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from datetime import UTC, datetime, timedelta
from typing import Any

from drymon.shop.facts.events import (
    ClockChecked,
    Dip,
    FanSwitched,
    Felt,
    Leave,
    LogEvent,
    Look,
    Move,
    SlurryCheck,
    SlurryUndo,
    Undo,
    Weigh,
)
from drymon.shop.facts.outcome import (
    AirNow,
    Bounds,
    DayPlan,
    PlanAir,
    PlannedDip,
    RackStatus,
    Reason,
    State,
    Verdict,
    When,
)

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)

VERDICT_COLUMNS = (
    "time, valid_until, tree, rack, coat, number, dipped_at, state, dryness_low, dryness_best, dryness_high, "
    "dry_early, dry_best, dry_late, redip_by, reasons, shelter, recipe, next_coat, label, advice"
)

EVENT_KINDS: dict[str, type[LogEvent]] = {
    "dip": Dip,
    "weigh": Weigh,
    "felt": Felt,
    "look": Look,
    "move": Move,
    "leave": Leave,
    "undo": Undo,
    "fan": FanSwitched,
    "clock": ClockChecked,
    "slurry": SlurryCheck,
    "slurry-undo": SlurryUndo,
}
_KIND_OF = {event: kind for kind, event in EVENT_KINDS.items()}
_EVENT_COLUMNS = frozenset({"time", "arrived", "id", "by", "tree", "place"})


def to_us(moment: datetime) -> int:
    """Whole microseconds since 1970 of an aware moment; a naive one raises TypeError."""
    return (moment - EPOCH) // _MICROSECOND


def from_us(microseconds: int) -> datetime:
    """The moment, in UTC."""
    return EPOCH + microseconds * _MICROSECOND


def maybe_us(moment: datetime | None) -> int | None:
    """As `to_us`; None stays None."""
    return None if moment is None else to_us(moment)


def maybe_moment(microseconds: int | None) -> datetime | None:
    """As `from_us`; None stays None."""
    return None if microseconds is None else from_us(microseconds)


def to_json(document: Any) -> str:
    """Compact JSON, keys in a fixed order, so that equal documents are equal texts."""
    return json.dumps(document, separators=(",", ":"), ensure_ascii=False, sort_keys=True)


def clean(text: str) -> str:
    """The text with a question mark for every lone surrogate, which JSON can carry and no database stores."""
    return text if text.isascii() else text.encode("utf-8", "replace").decode()


def verdict_row(verdict: Verdict) -> tuple[Any, ...]:
    """The values of `VERDICT_COLUMNS`."""
    dryness = verdict.dryness
    shares = (None, None, None) if dryness is None else (dryness.low, dryness.best, dryness.high)
    return (
        to_us(verdict.time),
        to_us(verdict.valid_until),
        verdict.tree,
        verdict.rack,
        verdict.coat,
        verdict.number,
        to_us(verdict.dipped_at),
        verdict.state.value,
        *shares,
        *_when_row(verdict.dry_at),
        maybe_us(verdict.redip_by),
        to_json([_reason_row(reason) for reason in verdict.reasons]),
        verdict.shelter,
        verdict.recipe,
        verdict.next_coat,
        verdict.label,
        verdict.advice,
    )


def verdict_of(row: Sequence[Any]) -> Verdict:
    """A verdict from the values of `VERDICT_COLUMNS`."""
    return Verdict(
        time=from_us(row[0]),
        valid_until=from_us(row[1]),
        tree=row[2],
        rack=row[3],
        coat=row[4],
        number=row[5],
        dipped_at=from_us(row[6]),
        state=State(row[7]),
        dryness=None if row[9] is None else Bounds(*row[8:11]),
        dry_at=_when_of(row[11:14]),
        redip_by=maybe_moment(row[14]),
        reasons=tuple(Reason(*reason) for reason in json.loads(row[15])),
        shelter=row[16],
        recipe=row[17],
        next_coat=row[18],
        label=row[19],
        advice=row[20],
    )


def _reason_row(reason: Reason) -> list[str]:
    return [reason.code, reason.text, *([reason.severity] if reason.severity else [])]


def rack_body(status: RackStatus) -> str:
    """A rack's status as JSON; moments in microseconds."""
    air = {item.name: getattr(status.air, item.name) for item in fields(AirNow)}
    return to_json(
        {
            "time": to_us(status.time),
            "valid_until": to_us(status.valid_until),
            "rack": status.rack,
            "ready": status.ready,
            "ready_at": None if status.ready_at is None else _when_row(status.ready_at),
            "waiting_for": status.waiting_for,
            # Pairs, not an object: the order of the trees is part of the status.
            "trees": [[tree, state.value] for tree, state in status.trees.items()],
            "air": air,
        }
    )


def rack_of(body: str) -> RackStatus:
    """A rack's status from its JSON."""
    raw: dict[str, Any] = json.loads(body)
    return RackStatus(
        time=from_us(raw["time"]),
        valid_until=from_us(raw["valid_until"]),
        rack=raw["rack"],
        ready=raw["ready"],
        ready_at=None if raw["ready_at"] is None else _when_of(raw["ready_at"]),
        waiting_for=raw["waiting_for"],
        trees={tree: State(state) for tree, state in raw["trees"]},
        air=AirNow(**raw["air"]),
    )


def plan_body(plan: DayPlan) -> str:
    """A plan as JSON; moments in microseconds."""
    return to_json(
        {
            "time": to_us(plan.time),
            "valid_until": to_us(plan.valid_until),
            **{part: [_planned_row(dip) for dip in getattr(plan, part)] for part in ("now", "next", "later")},
            "finishes": {tree: _when_row(finish) for tree, finish in plan.finishes.items()},
            "air": {rack: asdict(told) for rack, told in plan.air.items()},
        }
    )


def plan_of(body: str) -> DayPlan:
    """A plan from its JSON."""
    raw: dict[str, Any] = json.loads(body)
    now, next_, later = (tuple(_planned_of(row) for row in raw[part]) for part in ("now", "next", "later"))
    finishes = {tree: _when_of(row) for tree, row in raw["finishes"].items()}
    air = {rack: PlanAir(**{**told, "assumed": tuple(told["assumed"])}) for rack, told in raw.get("air", {}).items()}
    return DayPlan(from_us(raw["time"]), from_us(raw["valid_until"]), now, next_, later, finishes, air)


def _planned_row(dip: PlannedDip) -> list[Any]:
    until = None if dip.until is None else to_us(dip.until)
    dry = None if dip.dry is None else _when_row(dip.dry)
    when = to_us(dip.at), _when_row(dip.allowed), until
    return [dip.tree, dip.coat, dip.number, dip.rack, *when, dip.note, dip.label, dry]


def _planned_of(row: Sequence[Any]) -> PlannedDip:
    """A planned dip from its row; one that an earlier version kept does not say when it is dry."""
    tree, coat, number, rack, at, allowed, until, note, label, *dry = row
    when = from_us(at), _when_of(allowed), maybe_moment(until)
    return PlannedDip(tree, coat, number, rack, *when, note, label, _when_of(dry[0]) if dry and dry[0] else None)


def event_row(event: LogEvent) -> tuple[Any, ...]:
    """time, arrived, kind, tree, event_id, who, body."""
    body = {item.name: getattr(event, item.name) for item in fields(event) if item.name not in _EVENT_COLUMNS}
    tree = getattr(event, "tree", None)
    kind = _KIND_OF[type(event)]
    return (to_us(event.time), to_us(event.arrived), kind, tree, event.id, event.by, to_json(body))


def event_of(row: Sequence[Any]) -> LogEvent:
    """A log event from the values of `event_row` and its place in the record."""
    time, arrived, kind, tree, event_id, who, body, place = row
    extra: Mapping[str, Any] = json.loads(body)
    named = {} if tree is None else {"tree": tree}
    of_all = {"time": from_us(time), "arrived": from_us(arrived), "id": event_id, "by": who, "place": float(place)}
    return EVENT_KINDS[kind](**of_all, **named, **extra)


def within(column: str, from_: datetime | None, to: datetime | None) -> tuple[str, list[object]]:
    """The condition from_ <= column < to, and its values; None leaves that side open."""
    where, values = ["1 = 1"], list[object]()
    if from_ is not None:
        where.append(f"{column} >= ?")
        values.append(to_us(from_))
    if to is not None:
        where.append(f"{column} < ?")
        values.append(to_us(to))
    return " AND ".join(where), values


def _when_row(when: When) -> tuple[int | None, int | None, int | None]:
    return (maybe_us(when.early), maybe_us(when.best), maybe_us(when.late))


def _when_of(row: Sequence[int | None]) -> When:
    return When(maybe_moment(row[0]), maybe_moment(row[1]), maybe_moment(row[2]))
