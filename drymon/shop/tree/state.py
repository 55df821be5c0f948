"""One tree's life in the room as a fold: events and minutes of air in, a new state out. Nothing here is ever changed
in place.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any, NamedTuple

from drymon.drying import dips, draws, ensemble
from drymon.drying.coat_model import CoatModel
from drymon.drying.conditioned import Evidence
from drymon.drying.edges import EDGES
from drymon.drying.ensemble import CoatState, PossibleCoats
from drymon.drying.possible import weighted_quantiles
from drymon.drying.touch import felt_dry
from drymon.shop.air.rack_air import RackAir
from drymon.shop.air.sensors import minute_of
from drymon.shop.facts import grades
from drymon.shop.facts.events import CellMass, Dip, Felt, Look, Move, Shelter, TreeEvent, Weigh
from drymon.shop.facts.findings import Finding, WeightDisagrees
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import State
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.facts.recipes import guess_recipe
from drymon.shop.facts.setup import CoatType, RoomSetup
from drymon.shop.facts.tank_log import TankLog, Thickness
from drymon.shop.tree.calls import Call
from drymon.shop.tree.redips import Redip
from drymon.shop.tree.starting import measured_model, model_of
from drymon.shop.tree.taught import TAUGHT_COATS, Taught, taught_by
from drymon.shop.weight import scale, scale_doubts
from drymon.shop.weight.weighings import Weighings, area_expected

ASSURANCE = 0.95
"""Chance of being dry that "ready" needs."""

STANDS = 0.90
"""Chance of being dry below which a call is taken back: a few percent are the noise of a weighed ensemble, in which
sixteen members may be all that count.
"""

FELT_WEIGHT = 0.35
"""How much less likely a member becomes that a touch contradicts fully: touch tells the surface only (assumed)."""

SAME_TOUCH_S = 1800.0
"""Within so long the same word of the same place tells nothing more (assumed)."""

_NONE: Mapping[Any, Any] = MappingProxyType({})
_UNWEIGHED = Weighings()


@dataclass(frozen=True, slots=True)
class World:
    """What a tree's fold may look at: the room's set-up, the coat models, the racks' air, the water that coats were
    weighed to bring, by coat, and what was said of the tanks. goes_by: the model of each coat, one and the same for all
    dips; None: there is none.
    """

    setup: RoomSetup
    models: Mapping[str, CoatModel]
    air: Mapping[str, RackAir]
    waters: dict[str, Evidence] = field(default_factory=dict)
    tanks: TankLog = field(default_factory=TankLog)
    goes_by: Mapping[str, CoatModel | None] = field(init=False)

    def __post_init__(self) -> None:
        """Find each coat's model now, and what all ensembles are drawn from: that takes a moment, and a first verdict
        must not wait.
        """
        draws.parameter_scores()
        found = {kind.name: model_of(kind, self.models, self.setup) for kind in self.setup.coats}
        object.__setattr__(self, "goes_by", found)


class TreeState(NamedTuple):
    """A tree at stream time `at` (seconds since 1970). A named tuple, as each minute makes some new ones of each tree.

    coats, water: the present dip's ensemble and what is left, None where the coat is unknown. holds: latched findings
    by their codes. released: codes that a look has released for this coat. What has happened to its air so far:
    fast_s, coldest, warmest, assumed_airflow, outside, drifted (a humidity sensor), gap_s. cold_surface_k: by how much
    the tree's probe is plainly colder than the air, else 0; put on for a verdict alone (`probes`). hung_at: when it was
    moved last. touches: when each place was last felt so, by (where, finding). call: whether it has been called ready.
    sure_in_a_row, unsure_in_a_row: weighings of its cell in a row that found it dry, or less than a call needs to
    stand. untold_at: since when it hangs under a coat that nobody told of, as its cell saw it. label: what people call
    it. worked_out: its drying so far is known; False of an outline, while late facts are folded in. by_cloth: its model
    was drawn for a rack that a wet cloth has measured. slurry: how thick it was, where that is known.
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
    redipped: Redip | None = None
    complete: bool = False
    holds: Mapping[ReasonCode, Finding] = _NONE
    released: frozenset[ReasonCode] = frozenset()
    fast_s: float = 0.0
    coldest: float = math.inf
    warmest: float = -math.inf
    assumed_airflow: bool = False
    outside: bool = False
    drifted: bool = False
    gap_s: float = 0.0
    weighings: Weighings = _UNWEIGHED
    cold_surface_k: float = 0.0
    hung_at: float = -math.inf
    untold_at: float = math.inf
    touches: Mapping[tuple[str, str], float] = _NONE
    call: Call | None = None
    sure_in_a_row: int = 0
    unsure_in_a_row: int = 0
    label: str = ""
    taught: tuple[Taught, ...] = ()
    worked_out: bool = True
    by_cloth: bool = False
    slurry: Thickness | None = None

    @property
    def teaches(self) -> Taught | None:
        """What weighing this coat tells of others of its kind, before a fit.

        Nothing in air that was not rightly known: the members may have moved for the air's sake.
        """
        prior = self.weighings.prior
        if self.coats is None or self.water is None or self.model is None or prior is None or self.drifted:
            return None
        if not self.model.is_starting_model or not self.weighings.tell or self.weighings.contradict:
            return None
        return taught_by(self.dip.coat, self.coats, prior, self.water.weights)

    @property
    def said(self) -> tuple[Taught, ...]:
        """What weighing this and its earlier coats has told of such coats, oldest first."""
        return tuple(one for one in (*self.taught, self.teaches) if one is not None)[-TAUGHT_COATS:]

    @property
    def target(self) -> float:
        """Share of the water that may be left in the slowest part of a dry coat."""
        return 1.0 - (self.kind.dry_at if self.kind else 0.95)

    @property
    def chance_dry(self) -> float:
        """Chance that the slowest part has reached `dry_at`."""
        return 0.0 if self.water is None else self.water.chance_dry


def dipped(world: World, before: TreeState | None, dip: Dip, verdict: State | None) -> TreeState:
    """The state right after a dip; `verdict` is the one in force until now."""
    number = dip.number or (before.number + 1 if before else 1)
    taught = (
        before.said if before is not None else ()
    )  # a piece that is dipped anew from the first coat on has still told of the shop's coats
    if before is not None and number == 1:
        before = None
    shelter = dip.shelter or (before.shelter if before else "pocketed")
    kind = world.setup.coat_by_name.get(dip.coat)
    model, by_cloth = _model(world, dip, kind)
    below_unknown = number > (before.number + 1 if before else 1)
    coats = water = None
    slurry = world.tanks.thickness(world.setup, dip)
    if kind is not None and model is not None:
        below = ensemble.water_left(before.coats, before.water) if before and before.coats and before.water else None
        lost = below_unknown or (before is not None and before.coats is None)
        edges = EDGES[world.setup.edges]
        thick = slurry.log if slurry is not None else 0.0
        coats = dips.possible_coats(model, number, shelter, below, lost, dip.rack, edges=edges, thick=thick)
        water = CoatState.fresh(len(coats.zones))
    skipped = grades.skipped(before.coarsest_um if before else None, kind.stucco_mesh if kind else None)
    early = before is not None and verdict not in (State.READY, State.COMPLETE, None)
    return TreeState(
        name=dip.tree,
        rack=dip.rack,
        at=dip.time.timestamp(),
        dip=dip,
        number=number,
        shelter=shelter,
        label=dip.label or (before.label if before else ""),
        recipe=dip.recipe or (before.recipe if before else "") or guess_recipe(world.setup, number, dip.coat),
        cell=dip.cell or (before.cell if before and before.rack == dip.rack else None),
        probe=dip.probe or (before.probe if before and before.rack == dip.rack else None),
        kind=kind,
        model=model,
        coats=coats,
        water=water,
        coarsest_um=grades.coarsest(kind.stucco_mesh if kind else None) or (before.coarsest_um if before else None),
        below_unknown=below_unknown or (before.below_unknown if before else False),
        redipped=_found(before, verdict) if early and before and verdict else None,
        holds=MappingProxyType({skipped.code: skipped} if skipped else {}),
        weighings=_area_known(dip.tree, before, model),
        taught=taught,
        by_cloth=by_cloth,
        touches=MappingProxyType({}),  # its own, not the default: images tell objects apart
        slurry=slurry,
    )


def _model(world: World, dip: Dip, kind: CoatType | None) -> tuple[CoatModel | None, bool]:
    """What this dip's coat goes by, and whether that is for a rack that a wet cloth has measured."""
    model = world.goes_by[kind.name] if kind is not None else None
    if model is None or not model.is_starting_model:
        return model, False
    air = world.air.get(dip.rack)
    place = air.place_by_cloth(minute_of(dip.time)) if air is not None else None
    return measured_model(model, world.waters.get(dip.coat), place), place is not None


def _found(before: TreeState, verdict: State) -> Redip:
    """What a dip before its time found of the coat below."""
    gone = None
    if before.water is not None:
        gone = 1.0 - float(weighted_quantiles(before.water.slowest, before.water.weights, (0.5,))[0])
    chance = before.chance_dry
    return Redip(verdict, chance, gone, 1.0 - before.target, sure=chance >= ASSURANCE - 1e-9)


def _area_known(name: str, before: TreeState | None, model: CoatModel | None) -> Weighings:
    """What weighing the coat before has told of the tree's area; of a new one that it is a tree, or a witness."""
    if before is None or before.water is None or model is None:
        return Weighings(area=area_expected(name))
    return scale.next_coat(before.weighings, before.water.weights, before.model == model, model.water_sd)


def is_last(setup: RoomSetup, tree: TreeState) -> bool:
    """Whether nothing is dipped after this coat: a seal, or the last of its recipe."""
    recipe = setup.recipe_by_name.get(tree.recipe)
    sealed = tree.kind is not None and tree.kind.family == "seal"
    return sealed or (recipe is not None and tree.number >= len(recipe.coats) and tree.dip.coat == recipe.coats[-1])


def told(world: World, tree: TreeState, event: TreeEvent, holding: frozenset[ReasonCode]) -> TreeState:
    """The state after an event other than a dip; `holding`: codes that hold the tree right now."""
    if isinstance(event, Move):
        probe = tree.probe if event.rack == tree.rack else None  # it is plugged in where the tree hung
        hung = tree._replace(rack=event.rack, cell=event.cell, probe=probe, hung_at=event.time.timestamp())
        if tree.water is None or event.cell in (None, tree.cell):
            return hung
        return hung._replace(weighings=tree.weighings.elsewhere(tree.water.weights))
    if isinstance(event, Look):
        holds = {code: found for code, found in tree.holds.items() if code not in holding}
        return tree._replace(released=tree.released | holding, holds=MappingProxyType(holds), untold_at=math.inf)
    if isinstance(event, Felt):
        return _touched(tree, event)
    if isinstance(event, CellMass):
        return _on_cell(world, tree, event)
    return _weighed(tree, event) if isinstance(event, Weigh) else tree


def _on_cell(world: World, tree: TreeState, event: CellMass) -> TreeState:
    dipped_at = tree.dip.time.timestamp()
    told_at = max(dipped_at, tree.hung_at)
    if scale_doubts.untold_dip(event, told_at):
        return _perhaps_dipped(world, tree, event)
    if scale_doubts.untold_fall(event, told_at):
        return _perhaps_another(world, tree, event)
    return tree if scale_doubts.told_late(event, dipped_at) else _weighed(tree, event)


def _weighed(tree: TreeState, event: Weigh | CellMass) -> TreeState:
    if tree.coats is None or tree.water is None:
        return tree
    dipped_at = tree.dip.time.timestamp()
    misfit = scale.curve_misfit(tree.model)
    weighings, water = scale.weighed(tree.weighings, tree.coats, tree.water, event, dipped_at, misfit)
    tree = tree._replace(weighings=weighings, water=water)
    if isinstance(event, CellMass):
        sure, unsure = tree.chance_dry >= ASSURANCE - 1e-9, tree.chance_dry < STANDS - 1e-9
        tree = tree._replace(
            sure_in_a_row=tree.sure_in_a_row + 1 if sure else 0,
            unsure_in_a_row=tree.unsure_in_a_row + 1 if unsure else 0,
        )
    return _contradicted(tree)


def _contradicted(tree: TreeState) -> TreeState:
    """Put the hold on where weight and air disagree: it stays until a look, whatever the scale says next."""
    if not tree.weighings.contradict or ReasonCode.WEIGHT_DISAGREES in {*tree.holds, *tree.released}:
        return tree
    return _disagreeing(tree, "no possible coat in this air loses weight like that")


def _perhaps_dipped(world: World, tree: TreeState, event: CellMass) -> TreeState:
    """A dip is proposed, not assumed: what hangs there now says nothing of the coat below, and while nobody tells of it
    nothing is known of the one on top.
    """
    if _waits(tree, event, event.rose_at):
        return tree
    when = say(datetime.fromtimestamp(event.rose_at, UTC), event.time, world.setup.timezone)
    what = f"the weight rose by {event.rose_kg:.2f} kg at {when} as by a dip that nobody told of: tell it with its time"
    return _disagreeing(tree, what)._replace(untold_at=event.rose_at)


def _perhaps_another(world: World, tree: TreeState, event: CellMass) -> TreeState:
    """No water leaves all at once: what hangs there now tells nothing of this tree until somebody has looked."""
    if _waits(tree, event, event.fell_at):
        return tree
    when = say(datetime.fromtimestamp(event.fell_at, UTC), event.time, world.setup.timezone)
    what = (
        f"the weight fell by {1000.0 * event.fell_kg:.0f} g at {when} all at once, as no water leaves: if trees have "
        "changed places, tell the move with its time"
    )
    return _disagreeing(tree, what)


def _waits(tree: TreeState, event: CellMass, since: float) -> bool:
    """Somebody may still be about to tell what the cell has seen, or has looked at it."""
    return event.time.timestamp() < since + scale_doubts.PATIENCE_S or ReasonCode.WEIGHT_DISAGREES in tree.released


def _disagreeing(tree: TreeState, what: str) -> TreeState:
    found = WeightDisagrees(what)
    return tree._replace(holds=MappingProxyType({**tree.holds, found.code: found}))


def _touched(tree: TreeState, event: Felt) -> TreeState:
    """A touch weighs the members, once within `SAME_TOUCH_S`: a second finger there is no second witness."""
    said, at = (event.where, event.finding), event.time.timestamp()
    if tree.water is None or at < tree.touches.get(said, -math.inf) + SAME_TOUCH_S:
        return tree
    faces = event.where == "face" and tree.shelter != "open"
    zone = 0 if faces else -1  # of an open tree the edges are felt too
    water = felt(tree.water, tree.water.weights, event.finding, tree.target, zone)
    prior = tree.weighings.prior
    if prior is not None:  # the scale starts from what was known without it
        prior = felt(tree.water, prior, event.finding, tree.target, zone).weights
    touches = MappingProxyType({**tree.touches, said: at})
    return tree._replace(water=water, weighings=replace(tree.weighings, prior=prior), touches=touches)


def felt(water: CoatState, weights: ensemble.Array, finding: str, target: float, zone: int = 0) -> CoatState:
    """Weigh the members by a touch in one of their zones: weak evidence, so the unlikely ones keep a share of their
    weight.
    """
    dry = felt_dry(water.left[zone], target)
    likely = dry if finding == "dry" else 1.0 - dry
    weights = weights * (FELT_WEIGHT + (1.0 - FELT_WEIGHT) * likely)
    return CoatState(water.left, water.dry_since, weights / weights.sum())
