"""A run's drying by a rule that needs no model: a mass that falls, and falls ever more slowly.

Over a clock that goes with the air's deficit, the mass is taken as convex and never rising: a plateau plus a sum of
hinges max(knot - clock, 0) with weights of no less than nothing (non-negative least squares; Lawson & Hanson 1974).
What a drying coat cannot do, the smoothed mass does not; nothing else is taken for granted. Weighings far off are
believed less and less (Student's t).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from drymon.drying.weight_evidence import LOAD_CELL
from drymon.learning.run import Run

Array = npt.NDArray[np.float64]

FREEDOM = 4.0
"""Degrees of freedom of a hand weighing's error: a slip in some thirty (assumed)."""

STANDS_SHARE, STANDS_OF_CLOCK = 0.04, 0.25
"""A mass stands still when it lost no more of its loss than this in the last part of the clock (assumed), or no more
than the scale's own errors.
"""


@dataclass(frozen=True, slots=True)
class Smooth:
    """hours (weighings,) since the dip; clock: 0 to 1 in proportion to the air's deficit; mass_kg: smoothed; belief: 0
    to 1 for each weighing; scatter_kg: of the weighings about it; stands: whether the mass had come to a standstill.
    """

    hours: Array
    clock: Array
    mass_kg: Array
    belief: Array
    scatter_kg: float
    stands: bool

    @property
    def loss_kg(self) -> float:
        """All that was lost while it was watched."""
        return float(self.mass_kg[0] - self.mass_kg[-1])

    @property
    def gone(self) -> Array:
        """Share of that loss that has gone at each weighing."""
        return np.asarray((self.mass_kg[0] - self.mass_kg) / max(self.loss_kg, 1e-9))

    @property
    def late_pace(self) -> float:
        """Speed of the loss in the last quarter of the clock over its mean: near 1 where nothing has slowed yet."""
        before = float(np.interp(1.0 - STANDS_OF_CLOCK, self.clock, self.mass_kg))
        return (before - float(self.mass_kg[-1])) / STANDS_OF_CLOCK / max(self.loss_kg, 1e-9)

    def unsure_of_time(self, on_cell: bool, error_kg: float) -> Array:
        """By how much the errors of the weighings move the moment at which each mass is reached, as a share of its
        hours, (weighings,): the error of the smoothed mass over its loss while the hours grow e-fold, from the weighing
        before it to the one after. error_kg: of one weighing.
        """
        errors = np.hypot(error_kg / np.sqrt(2.0), on_cell * LOAD_CELL.drift_kg * np.sqrt(self.hours))
        logs = np.log(np.maximum(self.hours, 1e-3))
        slope = np.full(len(logs), 1e-9)
        slope[1:-1] = (self.mass_kg[:-2] - self.mass_kg[2:]) / np.maximum(logs[2:] - logs[:-2], 1e-6)
        return np.asarray(errors / np.maximum(slope, 1e-9))

    def hours_until(self, gone: float) -> float:
        """Hours until this share of the loss has gone."""
        return float(np.interp(gone, self.gone, self.hours))


def clock_of(run: Run) -> Array:
    """Drying clock of a run's weighings, 0 at the dip and 1 at the last: the air's deficit added up."""
    assert run.air is not None
    total = np.concatenate([[0.0], np.cumsum(run.air.deficit * np.diff(run.air.edges_s))])
    clock = np.interp(run.times_s, run.air.edges_s, total)
    return np.asarray(clock / max(float(clock[-1]), 1e-12))


def smooth(run: Run) -> Smooth:
    """Smooth a run that may teach (four weighings and more, its air known)."""
    clock = clock_of(run)
    base = float(run.masses_kg.min()) - float(np.ptp(run.masses_kg)) - 1e-3
    hinges = np.maximum(clock[None, 1:] - clock[:, None], 0.0)
    columns = np.column_stack([np.ones(len(clock)), hinges])
    belief = np.ones(len(clock))
    mass = run.masses_kg
    for _ in range(4 if not run.on_cell else 2):
        weight = np.sqrt(belief) / run.sds_kg
        found, _ = nnls(columns * weight[:, None], (run.masses_kg - base) * weight, maxiter=30 * len(clock))
        mass = base + columns @ found
        scale = np.hypot(run.sds_kg, 1.4826 * float(np.median(np.abs(run.masses_kg - mass))))
        belief = (FREEDOM + 1.0) / (FREEDOM + ((run.masses_kg - mass) / scale) ** 2)
        belief = np.minimum(belief, 1.0)
    scatter = float(np.sqrt(np.average((run.masses_kg - mass) ** 2, weights=belief)))
    return Smooth(run.times_s / 3600.0, clock, mass, belief, scatter, _stands(clock, mass, run, scatter))


def _stands(clock: Array, mass: Array, run: Run, scatter: float) -> bool:
    late = float(np.interp(1.0 - STANDS_OF_CLOCK, clock, mass) - mass[-1])
    loss = float(mass[0] - mass[-1])
    count = max(int(np.count_nonzero(clock > 1.0 - STANDS_OF_CLOCK)), 1)
    unsure = 2.0 * max(scatter, float(np.median(run.sds_kg))) / np.sqrt(count)
    return count > 1 and late <= max(STANDS_SHARE * loss, min(unsure, 2.0 * STANDS_SHARE * loss))
