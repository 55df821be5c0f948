"""Many runs and many trial parameters at once through the same coat physics that the service runs live."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drymon.drying import coat, curve, dips, ensemble
from drymon.learning.run import Run
from drymon.learning.smooth import smooth

Array = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

FEWEST_STEPS, MOST_STEPS = 24, 64
STEPS_PER_HALF = 10.0
"""Steps in the time in which a run loses half of what it loses: longer ones would bend its curve."""

THETA = (
    "water",
    "transfer",
    "critical",
    "exponent",
    "inner",
    "sorption",
    "pocketed",
    "deep",
    "pocketed_share",
    "deep_share",
    "sunk",
    "liquid",
    "cooling",
    "end",
    "lag",
    "growth",
    "slowing",
    "damp",
    "warm",
    "wind",
)
"""A run's own parameters in the order of their columns, on working scales; `slowing` as it is."""

_AT = {name: column for column, name in enumerate(THETA)}


@dataclass(frozen=True, slots=True)
class Marks:
    """Where weighings lie between steps: index of the step's start, share of the way to its end; (weighings,) each."""

    index: Places
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
    """Runs made ready for stepping together, a row for each zone of each run.

    seconds, deficit, saturation, excess, resistance: (steps, rows), padded with steps of no length. marks: for each run
    where its weighings lie. run, zone (rows,): whose row it is, 0 for the open faces; zones, depth (runs,): number of
    zones, coats that sunk water passes (`dips.coats_below`). first (runs,): each run's first row.
    """

    runs: tuple[Run, ...]
    seconds: Array
    deficit: Array
    saturation: Array
    excess: Array
    resistance: Array
    marks: tuple[Marks, ...]
    run: Places
    zone: Places
    zones: Places
    depth: Array
    first: Places


def fleet_of(runs: Sequence[Run]) -> Fleet:
    """Cut every run's air into steps that grow from a part of its own half-time on; weighed runs come first."""
    runs = sorted(runs, key=lambda run: not run.used)
    grids = [grid_of(run) for run in runs]
    steps = max(len(grid) for grid in grids) - 1
    columns = {name: np.zeros((steps, len(runs))) for name in ("seconds", "deficit", "saturation", "excess")}
    columns["deficit"][:] = columns["saturation"][:] = 0.01
    columns["resistance"] = np.full((steps, len(runs)), ensemble.OPEN_FACE)
    marks = []
    for index, (run, grid) in enumerate(zip(runs, grids, strict=True)):
        assert run.air is not None
        air, count = run.air.over(grid), len(grid) - 1
        columns["seconds"][:count, index] = np.diff(grid)
        for name in ("deficit", "saturation", "excess", "resistance"):
            columns[name][:count, index] = getattr(air, name)
        marks.append(Marks.of(grid, run.times_s if run.used else grid[:0]))
    zones = np.array([len(ensemble.ZONES[run.shelter]) for run in runs])
    owner = np.repeat(np.arange(len(runs)), zones)
    first = np.concatenate([[0], np.cumsum(zones)[:-1]])
    depth = np.array([dips.coats_below(run.number) for run in runs])
    rows = {name: column[:, owner] for name, column in columns.items()}
    return Fleet(
        tuple(runs), **rows, marks=tuple(marks), run=owner, zone=np.arange(len(owner)) - first[owner], zones=zones,
        depth=depth, first=first,
    )  # fmt: skip


def grid_of(run: Run) -> Array:
    """Edges from the dip to the last weighing, growing as e^x - 1: close together where most of the water goes."""
    assert run.air is not None
    end = float(run.times_s[-1]) if run.used else float(run.air.edges_s[-1])
    half = float(np.clip(3600.0 * smooth(run).hours_until(0.5), 0.003 * end, 0.5 * end)) if run.used else 0.2 * end
    start = 0.7 * half
    far = np.log1p(end / start)
    count = int(np.clip(np.ceil(STEPS_PER_HALF * far / np.log1p(half / start)), FEWEST_STEPS, MOST_STEPS))
    return np.asarray(start * np.expm1(far * np.linspace(0.0, 1.0, count + 1)))


def coats_of(fleet: Fleet, theta: Array, tail: str) -> ensemble.PossibleCoats:
    """`theta` (runs, trials, THETA) on working scales as possible coats, (rows, trials)."""
    log = np.exp(theta)[fleet.run]
    part = {name: log[..., column] for name, column in _AT.items()}
    part["slowing"] = theta[fleet.run][..., _AT["slowing"]]
    logit = {name: 1.0 / (1.0 + 1.0 / part[name]) for name in ("critical", "liquid", "end")}
    pocket, share = np.zeros_like(part["water"]), np.zeros_like(part["water"])
    for zones in sorted(set(fleet.zones.tolist())):
        own = {name: np.exp(theta[fleet.zones == zones][..., _AT[name]]) for name in ("pocketed", "deep")}
        areas = [np.exp(theta[fleet.zones == zones][..., _AT[f"{name}_share"]]) for name in ("pocketed", "deep")]
        air = dips.still_air(zones, own["pocketed"], own["deep"]) / np.exp(
            theta[fleet.zones == zones][..., _AT["growth"]]
        )
        area = dips.zone_shares(zones, *(each / (1.0 + each) for each in areas))
        for zone in range(zones):
            rows = fleet.first[fleet.zones == zones] + zone
            pocket[rows], share[rows] = air[zone], area[zone]
    fan = np.array([ensemble.FAN_REACHES[name] for name in ensemble.ZONES["deep"]])[fleet.zone][:, None]
    form = curve.form_of(tail)
    return dips.coats_of(
        {**part, **logit, "lag": part["lag"] * part["growth"], "sunk": np.minimum(part["sunk"], dips.MOST_SUNK)},
        tail,
        zones=("rows",),
        share=share,
        pocket=pocket,
        fan=fan,
        coats_under=fleet.depth[fleet.run][:, None],
        form=None if form == curve.POWER else np.array(form),
    )


def left_over_time(fleet: Fleet, coats: ensemble.PossibleCoats) -> Array:
    """Share of water left in every zone after each step, (steps + 1, rows, trials)."""
    names = ("deficit", "saturation", "excess", "resistance")
    air = ensemble.AirStep(*(getattr(fleet, name)[..., None] for name in names))
    with np.errstate(over="ignore"):  # a search tries exponents beyond all sense
        return coat.steps(coats, np.ones(coats.water.shape), air, fleet.seconds[..., None])


@dataclass(frozen=True, slots=True)
class Courses:
    """mean: water left averaged over each tree's faces, kg/m2, (steps + 1, runs, trials); left: share left in every
    zone, (steps + 1, rows, trials).
    """

    mean: Array
    left: Array


def courses(fleet: Fleet, theta: Array, tail: str) -> Courses:
    """How the water of all runs goes with `theta` (runs, trials, THETA)."""
    coats = coats_of(fleet, theta, tail)
    left = left_over_time(fleet, coats)
    return Courses(np.asarray(np.add.reduceat(coats.share * coats.water * left, fleet.first, axis=1)), left)


def mean_water(fleet: Fleet, theta: Array, tail: str) -> Array:
    """Water left averaged over the tree's faces, kg/m2, (steps + 1, runs, trials)."""
    return courses(fleet, theta, tail).mean


def hours_of(fleet: Fleet, run: int) -> Array:
    """Hours since the dip at the edges of a run's steps, (steps + 1,)."""
    return np.concatenate([[0.0], np.cumsum(fleet.seconds[:, fleet.first[run]])]) / 3600.0
