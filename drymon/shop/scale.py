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

FALLING_SHARE_PER_H = 0.01
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


PLAINLY, IN_A_ROW, ANYHOW_IN_A_ROW = 1.5, 2, 5
"""Weighings in a row that must contradict the air before a tree is held for it: so few beyond so many times that error,
so many in any case. A curve that is a little wrong in a fresh coat's first hour is none of the tree's fault (assumed).
"""

AREA_DISAGREES = 10.0
"""Squared distance of the best members' wet area from the expected one, in units of its spread, beyond which weight and
air disagree: a dead cell, an empty hook, a tree that lost next to nothing.
"""

HALF_GONE, LEAST_LOSS, LEAST_LOSS_KG = 0.5, 0.001, 0.001
"""Where half of the water should have left, a scale sees more than a gram and a thousandth of what hangs there go: a
coat's water is a tenth of what it adds, and that is some percent of even a heavy tree (common practice, no source).
"""

GAIN_KG_PER_M2, GAIN_LOG_SD = 1.9, 0.5
"""What one coat puts on a square metre, slurry and stucco, and how far coats differ: 1 to 2.5 kg, a seal half of it
(plate weights and thicknesses of shells, common practice, no source).
"""

LEAST_GAIN_KG, BEFORE_S, HANDS_S = 0.05, 7200.0, 120.0
"""A smaller gain says nothing; what hung there before the dip is what the cell showed in so long before it, but for the
last minutes, in which hands were at it (assumed).
"""

STILL_S, STILL_DIGITS, STILL_KG = 900.0, 5.0, 0.002
"""Digits that have not moved for so long while so many of their steps, and so much, should have been lost are stuck
(assumed).
"""


@dataclass(frozen=True, slots=True)
class Series:
    """One scale's weighings of a coat: s since 1970, kg, kg, and each member's water [kg/m2] at the time."""

    times: tuple[float, ...] = ()
    masses: tuple[float, ...] = ()
    sds: tuple[float, ...] = ()
    water: tuple[Array, ...] = ()

    def first(self, count: int) -> "Series":
        """The oldest `count` of them."""
        return Series(self.times[:count], self.masses[:count], self.sds[:count], self.water[:count])

    @property
    def tells(self) -> bool:
        """Enough weighings to say anything: dry mass and area are unknown."""
        return len(self.times) >= FEWEST


@dataclass(frozen=True, slots=True)
class Weighings:
    """What scales have seen of one coat, and what they say.

    cell, bench: each scale with its own zero. gained_kg: what the cell saw the dip put on, 0 where that tells nothing.
    stuck: the cell's digits stood still while water should have left. prior: the members' weights without a scale.
    area: what earlier coats have told of the tree's wet area; area_m2, learnt: the same after this coat. disagrees:
    mean squared error of the best member where none goes with the weight, at how many weighings in_a_row, and whether
    it is the load cell's (cell_disagrees).
    """

    cell: Series = field(default_factory=Series)
    bench: Series = field(default_factory=Series)
    prior: Array | None = None
    area_m2: float | None = None
    gained_kg: float | None = None
    stuck: bool = False
    disagrees: float = 0.0
    in_a_row: int = 0
    cell_disagrees: bool = False
    area: AreaPrior = ANY_AREA
    learnt: AreaPrior | None = None

    @property
    def contradict(self) -> bool:
        """Weight and air plainly disagree, or have for some weighings: a reason to hold the tree."""
        plainly = self.disagrees >= PLAINLY * DISAGREES_SQUARES
        return self.in_a_row >= (IN_A_ROW if plainly else ANYHOW_IN_A_ROW)

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
        seen = _stuck(_sized(seen, event, dipped_at), event)
    return _judged(seen, water, prior, dipped_at, misfit) if seen.tell else (seen, water)


def _sized(seen: Weighings, event: CellMass, dipped_at: float) -> Weighings:
    """What the dip put on what hung there tells of the tree's area, besides what was known of it."""
    before = [level for at, level in event.levels if dipped_at - BEFORE_S < at < dipped_at - HANDS_S]
    if seen.gained_kg is not None or len(seen.cell.times) > 1 or not before:
        return seen
    gained = event.level - before[-1]
    if not LEAST_GAIN_KG < gained < before[-1]:  # nothing to speak of, or a whole tree on an empty hook
        return replace(seen, gained_kg=0.0)
    own, gain = 1.0 / np.asarray(seen.area.log_sd) ** 2, 1.0 / GAIN_LOG_SD**2
    logs = (own * np.log(seen.area.median_m2) + gain * np.log(gained / GAIN_KG_PER_M2)) / (own + gain)
    return replace(seen, gained_kg=gained, area=AreaPrior(np.exp(logs), np.sqrt(1.0 / (own + gain))))


def _stuck(seen: Weighings, event: CellMass) -> Weighings:
    """The record without the weighings of a cell whose digits stand still while water should have left."""
    begun = event.time.timestamp() - event.still_s
    still = [place for place, at in enumerate(seen.cell.times) if at >= begun]
    if event.still_s < STILL_S or len(still) < 2 or seen.area_m2 is None or seen.prior is None:
        return seen
    expected = seen.area_m2 * float(seen.prior @ (seen.cell.water[still[0]] - seen.cell.water[-1]))
    if expected < max(STILL_DIGITS * event.digit_kg, STILL_KG):
        return seen
    return replace(seen, cell=seen.cell.first(still[0]), stuck=True)


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
    if seen.stuck:
        doubted["cell"] = PLAINLY * DISAGREES_SQUARES
    closest = [*told.values()][-1][0]  # a load cell sees most
    learnt = [*believed.values()][-1] if believed else None
    record = replace(
        seen,
        area_m2=float(weights @ closest.area_m2),
        disagrees=max(doubted.values(), default=0.0),
        in_a_row=seen.in_a_row + 1 if doubted else 0,
        cell_disagrees="cell" in doubted,
        learnt=AreaPrior(learnt.area_m2, learnt.log_area_sd) if learnt else None,
    )
    return record, CoatState(water.left, water.dry_since, weights)


def _evidence(
    series: Series, errors: ScaleErrors, area: AreaPrior, dipped_at: float, misfit: float
) -> tuple[Evidence, float]:
    """What a series says of the members, and the mean squared error per weighing of the best of them: no less than what
    disagrees where even they need an area that no such tree has.
    """
    evidence = weight_evidence.weigh_members(
        np.array(series.times) - dipped_at,
        np.array(series.masses),
        np.array(series.sds),
        np.stack(series.water, axis=1),
        errors=replace(errors, misfit=misfit),
        area=area,
    )
    closest = np.argsort(evidence.squares)[: len(evidence.squares) // 50 + 1]
    error = float(evidence.squares[closest].mean()) / max(len(series.times) - 2, 1)
    odd = float(evidence.area_squares[closest].mean()) / AREA_DISAGREES
    dead = PLAINLY if _sees_nothing(series) else 0.0
    return evidence, max(error, DISAGREES_SQUARES * max(odd, dead))


def _sees_nothing(series: Series) -> bool:
    """Next to nothing is lost, of what hangs there, while by the air half of the water should have left: a dead cell,
    an empty hook, another tree.
    """
    first, last = float(series.water[0].mean()), float(series.water[-1].mean())
    loss = series.masses[0] - series.masses[-1]
    return first - last > HALF_GONE * first and loss < LEAST_LOSS * max(series.masses[-1], 0.0) + LEAST_LOSS_KG


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
