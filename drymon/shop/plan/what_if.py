"""What if the air were other, a hand more were there, or another recipe were kept to: the plan anew, and held against
the plan by the usual air. Pure.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo

from drymon.drying import air as moist
from drymon.shop.facts.outcome import DayPlan, PlanAir, State, Verdict
from drymon.shop.facts.recipes import coming
from drymon.shop.plan.planner import Planner
from drymon.shop.plan.waits import Waits
from drymon.shop.tree.state import World


@dataclass(frozen=True, slots=True)
class Change:
    """What would be other; None is as it is. degC, %RH, m/s; hands: dips at a time; recipe: of all trees.

    Air that is warmed or cooled keeps its water, unless a humidity is asked for too.
    """

    temperature_c: float | None = None
    humidity_pct: float | None = None
    airflow: float | None = None
    hands: int | None = None
    recipe: str | None = None


@dataclass(frozen=True, slots=True)
class Compared:
    """Both plans, made at the same moment of the same trees. faster: how many times as fast prime coats to come would
    dry, by coat; those that hardly would are left out.
    """

    usual: DayPlan
    changed: DayPlan
    faster: Mapping[str, float]


FASTER = 1.1
"""Less is nothing to warn of: an afternoon does as much."""


def what_if(world: World, verdicts: Iterable[Verdict], told: DayPlan, change: Change, zone: tzinfo) -> Compared:
    """Both plans at the time of the plan that was told, whose air is taken for the usual."""
    known = world.setup.coat_by_name  # room.toml may have been changed since they were said
    at, said = told.time.timestamp(), [verdict for verdict in verdicts if verdict.coat in known]
    usual = Planner(world, told.air)
    air = {rack: changed_air(each, change) for rack, each in told.air.items()}
    hours = replace(world.setup.hours, hands=change.hands or world.setup.hours.hands)
    other = Planner(replace(world, setup=replace(world.setup, hours=hours)), air, usual.waits)
    trees = [_by_recipe(verdict, world, change.recipe) for verdict in said]
    plans = usual.plan(said, at, zone), other.plan(trees, at, zone)
    return Compared(*plans, _faster(trees, usual.waits, other.waits, at))


def changed_air(air: PlanAir, change: Change) -> PlanAir:
    """The air as it would be."""
    temperature = air.temperature_c if change.temperature_c is None else change.temperature_c
    humidity = change.humidity_pct
    if humidity is None:
        ratio = moist.humidity_ratio(air.temperature_c, air.humidity_pct, air.pressure_pa)
        humidity = min(float(moist.humidity_from_ratio(temperature, ratio, air.pressure_pa)), 100.0)
    airflow = air.airflow if change.airflow is None else change.airflow
    return replace(air, temperature_c=temperature, humidity_pct=humidity, airflow=airflow)


def _by_recipe(verdict: Verdict, world: World, recipe: str | None) -> Verdict:
    """The tree as if it were to get the coats of that recipe that come after the one it has."""
    if recipe is None or verdict.state not in (State.DRYING, State.READY):
        return verdict
    left = coming(world.setup, recipe, verdict.number)
    return replace(verdict, recipe=recipe, next_coat=left[0][1] if left else None, last_coat=not left)


def _faster(verdicts: Sequence[Verdict], usual: Waits, other: Waits, at: float) -> dict[str, float]:
    """Prime coats that hang there or are to come, each by the tree where it gains most."""
    setup, found = usual.world.setup, dict[str, float]()
    for tree in verdicts:
        own = [(tree.number, tree.coat)] if tree.coat is not None and tree.state is State.DRYING else []
        for number, coat in [*own, *coming(setup, tree.recipe, tree.number)]:
            if setup.coat_by_name[coat].family == "prime" and tree.rack in setup.rack_by_name:
                key = tree.rack, coat, number, tree.shelter, at
                gain = usual.of(*key).likely_s / other.of(*key).likely_s
                found[coat] = max(found.get(coat, 0.0), gain)
    return {coat: gain for coat, gain in found.items() if gain > FASTER}
