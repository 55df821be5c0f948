"""What a change would save, in words. Pure."""

from collections.abc import Iterator
from datetime import datetime, tzinfo

from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import DayPlan, PlanAir
from drymon.shop.facts.setup import RoomSetup
from drymon.shop.plan.what_if import Change, Compared
from drymon.views.plan_words import rack_called

NEVER = "not in 60 days"


def what_if_text(found: Compared, change: Change, room: RoomSetup, zone: tzinfo) -> str:
    """When each tree's last coat would be dry, what that saves, and what it may do to prime coats."""
    lines = [
        f"What if: {', '.join(_words(change))}",
        *_airs(found, room),
        "",
        "  last coat dry     as it is          with that         saved",
        *_trees(found, zone),
        "",
        *_risk(found, room),
    ]
    lines.append("An estimate by the models of this room. Ready to redip is never ready to dewax or pour.")
    return "\n".join(lines) + "\n"


def _words(change: Change) -> Iterator[str]:
    if change.temperature_c is not None:
        yield f"{change.temperature_c:.3g} °C"
    if change.humidity_pct is not None:
        yield f"{change.humidity_pct:.3g} %RH"
    if change.airflow is not None:
        yield f"{change.airflow:.3g} m/s"
    if change.hands is not None:
        yield f"{change.hands} at the slurry at a time"
    if change.recipe is not None:
        yield f"recipe {change.recipe} for all"


def _airs(found: Compared, room: RoomSetup) -> Iterator[str]:
    for rack, air in found.usual.air.items():
        then = air_words(found.changed.air[rack])
        yield f"  {rack_called(room, rack)}: {air_words(air)} now, {then} then"


def air_words(air: PlanAir) -> str:
    """`21.9 °C 48 %RH, 0.6 m/s`."""
    low, high = air.assumed
    speed = f"{air.airflow:.2g}" if air.airflow is not None else f"{low:.2g} to {high:.2g}"
    return f"{air.temperature_c:.1f} °C {air.humidity_pct:.0f} %RH, {speed} m/s"


def _trees(found: Compared, zone: tzinfo) -> Iterator[str]:
    now = found.usual.time
    trees = sorted({*found.usual.finishes, *found.changed.finishes})
    for tree in trees:
        yield _row(tree, _finish(found.usual, tree), _finish(found.changed, tree), now, zone)
    if len(trees) > 1:
        ends = (_last(found.usual), _last(found.changed))
        yield _row("the last of all", *ends, now, zone)
    if not trees:
        yield "  no tree is in the plan"


def _row(name: str, before: datetime | None, after: datetime | None, now: datetime, zone: tzinfo) -> str:
    told = [NEVER if end is None else say(end, now, zone) for end in (before, after)]
    saved = "" if before is None or after is None else _hours((before - after).total_seconds() / 3600.0)
    return f"  {name:<17} {told[0]:<17} {told[1]:<17} {saved}".rstrip()


def _hours(saved: float) -> str:
    amount = f"{abs(saved):.1f} h" if abs(saved) < 48.0 else f"{abs(saved) / 24.0:.1f} days"
    return amount if saved > -0.05 else f"{amount} later"


def _finish(plan: DayPlan, tree: str) -> datetime | None:
    return plan.finishes[tree].best if tree in plan.finishes else None


def _last(plan: DayPlan) -> datetime | None:
    """When the last tree is done; None where that of one is not known."""
    ends = [finish.best for finish in plan.finishes.values()]
    known = [end for end in ends if end is not None]
    return max(known) if known and len(known) == len(ends) else None


def _risk(found: Compared, room: RoomSetup) -> Iterator[str]:
    for name, gain in sorted(found.faster.items()):
        kind = room.coat_by_name[name]
        limit = kind.fastest_loss_pct_per_h
        held = f" Its limit of {limit:g} % an hour is watched." if limit is not None else ""
        yield (
            f"Mind {kind.label or name}: it would dry {gain:.1f} times as fast. A prime coat that dries too fast may "
            f"craze or lift (common practice, no source): change the air only once it is dry.{held}"
        )
