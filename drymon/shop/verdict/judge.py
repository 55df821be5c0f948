"""From a tree's state and the evidence of the moment to a verdict. Never optimistic about what is missing."""

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from statistics import median

import numpy as np

from drymon.drying import possible
from drymon.drying.ensemble import Array, CoatState, PossibleCoats
from drymon.shop.air.minute_air import MinuteAir
from drymon.shop.air.sensors import MINUTE_S, minute_done
from drymon.shop.facts import findings as f
from drymon.shop.facts.findings import Finding
from drymon.shop.facts.local_time import say
from drymon.shop.facts.outcome import Bounds, State, Verdict, When
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.facts.recipes import next_coat
from drymon.shop.tree import redips
from drymon.shop.tree import state as trees
from drymon.shop.tree.state import ASSURANCE, TreeState, World
from drymon.shop.verdict import taking_back
from drymon.shop.verdict.advice import CountedTouch, advice, slowest_place
from drymon.shop.verdict.reasons import ORDER, REASONS, Effect, decide, reason_of
from drymon.shop.weight import scale_doubts

VALID_FOR = timedelta(minutes=10)
NEVER = When(None, None, None)
BELOW = {State.DRYING: "still drying", State.HOLD: "on hold", State.UNKNOWN: "of unknown dryness"}
"""A state, said of the coat below."""

BURIED_TOLD = 0.02
"""Median share of buried water from which it is told."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """When each member of a tree's ensemble is dry: stream seconds (members,), infinite beyond the horizon; made at
    `made`. would_do: the humidity that would do where the air is too damp to be sure of it within 14 days, else None.
    """

    made: float
    dry: Array
    would_do: float | None = None


def find(world: World, tree: TreeState, clock_known: bool) -> list[Finding]:
    """Findings that decide the state at `tree.at`; texts that need an outlook are completed later."""
    if tree.complete:
        return []
    found = _unknowns(world, tree, clock_known)
    if tree.kind is not None and tree.coats is not None:
        found += _holds(world, tree) + _drying(tree)
    if all(
        REASONS[finding.code].effect is Effect.HOLD for finding in found
    ):  # told with the others: one look answers them all
        found += _unlearned(tree)
    return found


def state_of(world: World, tree: TreeState, clock_known: bool) -> State:
    """The tree's state at `tree.at`."""
    if tree.complete:
        return State.COMPLETE
    return decide(find(world, tree, clock_known), trees.is_last(world.setup, tree))


def is_news(world: World, tree: TreeState, said: Verdict, clock_known: bool) -> bool:
    """Whether what was said of the tree does not hold any more at `tree.at`: it has another dip, rack or state, or has
    become likely dry, which somebody waits for with a finger.
    """
    if tree.dip.time != said.dipped_at or tree.rack != said.rack:
        return True
    ahead = said.dry_at.best is not None and said.dry_at.best > said.time
    if ahead and tree.chance_dry >= redips.LIKELY:
        best = _when(tree, None).best
        if best is not None and best.timestamp() <= tree.at:
            return True
    return state_of(world, tree, clock_known) is not said.state


def holding(world: World, tree: TreeState, clock_known: bool) -> frozenset[ReasonCode]:
    """Codes that hold the tree now: what a look releases."""
    codes = (finding.code for finding in find(world, tree, clock_known))
    return frozenset(code for code in codes if REASONS[code].effect is Effect.HOLD)


def _unknowns(world: World, tree: TreeState, clock_known: bool) -> list[Finding]:
    found: list[Finding] = []
    if not clock_known:
        found.append(f.ClockUnknown())
    if not tree.worked_out:
        found.append(f.WorkingOut())
    elif tree.coats is None:
        found.append(f.CoatUnknown(tree.dip.coat))
    missing = world.air[tree.rack].missing(tree.at)
    if missing:
        found.append(f.AirUnknown(" and ".join(missing), tree.rack, world.setup.stale_after_min))
    return found


def _holds(world: World, tree: TreeState) -> list[Finding]:
    assert tree.kind is not None
    found = list(tree.holds.values())
    limit = tree.kind.longest_wait_h
    waited = (tree.at - tree.dip.time.timestamp()) / 3600.0
    last = trees.is_last(world.setup, tree)
    if limit is not None and waited > limit and not last and ReasonCode.TOO_LONG not in tree.released:
        found.append(f.TooLong(waited, limit))
    return found


def _drying(tree: TreeState) -> list[Finding]:
    assert tree.kind is not None
    assert tree.water is not None
    found: list[Finding] = []
    if tree.chance_dry < taking_back.needed(tree) - 1e-9 or tree.cold_surface_k:
        found.append(f.Wet())
    elif tree.coats is not None and (rate := _falling(tree, tree.coats, tree.water)):
        found.append(f.WeightFalling(rate))
    elif taking_back.awaits_weighing(tree):
        found.append(f.WeighingAwaited())
    until = _not_before(tree)
    if until is not None and tree.at < until.timestamp():
        found.append(f.TooSoon(until))
    return found


def _where(tree: TreeState, finding: Finding) -> Finding:
    """The finding; of a tree that is wet in its pockets alone, that. It decides nothing, so only a verdict asks."""
    wet = type(finding) is f.Wet and tree.chance_dry < taking_back.needed(tree) - 1e-9
    if wet and tree.shelter != "open" and tree.water is not None and _open_dry(tree, tree.water):
        return f.PocketWet()
    return finding


def _open_dry(tree: TreeState, water: CoatState) -> bool:
    """Whether the open faces are surely dry."""
    dry = water.left[0] <= tree.target
    return bool(dry.any()) and float(water.weights[dry].sum()) >= ASSURANCE - 1e-9


def _falling(tree: TreeState, coats: PossibleCoats, water: CoatState) -> float | None:
    """Loss in g per hour that contradicts "dry"; what has been called needs a plainer one to be taken back."""
    return scale_doubts.falling(tree.weighings, coats, water, tree.at, plainly=taking_back.stands(tree))


def _taken_back(world: World, tree: TreeState, state: State) -> list[Finding]:
    """That it was called and is not now, as nothing that was told may be gone without a word."""
    if tree.call is None or state is not State.DRYING:
        return []
    return [f.TakenBack(datetime.fromtimestamp(tree.call.at, UTC), taking_back.why(world, tree))]


def _unlearned(tree: TreeState) -> list[Finding]:
    if tree.model is None:
        return []
    found: list[Finding] = []
    learned = tree.shelter == "open" or tree.shelter in tree.model.shelters_learned
    if not learned and ReasonCode.POCKET_UNLEARNED not in tree.released:
        found.append(f.PocketUnlearned(tree.shelter))
    if not tree.model.tail_learned and ReasonCode.TAIL_UNLEARNED not in tree.released:
        found.append(f.TailUnlearned())
    if tree.model.doubt and ReasonCode.MODEL_DOUBT not in tree.released:
        found.append(f.ModelDoubt(tree.model.doubt))
    return found


def _widening(world: World, tree: TreeState) -> list[Finding]:
    found: list[Finding] = []
    if tree.redipped is not None:
        known, severity = redips.words(tree.redipped), redips.severity(tree.redipped)
        found.append(f.RedippedEarly(BELOW[tree.redipped.state], known, severity))
    if tree.model is None or tree.coats is None:
        return found
    air = world.air[tree.rack].minute(minute_done(tree.at))
    if tree.assumed_airflow or (air.known and math.isnan(air.speed)):
        found.append(f.AirflowAssumed(tree.rack, _assumed(tree, air)))
    if tree.model.is_starting_model:
        found.append(f.StartingModel())
    if tree.outside:
        found.append(f.OutsideExperience(tree.dip.coat))
    buried = median(tree.coats.buried[-1].tolist())
    if tree.below_unknown:
        found.append(f.BuriedWater("the shell was begun elsewhere: what lies below this coat is not known"))
    elif buried > BURIED_TOLD:
        what = f"about {100 * buried:.0f} % of the water was left in the coats below when it was dipped"
        found.append(f.BuriedWater(what))
    return found


def _assumed(tree: TreeState, air: MinuteAir) -> str:
    """What stands in the place of a measured air speed, in words."""
    low, high = air.range_of(tree.by_cloth)
    if tree.by_cloth and air.by_cloth:
        return f"by its wet cloth it dries like {low:.2g} to {high:.2g} m/s"
    return f"taken as somewhere between {low:g} and {high:g} m/s"


def verdict(world: World, tree: TreeState, outlook: Outlook | None, zone: tzinfo, clock_known: bool = True) -> Verdict:
    """The whole verdict at `tree.at`, texts in the room's time zone."""
    found = [_where(tree, one) for one in find(world, tree, clock_known)]
    last = trees.is_last(world.setup, tree)
    state = State.COMPLETE if tree.complete else decide(found, last)
    now = datetime.fromtimestamp(tree.at, UTC)
    when = NEVER if state is State.UNKNOWN else _when(tree, outlook)
    bounds = _bounds(tree)
    damp = _damp(world, tree, outlook) if state not in (State.UNKNOWN, State.COMPLETE) else []
    found = [*found, *damp, *_taken_back(world, tree, state), *_widening(world, tree)]
    expected = "no telling when" if state is State.UNKNOWN else expected_words(when, now, zone)
    told = [_told(finding, bounds, tree, expected) for finding in sorted(found, key=lambda one: ORDER[one.code])]
    reasons = [reason_of(finding, now, zone) for finding in told]
    longest = tree.kind.longest_wait_h if tree.kind else None
    said = Verdict(
        time=now,
        valid_until=now + VALID_FOR,
        tree=tree.name,
        rack=tree.rack,
        coat=tree.dip.coat,
        number=tree.number,
        dipped_at=tree.dip.time,
        state=state,
        dryness=bounds,
        dry_at=when,
        redip_by=tree.dip.time + timedelta(hours=longest) if longest is not None and not last else None,
        reasons=tuple(reasons),
        shelter=tree.shelter,
        recipe=tree.recipe,
        next_coat=next_coat(world.setup, tree.recipe, tree.number),
        last_coat=last,
        label=tree.label,
    )
    would_do = damp[0].would_do if damp else None
    return replace(said, advice=advice(said, zone, would_do, _touch(tree)))


def _touch(tree: TreeState) -> CountedTouch | None:
    """The newest finding in the slowest part, while the same one would not count again."""
    place = slowest_place(tree.shelter)
    felt = [(at, finding) for (where, finding), at in tree.touches.items() if where == place]
    at, finding = max(felt, default=(-math.inf, ""))
    if tree.at >= at + trees.SAME_TOUCH_S:
        return None
    return CountedTouch(finding, *(datetime.fromtimestamp(s, UTC) for s in (at, at + trees.SAME_TOUCH_S)))


def _not_before(tree: TreeState) -> datetime | None:
    """The end of the coat's shortest wait, None without one; a whole minute, as clocks are read to the minute."""
    wait = tree.kind.shortest_wait_h if tree.kind else None
    if wait is None:
        return None
    ends = (tree.dip.time + timedelta(hours=wait)).timestamp()
    return datetime.fromtimestamp(math.ceil(ends / MINUTE_S) * MINUTE_S, UTC)


def _bounds(tree: TreeState) -> Bounds | None:
    if tree.water is None:
        return None
    gone = 1.0 - possible.weighted_quantiles(tree.water.slowest, tree.water.weights, (0.05, 0.5, 0.95))
    high, best, low = (min(max(float(value), 0.0), 1.0) for value in gone)
    return Bounds(low, best, high)


def _when(tree: TreeState, outlook: Outlook | None) -> When:
    """When the slowest part is dry and the binder has gelled: one moment, which everybody tells."""
    if tree.water is None:
        return NEVER
    dry = tree.water.dry_since
    ahead = outlook.dry if outlook is not None else np.full(len(dry), np.inf)
    dry = np.where(np.isnan(dry), np.maximum(ahead, tree.at + 1.0), dry)  # who is wet now is dry later than now
    gelled = _not_before(tree)
    dry = dry if gelled is None else np.maximum(dry, gelled.timestamp())
    early, best, late = possible.weighted_quantiles(dry, tree.water.weights, (0.05, 0.5, 0.95))
    if taking_back.awaits_weighing(tree):
        late = max(late, tree.at + taking_back.NEXT_WEIGHING_S)
    return When(*(moment_of(float(value), tree.at) for value in (early, best, late)))


def moment_of(seconds: float, now: float) -> datetime | None:
    """Whole seconds, rounded away from now: what has passed reads as past, what is to come as to come."""
    if math.isinf(seconds):
        return None
    whole = math.floor(seconds) if seconds <= now else math.ceil(seconds)
    return datetime.fromtimestamp(whole, UTC)


def _told(finding: Finding, bounds: Bounds | None, tree: TreeState, expected: str) -> Finding:
    """The finding with how much water is gone and when it will be, where it is about that."""
    if bounds is None or not isinstance(finding, f.Wet):
        return finding
    needed = 1.0 - tree.target
    gone = f"{math.floor(100.0 * bounds.best)} %"  # down, so that what is short of the need never reads as enough
    if bounds.best >= needed:
        gone = f"about {gone} (for sure {math.floor(100.0 * bounds.low)} %)"
    if tree.cold_surface_k:
        cold = f"its surface is still {tree.cold_surface_k:.1f} K colder than the air, so water leaves"
        expected = f"by the air {expected}, but {cold}"
    return replace(finding, gone=gone, needed=100.0 * needed, expected=expected)


def expected_words(when: When, now: datetime, zone: tzinfo) -> str:
    """When it is expected to be dry, in words on the room's clock."""
    late = say(when.late, now, zone) if when.late else "beyond 14 days"
    if when.best is None:
        return "no end in sight within 14 days"
    if when.best <= now:
        return f"sure {'by ' if when.late else ''}{late}"
    early = say(when.early, now, zone) if when.early and when.early > now else "now"
    return f"expected {say(when.best, now, zone)} ({early} to {late})"


def _damp(world: World, tree: TreeState, outlook: Outlook | None) -> list[f.AirTooDamp]:
    """Air too damp to be sure of it within 14 days, with the humidity that would do."""
    if outlook is None or outlook.would_do is None or tree.chance_dry >= ASSURANCE:
        return []
    air = world.air[tree.rack].minute(minute_done(tree.at))
    if not air.humidity_pct > outlook.would_do:
        return []
    return [f.AirTooDamp(air.humidity_pct, outlook.would_do)]
