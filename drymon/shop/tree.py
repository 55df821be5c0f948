"""One tree's life in the room as a fold: events and minutes of air in, a new state out. Nothing here is ever changed
in place.
"""

import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from drymon.drying import coat, dips
from drymon.drying.coat import CoatState, PossibleCoats
from drymon.drying.coat_model import CoatModel
from drymon.shop import grades, scale
from drymon.shop.air import MinuteAir, RackAir
from drymon.shop.events import CellMass, Dip, Felt, Look, Move, Shelter, TreeEvent, Weigh
from drymon.shop.outcome import State
from drymon.shop.sensors import MINUTE_S
from drymon.shop.setup import CoatType, RoomSetup
from drymon.shop.starting import model_of

ASSURANCE = 0.95
"""Chance of being dry that "ready" needs."""

FAST_FOR_MIN = 5
"""Minutes in a row above the fastest rate before it counts: a single gust crazes nothing."""

WIDEN_OUTSIDE = 0.15
"""Share of a minute's drying that the slowest member loses where the air lies outside the model's experience."""

FRESH_S = 900.0
"""In which a tree cools to the temperature of its wet face at the latest (assumed)."""

FELT_WEIGHT = 0.35
"""How much less likely a member becomes that a touch contradicts fully: touch tells the surface only (assumed)."""


@dataclass(frozen=True, slots=True)
class World:
    """What a tree's fold may look at: the room's set-up, the coat models, the racks' air."""

    setup: RoomSetup
    models: Mapping[str, CoatModel]
    air: Mapping[str, RackAir]


@dataclass(frozen=True, slots=True)
class TreeState:
    """A tree at stream time `at` (seconds since 1970).

    coats, water: the present dip's ensemble and what is left, None where the coat is unknown. holds: latched reasons
    with their facts. released: codes that a look has released for this coat. What has happened to its air so far:
    fast_s, coldest, warmest, assumed_airflow, outside, gap_s. cold_surface_k: by how much the tree's probe is plainly
    colder than the air, else 0; put on for a verdict alone (`probes`).
    """

    name: str
    rack: str
    at: float
    dip: Dip
    number: int
    shelter: Shelter
    recipe: str
    cell: str | None
    probe: str | None
    kind: CoatType | None
    model: CoatModel | None
    coats: PossibleCoats | None
    water: CoatState | None
    coarsest_um: float | None = None
    below_unknown: bool = False
    redipped: Mapping[str, object] | None = None
    complete: bool = False
    holds: Mapping[str, Mapping[str, object]] = field(default_factory=lambda: MappingProxyType({}))
    released: frozenset[str] = frozenset()
    fast_s: float = 0.0
    coldest: float = math.inf
    warmest: float = -math.inf
    assumed_airflow: bool = False
    outside: bool = False
    gap_s: float = 0.0
    loss_pct_per_h: float = 0.0
    weighings: scale.Weighings = field(default_factory=scale.Weighings)
    cold_surface_k: float = 0.0

    @property
    def target(self) -> float:
        """Share of the water that may be left in the slowest part of a dry coat."""
        return 1.0 - (self.kind.dry_at if self.kind else 0.95)

    @property
    def chance_dry(self) -> float:
        """Chance that the slowest part has reached `dry_at`."""
        if self.water is None:
            return 0.0
        return float(self.water.weights[~np.isnan(self.water.dry_since)].sum())


def dip_key(tree: str, number: int, at: float) -> int:
    """A number that tells dips apart, the same on every machine."""
    return zlib.crc32(f"{tree}/{number}/{int(at)}".encode())


def dipped(world: World, before: TreeState | None, dip: Dip, verdict: State | None) -> TreeState:
    """The state right after a dip; `verdict` is the one in force until now."""
    number = dip.number or (before.number + 1 if before else 1)
    if before is not None and number == 1:
        before = None
    shelter = dip.shelter or (before.shelter if before else "pocketed")
    kind = world.setup.coat_by_name.get(dip.coat)
    model = model_of(kind, world.models) if kind is not None else None
    below_unknown = number > (before.number + 1 if before else 1)
    at = dip.time.timestamp()
    coats = water = None
    if kind is not None and model is not None:
        below = coat.water_left(before.coats, before.water) if before and before.coats and before.water else None
        lost = below_unknown or (before is not None and before.coats is None)
        coats = dips.possible_coats(model, number, shelter, dip_key(dip.tree, number, at), below, lost, dip.rack)
        water = CoatState.fresh(len(coats.zones))
    skipped = grades.skipped(before.coarsest_um if before else None, kind.stucco_mesh if kind else None)
    early = before is not None and verdict not in (State.READY, State.COMPLETE, None)
    return TreeState(
        name=dip.tree,
        rack=dip.rack,
        at=at,
        dip=dip,
        number=number,
        shelter=shelter,
        recipe=dip.recipe or (before.recipe if before else "") or guess_recipe(world.setup, number, dip.coat),
        cell=dip.cell or (before.cell if before and before.rack == dip.rack else None),
        probe=dip.probe or (before.probe if before and before.rack == dip.rack else None),
        kind=kind,
        model=model,
        coats=coats,
        water=water,
        coarsest_um=grades.coarsest(kind.stucco_mesh if kind else None) or (before.coarsest_um if before else None),
        below_unknown=below_unknown or (before.below_unknown if before else False),
        redipped={"state": verdict.value, "chance": before.chance_dry} if early and before and verdict else None,
        holds=MappingProxyType({"grade-skipped": skipped} if skipped else {}),
        weighings=_area_known(before, model),
    )


def _area_known(before: TreeState | None, model: CoatModel | None) -> scale.Weighings:
    """What weighing the coat before has told of the tree's area."""
    if before is None or before.water is None or model is None:
        return scale.Weighings()
    return scale.next_coat(before.weighings, before.water.weights, before.model == model, model.dip_sd["water"])


def guess_recipe(setup: RoomSetup, number: int, coat_name: str) -> str:
    """The recipe meant where a dip names none: the first that has this coat at this number, "" where none has."""
    for recipe in setup.recipes:
        if len(recipe.coats) >= number and recipe.coats[number - 1] == coat_name:
            return recipe.name
    return setup.recipes[0].name if len(setup.recipes) == 1 else ""


def next_coat(setup: RoomSetup, tree: TreeState) -> str | None:
    """The recipe's next coat, None after the last and where no recipe is known."""
    recipe = setup.recipe_by_name.get(tree.recipe)
    if recipe is None or tree.number >= len(recipe.coats):
        return None
    return recipe.coats[tree.number]


def is_last(setup: RoomSetup, tree: TreeState) -> bool:
    """Whether nothing is dipped after this coat: a seal, or the last of its recipe."""
    recipe = setup.recipe_by_name.get(tree.recipe)
    sealed = tree.kind is not None and tree.kind.family == "seal"
    return sealed or (recipe is not None and tree.number >= len(recipe.coats) and tree.dip.coat == recipe.coats[-1])


def told(tree: TreeState, event: TreeEvent, holding: frozenset[str]) -> TreeState:
    """The state after an event other than a dip; `holding`: codes that hold the tree right now."""
    if isinstance(event, Move):
        probe = tree.probe if event.rack == tree.rack else None  # it is plugged in where the tree hung
        return replace(tree, rack=event.rack, cell=event.cell, probe=probe)
    if isinstance(event, Look):
        holds = {code: facts for code, facts in tree.holds.items() if code not in holding}
        return replace(tree, released=tree.released | holding, holds=MappingProxyType(holds))
    if isinstance(event, Felt) and tree.water is not None:
        water = felt(tree.water, tree.water.weights, event.finding, tree.target)
        prior = tree.weighings.prior
        if prior is not None:  # the scale starts from what was known without it
            prior = felt(tree.water, prior, event.finding, tree.target).weights
        return replace(tree, water=water, weighings=replace(tree.weighings, prior=prior))
    if isinstance(event, Weigh | CellMass) and tree.coats is not None and tree.water is not None:
        dipped_at = tree.dip.time.timestamp()
        starting = tree.model is None or tree.model.is_starting_model
        misfit = scale.MISFIT_STARTING if starting else scale.MISFIT_LEARNT
        weighings, water = scale.weighed(tree.weighings, tree.coats, tree.water, event, dipped_at, misfit)
        return _contradicted(replace(tree, weighings=weighings, water=water))
    return tree


def _contradicted(tree: TreeState) -> TreeState:
    """Put the hold on where weight and air disagree: it stays until a look, whatever the scale says next."""
    if not tree.weighings.contradict or {"weight-disagrees"} & {*tree.holds, *tree.released}:
        return tree
    facts = {"what": "no possible coat in this air loses weight like that"}
    return replace(tree, holds=MappingProxyType({**tree.holds, "weight-disagrees": facts}))


def felt(water: CoatState, weights: coat.Array, finding: str, target: float) -> CoatState:
    """Weigh the members by a touch: weak evidence, so the unlikely ones keep a share of their weight."""
    dryness = np.clip((1.0 - water.left[0]) / (1.0 - target), 0.0, 1.0)
    likely = dryness**4 if finding == "dry" else 1.0 - dryness**4
    weights = weights * (FELT_WEIGHT + (1.0 - FELT_WEIGHT) * likely)
    return CoatState(water.left, water.dry_since, weights / weights.sum())


def advanced(world: World, tree: TreeState, until: float) -> TreeState:
    """The state at `until` (seconds): the air of each minute, or part of a minute, since `tree.at`."""
    air = world.air.get(tree.rack)
    while tree.at < until:
        minute = int(tree.at // MINUTE_S)
        end = min(until, (minute + 1) * MINUTE_S)
        if air is None or not steps(tree):
            return replace(tree, at=until)
        tree = _minute(tree, air.minute(minute), end)
    return tree


def steps(tree: TreeState) -> bool:
    """Whether time changes anything about the tree's water."""
    return tree.coats is not None and not tree.complete


def minute_on(world: World, tree: TreeState, end: float, left: coat.Array) -> TreeState:
    """The state at `end`, a whole minute after `tree.at`, with what is left of the water already worked out."""
    return _minute(tree, world.air[tree.rack].minute(int(tree.at // MINUTE_S)), end, left)


def _minute(tree: TreeState, air: MinuteAir, end: float, left: coat.Array | None = None) -> TreeState:
    assert tree.coats is not None
    assert tree.water is not None
    seconds = end - tree.at
    before = tree.water
    outside = air.known and _outside(tree.model, air, tree.number)
    water = coat.advance(tree.coats, before, air.step, end, seconds, tree.target, air.known, left)
    if outside:
        water = _widened(tree.coats, before, water, end, tree.target)
    if not air.known:
        return replace(tree, at=end, water=water, gap_s=tree.gap_s + seconds)
    was = before.left
    if end - tree.dip.time.timestamp() < FRESH_S:  # what a fresh tree's heat takes harms no coat
        was = coat.cooled(tree.coats, was, air.step)
    loss = float(before.weights @ (was[0] - water.left[0])) * 100.0 * 3600.0 / seconds
    wet = tree.chance_dry < ASSURANCE  # at the start of the minute: a swing after the coat is dry does it no harm
    tree = replace(
        tree,
        at=end,
        water=water,
        loss_pct_per_h=loss,
        outside=tree.outside or outside,
        assumed_airflow=tree.assumed_airflow or math.isnan(air.speed),
        coldest=min(tree.coldest, air.temperature_c) if wet else tree.coldest,
        warmest=max(tree.warmest, air.temperature_c) if wet else tree.warmest,
    )
    return _latched(tree, seconds)


def _latched(tree: TreeState, seconds: float) -> TreeState:
    """Put the holds on that the air of these seconds calls for: a minute may come in pieces, cut by events."""
    kind = tree.kind
    if kind is None:
        return tree
    holds: dict[str, Mapping[str, object]] = {}
    limit, fast = kind.fastest_loss_pct_per_h, 0.0
    if limit is not None and tree.loss_pct_per_h > limit:
        fast = tree.fast_s + seconds
        if fast >= FAST_FOR_MIN * MINUTE_S:
            worst = max(tree.loss_pct_per_h, float(str(tree.holds.get("too-fast", {}).get("rate", 0.0))))
            holds["too-fast"] = {"rate": worst, "limit": limit}
    swing = tree.warmest - tree.coldest
    if kind.room.swing_c is not None and swing > kind.room.swing_c:
        holds["swing"] = {"swing": swing, "limit": kind.room.swing_c}
    fresh = {code: facts for code, facts in holds.items() if code not in tree.released}
    if not fresh and fast == tree.fast_s:
        return tree
    return replace(tree, fast_s=fast, holds=MappingProxyType({**tree.holds, **fresh}))


def _outside(model: CoatModel | None, air: MinuteAir, number: int) -> bool:
    """Whether the model has not seen such air, or a coat on so many others."""
    if model is None:
        return False
    values = {
        "temperature_c": air.temperature_c,
        "humidity_pct": air.humidity_pct,
        "airflow_m_per_s": air.speed,
        "number": number,
    }
    for name, value in values.items():
        low, high = model.seen.get(name, (-math.inf, math.inf))
        if value < low or value > high:
            return True
    return False


def _widened(coats: PossibleCoats, before: CoatState, after: CoatState, end: float, target: float) -> CoatState:
    """Outside the model's experience slow members dry less than it says; quick ones go by the model."""
    share = 1.0 - WIDEN_OUTSIDE * np.maximum(2.0 * coats.slowness - 1.0, 0.0)
    left = np.where(after.left < before.left, before.left + share * (after.left - before.left), after.left)
    slowest = left.max(axis=0)
    since = np.where(slowest > target, np.nan, np.where(np.isnan(after.dry_since), end, after.dry_since))
    return CoatState(left, since, after.weights)
