"""What weighings since the dip make of a tree's possible coats."""

import math
from dataclasses import replace

import numpy as np

from drymon.drying import weight_evidence
from drymon.drying.coat_model import CoatModel
from drymon.drying.ensemble import Array, CoatState, PossibleCoats
from drymon.drying.possible import toned_down
from drymon.drying.weight_evidence import BENCH_SCALE, LOAD_CELL, AreaPrior, ScaleErrors, WeightEvidence
from drymon.shop.facts.events import CellMass, Weigh
from drymon.shop.weight.scale_doubts import sees_nothing, without_stuck
from drymon.shop.weight.weighings import ANY_AREA, DISAGREES_SQUARES, PLAINLY, Series, Weighings

DRIPPING_S = 240.0
"""Weighings sooner after a dip see slurry drip, not water leave (common practice, no source)."""

MOST = 60
"""Newest weighings kept of one coat; they are seldom so many."""

SPACING_S, SPACING_SHARE = 300.0, 0.08
"""Least distance of a cell's weighings that are kept: seconds, and share of the time watched."""

FEWEST_TO_SLIP = 5
"""Hand weighings of which one may be a slip: dry mass and area are fitted to the others (assumed)."""

LEAST_MEMBERS = 16.0
"""The evidence is toned down until so many members still count: an ensemble must not collapse on a few."""

MISFIT_LEARNT, MISFIT_FEW_RUNS, MISFIT_STARTING = 0.022, 0.035, 0.06
"""Share of the water by which a right curve may be wrong at first: of a fitted model, besides it of one fitted to one
run (and so much less to more), of a starting model (assumed).
"""

COATS_AREA_LOG_SD = 0.04
"""How far a tree's wet area, and what clings to it, differs from one coat to the next (assumed)."""

TOO_EARLY_S = 2700.0
"""In which a fresh tree's own heat and dripping slurry move the weight as no curve does: what does not go with the air
is not believed, but no reason to hold the tree (assumed).
"""

AREA_DISAGREES = 10.0
"""Squared distance of the best members' wet area from the expected one, in units of its spread, beyond which weight and
air disagree: a dead cell, an empty hook, a tree that lost next to nothing.
"""

GAIN_KG_PER_M2, GAIN_LOG_SD = 1.9, 0.5
"""What one coat puts on a square metre, slurry and stucco, and how far coats differ: 1 to 2.5 kg, a seal half of it
(plate weights and thicknesses of shells, common practice, no source).
"""

LEAST_GAIN_KG, BEFORE_S, HANDS_S = 0.05, 7200.0, 120.0
"""A smaller gain says nothing; what hung there before the dip is what the cell showed in so long before it, but for the
last minutes, in which hands were at it (assumed).
"""


def curve_misfit(model: CoatModel | None) -> float:
    """Share of the water by which the curve of a model's right member may be wrong at first."""
    if model is None or model.is_starting_model:
        return MISFIT_STARTING
    return math.hypot(MISFIT_LEARNT, MISFIT_FEW_RUNS / model.runs)


def weighed(
    seen: Weighings, coats: PossibleCoats, water: CoatState, event: Weigh | CellMass, dipped_at: float, misfit: float
) -> tuple[Weighings, CoatState]:
    """Take one weighing in; returns the record and the ensemble weighed anew. misfit: share of the water by which even
    the right member's curve may be wrong.
    """
    if event.time.timestamp() < dipped_at + DRIPPING_S:
        return seen, water
    prior = water.weights if seen.prior is None else seen.prior
    left = coats.of_tree(water.left * coats.water)
    if isinstance(event, Weigh):
        bench = _longer(seen.bench, event, 0.0, left, spaced=False)
        sds = weight_evidence.bench_sds(np.array(bench.masses))  # all of them show the scale's digits
        seen = replace(seen, prior=prior, bench=replace(bench, sds=tuple(map(float, sds))))
    else:
        seen = replace(seen, prior=prior, cell=_longer(seen.cell, event, event.sd, left, spaced=True))
        seen = without_stuck(_sized(seen, event, dipped_at), event)
    return _judged(seen, water, prior, dipped_at, misfit) if seen.tell else (seen, water)


def _sized(seen: Weighings, event: CellMass, dipped_at: float) -> Weighings:
    """What the dip put on what hung there tells of the tree's area, besides what was known of it."""
    before = [level for at, level in event.levels if dipped_at - BEFORE_S < at < dipped_at - HANDS_S]
    if seen.gained_kg is not None or not before:  # known with the first mass, or never
        return seen
    gained = event.level - before[-1]
    if not LEAST_GAIN_KG < gained < before[-1]:  # nothing to speak of, or a whole tree on an empty hook
        return replace(seen, gained_kg=0.0)
    own, gain = 1.0 / np.asarray(seen.area.log_sd) ** 2, 1.0 / GAIN_LOG_SD**2
    logs = (own * np.log(seen.area.median_m2) + gain * np.log(gained / GAIN_KG_PER_M2)) / (own + gain)
    return replace(seen, gained_kg=gained, area=AreaPrior(np.exp(logs), np.sqrt(1.0 / (own + gain))))


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
        name: _evidence(series, errors, seen, dipped_at, misfit)
        for name, series, errors in (("bench", seen.bench, BENCH_SCALE), ("cell", seen.cell, LOAD_CELL))
        if series.tells
    }
    if "bench" in told and told["bench"][1] > DISAGREES_SQUARES:
        told["bench"] = _without_slip(told["bench"], seen, dipped_at, misfit)
    believed = {name: found for name, (found, best) in told.items() if best <= DISAGREES_SQUARES}
    likely = sum((found.log_likelihood for found in believed.values()), np.zeros_like(prior))
    weights = toned_down(prior, likely, LEAST_MEMBERS)
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


def _without_slip(
    whole: tuple[WeightEvidence, float], seen: Weighings, dipped_at: float, misfit: float
) -> tuple[WeightEvidence, float]:
    """The evidence of hand weighings without the one that alone contradicts the air: a slip of the pen or of the hand.
    That of the whole series where that does not cure it, where more than one cures it, or where few others are left.
    """
    series = seen.bench
    if len(series.times) < FEWEST_TO_SLIP:
        return whole
    others = [
        _evidence(series.without(place), BENCH_SCALE, seen, dipped_at, misfit) for place in range(len(series.times))
    ]
    cured = [found for found in others if found[1] <= DISAGREES_SQUARES]
    return cured[0] if len(cured) == 1 else whole


def _evidence(
    series: Series, errors: ScaleErrors, seen: Weighings, dipped_at: float, misfit: float
) -> tuple[WeightEvidence, float]:
    """What a series says of the members, and the mean squared error per weighing of the best of them: no less than what
    disagrees where even they need an area that no such tree has.
    """
    evidence = weight_evidence.weigh_members(
        np.array(series.times) - dipped_at,
        np.array(series.masses),
        np.array(series.sds),
        np.stack(series.water, axis=1),
        errors=replace(errors, misfit=misfit),
        area=seen.area,
    )
    closest = np.argsort(evidence.squares)[: len(evidence.squares) // 50 + 1]
    error = float(evidence.squares[closest].mean()) / max(len(series.times) - 2, 1)
    odd = float(evidence.area_squares[closest].mean()) / AREA_DISAGREES
    dead = PLAINLY if sees_nothing(series, seen.met, on_bench=errors is BENCH_SCALE) else 0.0
    return evidence, max(error, DISAGREES_SQUARES * max(odd, dead))


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
