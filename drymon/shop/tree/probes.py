"""A probe at a shell's surface: as long as that is colder than the air, water leaves.

A wet face stays near the wet bulb; its depression below the air falls with the rate. What a surface near the air's
temperature has to say is about the surface alone, not about the water beneath or in pockets: so a probe never makes a
tree dry, it only says when one is not. Members that expect less evaporation than the surface shows count less, and a
surface that is plainly cold keeps the tree from being ready, whatever the members say.

A spot reading by a hand-held thermometer is a reading of a probe that has the tree's own name.
"""

import math

import numpy as np

from drymon.drying import coat, surface
from drymon.drying.ensemble import Array, CoatState
from drymon.shop.air.minute_air import MinuteAir
from drymon.shop.air.sensors import MINUTE_S, minute_done
from drymon.shop.tree.state import TreeState, World

SMOOTHED_MIN = 10
"""Minutes of a probe's readings that are averaged; older ones say nothing of now."""

OFF_K = 0.7
"""How far the difference of two cheap sensors, not matched to each other, may be off (common practice, no source)."""

OFF_SHARE = 0.15
"""How far the depression may be off besides, as a share of the full one: the probe's place, the pattern's heat
(assumed).
"""

FREEDOM = 3.0
"""Of Student's t, in which a member's disagreement with the surface is counted: weak evidence, with heavy tails."""

PLAINLY_COLD = 0.35
"""Share of the wet rate that the surface shows for sure, at two standard deviations, from which a tree is not ready: a
face that is as dry as a redip asks for gives off less (assumed).
"""


def probed(world: World, state: TreeState) -> TreeState:
    """The state with what the tree's probe says; unchanged without a fresh reading or in air that hardly cools."""
    minute = minute_done(state.at)
    if state.coats is None or state.water is None or state.complete:
        return state
    reads = world.air[state.rack].probe(state.probe or state.name, minute, SMOOTHED_MIN)
    if math.isnan(reads):
        return state
    air = world.air[state.rack].minute(minute)
    full = _full_depression(air, state.by_cloth)
    if not air.known or full <= 2.0 * OFF_K:
        return state
    below = air.temperature_c - reads
    sd = math.hypot(OFF_K / full, OFF_SHARE)
    unexpected = np.maximum(below / full - _expected(state, air), 0.0) / sd
    weights = state.water.weights * (1.0 + unexpected**2 / FREEDOM) ** (-0.5 * (FREEDOM + 1.0))
    cold = below if below / full - 2.0 * sd > PLAINLY_COLD else 0.0
    water = CoatState(state.water.left, state.water.dry_since, weights / weights.sum())
    return state._replace(water=water, cold_surface_k=cold)


def _expected(state: TreeState, air: MinuteAir) -> Array:
    """Rate of the open faces over that of a wet face, (members,), by how much each member loses within a minute."""
    assert state.coats is not None
    assert state.water is not None
    step = air.step_of(state.by_cloth)
    after = coat.step(state.coats, state.water.left, step, MINUTE_S)
    lost = (state.water.left[0] - after[0]) * state.coats.water[0] / MINUTE_S
    wet = step.deficit * state.coats.conductance[0] / step.resistance
    return np.asarray(np.clip(lost / np.maximum(wet, 1e-12), 0.0, 1.0))


def _full_depression(air: MinuteAir, by_cloth: bool) -> float:
    """How far a wet face stays below this air, K; in the middle of an assumed range of speeds."""
    speed = math.sqrt(math.prod(air.range_of(by_cloth))) if math.isnan(air.speed) else air.speed
    if not air.known:
        return 0.0
    speed = min(speed, surface.SPEED_RANGE_M_PER_S[1])
    wet = surface.evaporation(air.temperature_c, min(air.humidity_pct, 100.0), speed, air.pressure_pa)
    return air.temperature_c - float(wet.surface_temperature_c)
