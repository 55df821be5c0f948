"""What time does to a tree: the air of each minute takes its water, and may call for a hold."""

import math
from types import MappingProxyType

import numpy as np

from drymon.drying import coat, ensemble
from drymon.drying.coat_model import CoatModel
from drymon.drying.ensemble import CoatState, PossibleCoats
from drymon.drying.possible import weighted_quantiles
from drymon.shop.air.minute_air import MinuteAir
from drymon.shop.air.sensors import MINUTE_S
from drymon.shop.facts.findings import Finding, LostTooFast, Swing
from drymon.shop.facts.reason_code import ReasonCode
from drymon.shop.tree.state import ASSURANCE, TreeState, World

FAST_FOR_MIN = 5
"""Minutes in a row above the fastest rate before it counts: a single gust crazes nothing."""

FAST_SURE = 0.8
"""Chance that it lost more than allowed which a hold needs: published ranges alone, whose mean is far above their
middle, craze nothing (assumed).
"""

WIDEN_OUTSIDE = 0.15
"""Share of a minute's drying that the slowest member loses where the air lies outside the model's experience."""

FRESH_S = 900.0
"""In which a tree cools to the temperature of its wet face, and stops dripping, at the latest: what leaves it by then
is not what a face gives off (assumed).
"""


def advanced(world: World, tree: TreeState, until: float) -> TreeState:
    """The state at `until` (seconds): the air of each minute, or part of a minute, since `tree.at`."""
    air = world.air.get(tree.rack)
    while tree.at < until:
        minute = int(tree.at // MINUTE_S)
        end = min(until, (minute + 1) * MINUTE_S)
        if air is None or not steps(tree):
            return tree._replace(at=until)
        tree = _minute(tree, air.minute(minute), end)
    return tree


def steps(tree: TreeState) -> bool:
    """Whether time changes anything about the tree's water."""
    return tree.coats is not None and not tree.complete


def minute_on(world: World, tree: TreeState, end: float, left: ensemble.Array) -> TreeState:
    """The state at `end`, a whole minute after `tree.at`, with what is left of the water already worked out."""
    return _minute(tree, world.air[tree.rack].minute(int(tree.at // MINUTE_S)), end, left)


def _minute(tree: TreeState, air: MinuteAir, end: float, left: ensemble.Array | None = None) -> TreeState:
    assert tree.coats is not None
    assert tree.water is not None
    seconds = end - tree.at
    before, step = tree.water, air.step_of(tree.by_cloth)
    outside = air.known and _outside(tree.model, air, tree.number)
    water = coat.advance(tree.coats, before, step, end, seconds, tree.target, air.known, left)
    if outside:
        water = _widened(tree.coats, before, water, end, tree.target)
    if not air.known:
        return tree._replace(at=end, water=water, gap_s=tree.gap_s + seconds)
    wet = tree.chance_dry < ASSURANCE  # at the start of the minute: a swing after the coat is dry does it no harm
    tree = tree._replace(
        at=end,
        water=water,
        outside=tree.outside or outside,
        drifted=tree.drifted or air.drifted,
        assumed_airflow=tree.assumed_airflow or math.isnan(air.speed),
        coldest=min(tree.coldest, air.temperature_c) if wet else tree.coldest,
        warmest=max(tree.warmest, air.temperature_c) if wet else tree.warmest,
    )
    return _latched(tree, before.left[0] - water.left[0], seconds)


def _latched(tree: TreeState, lost: ensemble.Array, seconds: float) -> TreeState:
    """Put the holds on that the air of these seconds calls for: a minute may come in pieces, cut by events. lost: share
    of its water that each member's open face lost.
    """
    kind = tree.kind
    if kind is None:
        return tree
    holds: dict[ReasonCode, Finding] = {}
    limit, fast = kind.fastest_loss_pct_per_h, 0.0
    if limit is not None and (rate := surely_lost(tree, lost, seconds)) > limit:
        fast = tree.fast_s + seconds
        if fast >= FAST_FOR_MIN * MINUTE_S:
            before = tree.holds.get(ReasonCode.LOST_TOO_FAST)
            worst = max(rate, before.rate) if isinstance(before, LostTooFast) else rate
            holds[ReasonCode.LOST_TOO_FAST] = LostTooFast(worst, limit)
    swing = tree.warmest - tree.coldest
    if kind.room.swing_c is not None and swing > kind.room.swing_c:
        holds[ReasonCode.SWING] = Swing(swing, kind.room.swing_c)
    fresh = {code: found for code, found in holds.items() if code not in tree.released}
    if not fresh and fast == tree.fast_s:
        return tree
    return tree._replace(fast_s=fast, holds=MappingProxyType({**tree.holds, **fresh}))


def surely_lost(tree: TreeState, lost: ensemble.Array, seconds: float) -> float:
    """Loss in % of the coat's water per hour that `FAST_SURE` of the members exceed; none is told of a fresh tree."""
    assert tree.water is not None
    if tree.at - tree.dip.time.timestamp() < FRESH_S + seconds:
        return 0.0
    least = weighted_quantiles(lost, tree.water.weights, (1.0 - FAST_SURE,))[0]
    return float(least) * 100.0 * 3600.0 / seconds


def _outside(model: CoatModel | None, air: MinuteAir, number: int) -> bool:
    """Whether the model has not seen such air, or a coat on so many others."""
    if model is None or not model.seen:
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
