"""Many runs and many trial parameters at once through the same coat physics that the service runs live."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drymon.drying import coat, curve, dips, ensemble
from drymon.learning.run import Run

Array = npt.NDArray[np.float64]

LONGEST_STEP_S = 900.0
FEWEST_STEPS, MOST_STEPS = 36, 70

THETA = ("water", "transfer", "critical", "exponent", "inner", "sorption", "slow", "share", "sunk", "liquid", "cooling")
"""A run's own parameters in the order of their columns, on working scales (`share`: logit of the slow zone's
share of the area).
"""


@dataclass(frozen=True, slots=True)
class Marks:
    """Where weighings lie between steps: index of the step's start, share of the way to its end; (weighings,) each."""

    index: npt.NDArray[np.int64]
    share: Array

    @classmethod
    def of(cls, grid_s: Array, times_s: Array) -> Marks:
        """Places of `times_s` within the rising `grid_s`."""
        index = np.clip(np.searchsorted(grid_s, times_s, "right") - 1, 0, len(grid_s) - 2)
        return cls(index, (times_s - grid_s[index]) / (grid_s[index + 1] - grid_s[index]))

    def at(self, values: Array) -> Array:
        """`values` (steps + 1, ...) at the weighings, in a straight line between steps, (weighings, ...)."""
        share = self.share.reshape(-1, *[1] * (values.ndim - 1))
        return np.asarray((1.0 - share) * values[self.index] + share * values[self.index + 1])


@dataclass(frozen=True, slots=True)
class Fleet:
    """Runs made ready for stepping together.

    seconds, deficit, saturation, excess, resistance: (steps, runs), padded with steps of no length. marks: for each run
    the index of the step after which each weighing was made. sheltered (runs,): there is a slow zone; fan (runs,): how
    far the fan reaches into it (`ensemble.FAN_REACHES`). depth (runs,): coats that sunk water passes
    (`dips.coats_below`).
    """

    runs: tuple[Run, ...]
    seconds: Array
    deficit: Array
    saturation: Array
    excess: Array
    resistance: Array
    marks: tuple[Marks, ...]
    sheltered: Array
    fan: Array
    depth: Array


def fleet_of(runs: Sequence[Run]) -> Fleet:
    """Cut every run's air into steps of at most `LONGEST_STEP_S` (longer for runs of days)."""
    grids = [_grid(run) for run in runs]
    steps = max(len(grid) for grid in grids) - 1
    columns = {name: np.zeros((steps, len(runs))) for name in ("seconds", "deficit", "saturation", "excess")}
    columns["resistance"] = np.ones((steps, len(runs)))
    marks = []
    for index, (run, grid) in enumerate(zip(runs, grids, strict=True)):
        assert run.air is not None
        air, count = run.air.over(grid), len(grid) - 1
        columns["seconds"][:count, index] = np.diff(grid)
        for name in ("deficit", "saturation", "excess", "resistance"):
            columns[name][:count, index] = getattr(air, name)
        marks.append(Marks.of(grid, run.times_s))
    sheltered = np.array([float(run.shelter != "open") for run in runs])
    fan = np.array([ensemble.FAN_REACHES.get(run.shelter, 1.0) for run in runs])
    depth = np.array([dips.coats_below(run.number) for run in runs])
    return Fleet(tuple(runs), **columns, marks=tuple(marks), sheltered=sheltered, fan=fan, depth=depth)


def _grid(run: Run) -> Array:
    end = float(run.times_s[-1])
    count = int(np.clip(np.ceil(end / LONGEST_STEP_S), FEWEST_STEPS, MOST_STEPS))
    # Finer at the start, where the curve bends most in little time.
    return np.asarray(end * np.linspace(0.0, 1.0, count + 1) ** 1.3)


def coats_of(fleet: Fleet, theta: Array, tail: str) -> ensemble.PossibleCoats:
    """`theta` (runs, trials, 11) on working scales as possible coats with zones (open, slow); an open tree's slow zone
    has no area.
    """
    log = np.exp(theta)
    shape = theta.shape[:2]
    ones = np.ones((2, *shape))
    slow = fleet.sheltered[:, None] * log[..., 7] / (1.0 + log[..., 7])
    form = curve.TAILS.index(tail)
    return ensemble.PossibleCoats(
        zones=("open", "slow"),
        share=np.stack([1.0 - slow, slow]),
        water=log[..., 0] * ones,
        cooling=log[..., 10],
        conductance=log[..., 1] * ones,
        pocket=np.stack([0.0 * log[..., 6], 1.0 / np.minimum(log[..., 6], 1.0) - 1.0]),
        fan=fleet.fan[:, None] * ones,
        critical=1.0 / (1.0 + 1.0 / log[..., 2]),
        exponent=log[..., 3],
        inner=log[..., 4] * ones,
        liquid=1.0 / (1.0 + 1.0 / log[..., 9]) * curve.follows_vapour(tail),
        sorption=log[..., 5] * ones,
        sunk=np.minimum(log[..., 8], dips.MOST_SUNK) * ones,
        below=log[..., 4] * fleet.depth[:, None] * ones,
        buried=0.0 * ones,
        airflow=np.full(shape, 0.5),
        slowness=np.full(shape, 0.5),
        form=None if form == curve.POWER else np.array(form),
    )


def left_over_time(fleet: Fleet, coats: ensemble.PossibleCoats) -> Array:
    """Share of water left in both zones after each step, (steps + 1, zones, runs, trials)."""
    history = np.empty((len(fleet.seconds) + 1, *coats.water.shape))
    history[0] = 1.0
    for index in range(len(fleet.seconds)):
        air = ensemble.AirStep(
            deficit=fleet.deficit[index][:, None],
            saturation=fleet.saturation[index][:, None],
            excess=fleet.excess[index][:, None],
            resistance=fleet.resistance[index][:, None],
        )
        history[index + 1] = coat.step(coats, history[index], air, fleet.seconds[index][:, None])
    return history


def mean_water(fleet: Fleet, theta: Array, tail: str) -> Array:
    """Water left averaged over the tree's faces, kg/m2, (steps + 1, runs, trials)."""
    coats = coats_of(fleet, theta, tail)
    return np.asarray((coats.share * coats.water * left_over_time(fleet, coats)).sum(axis=1))
