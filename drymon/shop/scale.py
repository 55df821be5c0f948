"""What weighings since the dip make of a tree's possible coats."""

from dataclasses import dataclass, field, replace

import numpy as np

from drymon.drying import weight_evidence
from drymon.drying.coat import Array, CoatState, PossibleCoats
from drymon.drying.weight_evidence import BENCH_SCALE, LOAD_CELL, AreaPrior, Evidence, ScaleErrors
from drymon.shop.events import CellMass, Weigh

DRIPPING_S = 240.0
"""Weighings sooner after a dip see slurry drip, not water leave (common practice, no source)."""

FEWEST = 3
MOST = 60
"""Newest weighings kept of one coat; they are seldom so many."""

SPACING_S, SPACING_SHARE = 300.0, 0.08
"""Least distance of a cell's weighings that are kept: seconds, and share of the time watched."""

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

COATS_AREA_LOG_SD = 0.04
"""How far a tree's wet area, and what clings to it, differs from one coat to the next (assumed)."""

TOO_EARLY_S = 2700.0
"""In which a fresh tree's own heat and dripping slurry move the weight as no curve does: what does not go with the air
is not believed, but no reason to hold the tree (assumed).
"""

DISAGREES_SQUARES = 6.0
"""Mean squared error per weighing, in units of its spread, of the best member beyond which weight and air disagree."""


@dataclass(frozen=True, slots=True)
class Series:
    """One scale's weighings of a coat: s since 1970, kg, kg, and each member's water [kg/m2] at the time."""

    times: tuple[float, ...] = ()
    masses: tuple[float, ...] = ()
    sds: tuple[float, ...] = ()
    water: tuple[Array, ...] = ()

    @property
    def tells(self) -> bool:
        """Enough weighings to say anything: dry mass and area are unknown."""
        return len(self.times) >= FEWEST


@dataclass(frozen=True, slots=True)
class Weighings:
    """What scales have seen of one coat, and what they say.

    cell, bench: each scale with its own zero. prior: the members' weights without a scale. area: what earlier coats
    have told of the tree's wet area; area_m2, learnt: the same after this coat. disagrees, cell_disagrees: mean squared
    error of the best member where none goes with the weight; whether it is the load cell that it does not go with.
    """

    cell: Series = field(default_factory=Series)
    bench: Series = field(default_factory=Series)
    prior: Array | None = None
    area_m2: float | None = None
    disagrees: float = 0.0
    cell_disagrees: bool = False
    area: AreaPrior = ANY_AREA
    learnt: AreaPrior | None = None

    @property
    def tell(self) -> bool:
        """A scale has a say in the members' weights."""
        return self.cell.tells or self.bench.tells


def weighed(
    seen: Weighings, coats: PossibleCoats, water: CoatState, event: Weigh | CellMass, dipped_at: float, misfit: float
) -> tuple[Weighings, CoatState]:
    """Take one weighing in; returns the record and the ensemble weighed anew. misfit: share of the water by which even
    the right member's curve may be wrong.
    """
    if event.time.timestamp() < dipped_at + DRIPPING_S:
        return seen, water
    prior = water.weights if seen.prior is None else seen.prior
    left = coats.shares @ (water.left * coats.water)
    if isinstance(event, Weigh):
        sd = float(weight_evidence.bench_sd(event.mass))
        seen = replace(seen, prior=prior, bench=_longer(seen.bench, event, sd, left, spaced=False))
    else:
        seen = replace(seen, prior=prior, cell=_longer(seen.cell, event, event.sd, left, spaced=True))
    return _judged(seen, water, prior, dipped_at, misfit) if seen.tell else (seen, water)


def _longer(series: Series, event: Weigh | CellMass, sd: float, left: Array, spaced: bool) -> Series:
    """The series with one weighing more. spaced: the newest always counts; those behind it stand further apart the
    longer the tree hangs.
    """
    rows = [*zip(series.times, series.masses, series.sds, series.water, strict=True)]
    at = event.time.timestamp()
    if spaced and len(rows) > 1 and rows[-1][0] - rows[-2][0] < max(SPACING_S, SPACING_SHARE * (at - rows[0][0])):
        rows.pop()
    return Series(*zip(*[*rows, (at, event.mass, sd, left)][-MOST:], strict=True))


def _judged(
    seen: Weighings, water: CoatState, prior: Array, dipped_at: float, misfit: float
) -> tuple[Weighings, CoatState]:
    """The members weighed by all scales that are believed: their evidence adds up."""
    told = {
        name: _evidence(series, errors, seen.area, dipped_at, misfit)
        for name, series, errors in (("bench", seen.bench, BENCH_SCALE), ("cell", seen.cell, LOAD_CELL))
        if series.tells
    }
    believed = {name: found for name, (found, best) in told.items() if best <= DISAGREES_SQUARES}
    weights = toned_down(prior, sum((found.log_likelihood for found in believed.values()), np.zeros_like(prior)))
    newest = max(series.times[-1] for series in (seen.bench, seen.cell) if series.tells)
    early = newest < dipped_at + TOO_EARLY_S
    doubted = {} if early else {name: best for name, (_, best) in told.items() if name not in believed}
    closest = [*told.values()][-1][0]  # a load cell sees most
    learnt = [*believed.values()][-1] if believed else None
    record = replace(
        seen,
        area_m2=float(weights @ closest.area_m2),
        disagrees=max(doubted.values(), default=0.0),
        cell_disagrees="cell" in doubted,
        learnt=AreaPrior(learnt.area_m2, learnt.log_area_sd) if learnt else None,
    )
    return record, CoatState(water.left, water.dry_since, weights)


def _evidence(
    series: Series, errors: ScaleErrors, area: AreaPrior, dipped_at: float, misfit: float
) -> tuple[Evidence, float]:
    """What a series says of the members, and the mean squared error per weighing of the best of them."""
    evidence = weight_evidence.weigh_members(
        np.array(series.times) - dipped_at,
        np.array(series.masses),
        np.array(series.sds),
        np.stack(series.water, axis=1),
        errors=replace(errors, misfit=misfit),
        area=area,
    )
    best = np.sort(evidence.squares)[: len(evidence.squares) // 50 + 1].mean()
    return evidence, float(best) / max(len(series.times) - 2, 1)


def next_coat(seen: Weighings, weights: Array, same_model: bool, scatter: float) -> Weighings:
    """No weighings of the next coat yet, but what this one has told of the tree's area.

    weights: of this coat's members. same_model: the next coat's members share its draws, and each keeps the area that
    goes with its own water; else one area stands for all. scatter: of a dip's water, log scale.
    """
    if seen.learnt is None:
        return Weighings(area=seen.area if np.ndim(seen.area.median_m2) == 0 else ANY_AREA)
    logs, sds = np.log(seen.learnt.median_m2), np.asarray(seen.learnt.log_sd)
    if same_model:
        return Weighings(area=AreaPrior(np.exp(logs), np.sqrt(sds**2 + COATS_AREA_LOG_SD**2 + scatter**2)))
    middle = float(weights @ logs)
    spread = float(weights @ (sds**2 + (logs - middle) ** 2)) + COATS_AREA_LOG_SD**2
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
    cell = seen.cell
    if seen.area_m2 is None or not cell.times or at - cell.times[-1] > FRESH_S:
        return None
    earlier = [place for place, time in enumerate(cell.times) if time <= cell.times[-1] - 3600.0]
    if not earlier:
        return None
    then = earlier[-1]
    hours = (cell.times[-1] - cell.times[then]) / 3600.0
    loss = cell.masses[then] - cell.masses[-1]
    known = seen.area_m2 * float(water.weights @ (cell.water[then] - cell.water[-1]))
    spread = float(np.sqrt(cell.sds[then] ** 2 + cell.sds[-1] ** 2 + LOAD_CELL.drift_kg**2 * hours))
    held = seen.area_m2 * float(water.weights @ (coats.shares @ coats.water))
    more = loss - known - 3.0 * spread > FALLING_SHARE_PER_H * held * hours
    return 1000.0 * loss / hours if more else None
