"""What weighings since the dip make of a tree's possible coats."""

from dataclasses import dataclass, replace

import numpy as np

from drymon.drying import weight_evidence
from drymon.drying.coat import Array, CoatState, PossibleCoats
from drymon.drying.weight_evidence import BENCH_SCALE, LOAD_CELL, AreaPrior
from drymon.shop.events import CellMass, Weigh

DRIPPING_S = 240.0
"""Weighings sooner after a dip see slurry drip, not water leave (common practice, no source)."""

FEWEST = 3
MOST = 60
"""Newest weighings kept of one coat; they are seldom so many."""

SPACING_S, SPACING_SHARE = 300.0, 0.08
"""Least distance of a cell's weighings that are kept: seconds, and share of the time watched."""

BENCH_SD_KG = 0.001
BENCH_SHARE = 2e-4
"""A bench scale's error: a gram, or this share of what lies on it (common practice, no source)."""

LEAST_MEMBERS = 16.0
"""The evidence is toned down until so many members still count: an ensemble must not collapse on a few."""

FALLING_SHARE_PER_H = 0.02
"""Loss per hour, as a share of the coat's water, at which a scale contradicts "dry"."""

FRESH_S = 1800.0
"""An older weighing says nothing of now."""

MISFIT_LEARNT, MISFIT_STARTING = 0.006, 0.04
"""Share of the water by which a right curve may be wrong: of a fitted model, of a starting model (assumed)."""

ANY_AREA = AreaPrior()
"""Of a tree that no scale has told about."""

AREA_LOG_SD = 0.04
"""How far a tree's wet area, and what clings to it, differs from one coat to the next (assumed)."""

TOO_EARLY_S = 2700.0
"""In which a fresh tree's own heat and dripping slurry move the weight as no curve does: what does not go with the air
is not believed, but no reason to hold the tree (assumed).
"""

DISAGREES_SQUARES = 6.0
"""Mean squared error per weighing, in units of its spread, of the best member beyond which weight and air disagree."""


@dataclass(frozen=True, slots=True)
class Weighings:
    """One coat's weighings: s since 1970, kg, kg, and each member's water [kg/m2] at the time; plus what they say.

    prior: the members' weights without the scale. area: what earlier coats have told of the tree's wet area; learnt:
    the same after this coat.
    """

    times: tuple[float, ...] = ()
    masses: tuple[float, ...] = ()
    sds: tuple[float, ...] = ()
    water: tuple[Array, ...] = ()
    bench: bool = False
    prior: Array | None = None
    area_m2: float | None = None
    disagrees: float = 0.0
    area: AreaPrior = ANY_AREA
    learnt: AreaPrior | None = None


def weighed(
    seen: Weighings, coats: PossibleCoats, water: CoatState, event: Weigh | CellMass, dipped_at: float, misfit: float
) -> tuple[Weighings, CoatState]:
    """Take one weighing in; returns the record and the ensemble weighed anew. misfit: share of the water by which even
    the right member's curve may be wrong.
    """
    at = event.time.timestamp()
    if at < dipped_at + DRIPPING_S:
        return seen, water
    prior = water.weights if seen.prior is None else seen.prior
    seen = _added(seen, event, coats.shares @ (water.left * coats.water), prior)
    if len(seen.times) < FEWEST:
        return seen, water
    return _judged(seen, water, prior, dipped_at, misfit)


def _added(seen: Weighings, event: Weigh | CellMass, left: Array, prior: Array) -> Weighings:
    bench = isinstance(event, Weigh)
    sd = max(BENCH_SD_KG, BENCH_SHARE * event.mass) if isinstance(event, Weigh) else event.sd
    rows = [*zip(seen.times, seen.masses, seen.sds, seen.water, strict=True)]
    if bench != seen.bench:
        rows = []  # another scale has another zero: what the first one said stays in the weights no longer
    at = event.time.timestamp()
    if not bench and len(rows) > 1 and rows[-1][0] - rows[-2][0] < max(SPACING_S, SPACING_SHARE * (at - rows[0][0])):
        rows.pop()  # the newest always counts; those behind it stand further apart the longer the tree hangs
    rows = [*rows, (at, event.mass, sd, left)][-MOST:]
    times, masses, sds, water = zip(*rows, strict=True)
    return replace(seen, times=times, masses=masses, sds=sds, water=water, bench=bench, prior=prior)


def _judged(
    seen: Weighings, water: CoatState, prior: Array, dipped_at: float, misfit: float
) -> tuple[Weighings, CoatState]:
    evidence = weight_evidence.weigh_members(
        np.array(seen.times) - dipped_at,
        np.array(seen.masses),
        np.array(seen.sds),
        np.stack(seen.water, axis=1),
        errors=replace(BENCH_SCALE if seen.bench else LOAD_CELL, misfit=misfit),
        area=seen.area,
    )
    best = float(np.sort(evidence.squares)[: len(prior) // 50 + 1].mean()) / max(len(seen.times) - 2, 1)
    weights = toned_down(prior, evidence.log_likelihood)
    believed = best <= DISAGREES_SQUARES
    early = seen.times[-1] < dipped_at + TOO_EARLY_S
    record = replace(
        seen,
        prior=prior,
        area_m2=float(weights @ evidence.area_m2),
        disagrees=0.0 if believed or early else best,
        learnt=AreaPrior(evidence.area_m2, evidence.log_area_sd) if believed else None,
    )
    return record, CoatState(water.left, water.dry_since, weights if believed else prior)


def next_coat(seen: Weighings, weights: Array, same_model: bool, scatter: float) -> Weighings:
    """No weighings of the next coat yet, but what this one has told of the tree's area.

    weights: of this coat's members. same_model: the next coat's members share its draws, and each keeps the area that
    goes with its own water; else one area stands for all. scatter: of a dip's water, log scale.
    """
    if seen.learnt is None:
        return Weighings(area=seen.area if np.ndim(seen.area.median_m2) == 0 else ANY_AREA)
    logs, sds = np.log(seen.learnt.median_m2), np.asarray(seen.learnt.log_sd)
    if same_model:
        return Weighings(area=AreaPrior(np.exp(logs), np.sqrt(sds**2 + AREA_LOG_SD**2 + scatter**2)))
    middle = float(weights @ logs)
    spread = float(weights @ (sds**2 + (logs - middle) ** 2)) + AREA_LOG_SD**2
    return Weighings(area=AreaPrior(float(np.exp(middle)), float(np.sqrt(spread))))


def toned_down(prior: Array, log_likelihood: Array) -> Array:
    """Weights in proportion to prior x likelihood^power, with the highest power up to 1 that leaves LEAST_MEMBERS
    counting.
    """
    low, high = 0.0, 1.0
    weights = _weights(prior, log_likelihood)
    if _counting(weights) >= LEAST_MEMBERS:
        return weights
    for _ in range(20):
        power = 0.5 * (low + high)
        weights = _weights(prior, power * log_likelihood)
        low, high = (power, high) if _counting(weights) >= LEAST_MEMBERS else (low, power)
    return _weights(prior, low * log_likelihood)


def _weights(prior: Array, log_likelihood: Array) -> Array:
    weights = prior * np.exp(log_likelihood - log_likelihood.max())
    return np.asarray(weights / weights.sum())


def _counting(weights: Array) -> float:
    """Effective number of members, 1 / sum of squares (Kish 1965)."""
    return float(1.0 / (weights @ weights))


def falling(seen: Weighings, coats: PossibleCoats, water: CoatState, at: float) -> float | None:
    """Loss in g per hour where the load cell sees more leave than the members know of and a dry tree loses, else None.

    Seen over an hour or more, and beyond what the zero's drift can feign.
    """
    if seen.bench or seen.area_m2 is None or not seen.times or at - seen.times[-1] > FRESH_S:
        return None
    earlier = [
        row
        for row in zip(seen.times, seen.masses, seen.sds, seen.water, strict=True)
        if row[0] <= seen.times[-1] - 3600.0
    ]
    if not earlier:
        return None
    then, mass, sd, left = earlier[-1]
    hours = (seen.times[-1] - then) / 3600.0
    loss = mass - seen.masses[-1]
    known = seen.area_m2 * float(water.weights @ (left - seen.water[-1]))
    spread = float(np.sqrt(sd**2 + seen.sds[-1] ** 2 + LOAD_CELL.drift_kg**2 * hours))
    held = seen.area_m2 * float(water.weights @ (coats.shares @ coats.water))
    more = loss - known - 3.0 * spread > FALLING_SHARE_PER_H * held * hours
    return 1000.0 * loss / hours if more else None
