"""The unknowns of a coat type's fit.

Its own parameters, what scatters from run to run, what belongs to trees and racks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drymon.drying import dips
from drymon.drying.coat_model import DIP_PARAMETERS, PARAMETERS, CoatModel, Spread, to_working
from drymon.learning.forward import THETA, Fleet

Array = npt.NDArray[np.float64]

AREA_MEDIAN_M2, AREA_LOG_SD = 0.4, 1.0
SHARE_LOGIT_SD = 0.25
"""Scatter of the slow zone's share of the area between trees of one kind of shelter, on the logit (assumed)."""

ZONE_LOG_SD = 0.2
"""Scatter of the slow zone's speed between trees of one kind of shelter (assumed; learnt with enough trees)."""

UNSEEN_LOG_SD: Mapping[str, float] = {"deep": 0.15}
UNSEEN_LOG: Mapping[str, float] = {"deep": 0.06}
"""How much slower or quicker the slowest pocket may be than the slow zone that the weight shows (assumed): deep trees
have pockets of many depths, and the deepest hold too little of the water for a scale to feel. And how much slower it
is likely to be, on the log scale: the slowest of several is slower than what they show together.
"""

SHELTER_LOG_SD = 0.25
"""How far the open faces of a sheltered tree dry apart from those of an open one (assumed)."""

RACK_LOG_SD = 0.15
"""How far racks of one room differ beyond what their sensors say, the sensors' bias included (assumed)."""

TAIL_EXPONENT: Mapping[str, Spread] = {
    "power": Spread(1.0, 0.45),
    "front": Spread(0.5, 0.6),
    "supply": Spread(1.0, 0.5),
}
"""What is taken for granted of the exponent under each tail: wide, the runs decide."""

EFFECTIVE = len(THETA)

PLAIN = ("water", "transfer", "critical", "exponent", "inner", "sorption", "liquid", "cooling")
"""Parameters that a run takes over from its type as they are, before its own scatter."""


@dataclass(frozen=True, slots=True)
class Prior:
    """Normal prior of the type's parameters on working scales, in the order of PARAMETERS, and of the scatter."""

    mean: Array
    root: Array
    dip_sd: Array
    soak_coats: float
    racks: Mapping[str, float]

    @classmethod
    def of(cls, model: CoatModel, tail: str | None = None) -> Prior:
        """The prior that a coat model stands for.

        Under another tail than its own the exponent starts anew.
        """
        own = dict(model.parameters)
        if tail is not None and tail != model.tail:
            own["exponent"] = TAIL_EXPONENT[tail]
        spreads = [own[name] for name in PARAMETERS]
        mean = np.array([to_working(name, s.centre) for name, s in zip(PARAMETERS, spreads, strict=True)])
        root = np.diag([spread.sd for spread in spreads])
        if model.correlation is not None:
            root = root @ np.linalg.cholesky(np.asarray(model.correlation))
        dip_sd = np.array([model.dip_sd[name] for name in DIP_PARAMETERS])
        return cls(mean, root, dip_sd, model.soak_coats, model.racks)


class Layout:
    """Where each unknown stands in the vector of unknowns; all have standard normal priors."""

    def __init__(self, fleet: Fleet, prior: Prior) -> None:
        self.prior, self.runs = prior, fleet.runs
        count = len(fleet.runs)
        trees = sorted({run.tree for run in fleet.runs})
        hidden = sorted({run.tree for run in fleet.runs if run.shelter != "open"})
        self.tree = np.array([trees.index(run.tree) for run in fleet.runs])
        self.hidden = np.array([hidden.index(run.tree) if run.tree in hidden else -1 for run in fleet.runs])
        self.scatter = len(PARAMETERS) + 3 * np.arange(count)
        self.area = len(PARAMETERS) + 3 * count + self.tree
        start = len(PARAMETERS) + 3 * count + len(trees)
        self.share = start + self.hidden
        self.zone = start + len(hidden) + self.hidden
        kinds = sorted({run.shelter for run in fleet.runs if run.shelter != "open"})
        place = [kinds.index(run.shelter) if run.shelter in kinds else -1 for run in fleet.runs]
        self.shelter = start + 2 * len(hidden) + np.array(place)
        start += 2 * len(hidden) + len(kinds)
        self.racks = tuple(sorted({run.rack for run in fleet.runs}))
        self.rack = np.array([self.racks.index(run.rack) for run in fleet.runs])
        self.rack_at = slice(start, start + len(self.racks) - 1)
        self.rack_root = RACK_LOG_SD * _contrasts(len(self.racks))
        self.rack_mean = np.log([prior.racks.get(name, 1.0) for name in self.racks])
        self.size = start + len(self.racks) - 1
        self.usual = np.array([dips.BURIED_USUAL * (run.number > 1) for run in fleet.runs])
        self.held = np.array([run.held_below * dips.coats_breathing(run.number - 1) for run in fleet.runs])
        numbers = np.array([run.number for run in fleet.runs])
        self.breathing = np.log([dips.coats_breathing(run.number) for run in fleet.runs])
        self.settled = 1.0 - np.exp(-(numbers - 1) / prior.soak_coats)
        self.slow = np.array([PARAMETERS.index("deep" if r.shelter == "deep" else "pocketed") for r in fleet.runs])
        self.slow_share = self.slow + PARAMETERS.index("pocketed_share") - PARAMETERS.index("pocketed")

    def theta(self, x: Array, dip_sd: Array, zone_sd: float) -> tuple[Array, Array]:
        """Every run's own parameters (runs, 11) and their derivatives (runs, 11, unknowns)."""
        count, type_size = len(self.runs), len(PARAMETERS)
        mean = self.prior.mean + self.prior.root @ x[:type_size]
        own = np.zeros((count, EFFECTIVE))
        slope = np.zeros((count, EFFECTIVE, self.size))
        for column, name in enumerate(THETA):
            if name in PLAIN:
                place = PARAMETERS.index(name)
                own[:, column] = mean[place]
                slope[:, column, :type_size] = self.prior.root[place]
        own[:, 1] += self.rack_mean[self.rack] + (self.rack_root @ x[self.rack_at])[self.rack]
        slope[:, 1, self.rack_at] = self.rack_root[self.rack]
        own[:, 5] += self.breathing
        self._found_below(mean, own, slope)
        rows = np.arange(count)
        for place, column in enumerate((0, 1, 4)):  # scatter of water, transfer, inner
            own[:, column] += dip_sd[place] * x[self.scatter + place]
            slope[rows, column, self.scatter + place] = dip_sd[place]
        soak = np.exp(mean[PARAMETERS.index("soak")])
        share_of_growth = soak * self.settled / (1.0 + soak * self.settled)
        own[:, 0] += np.log1p(soak * self.settled)
        slope[:, 0, :type_size] += share_of_growth[:, None] * self.prior.root[PARAMETERS.index("soak")]
        self._slow_zones(x, mean, zone_sd, own, slope)
        return own, slope

    def _found_below(self, mean: Array, own: Array, slope: Array) -> None:
        """What each dip found in the coats below: it adds to its water, and to what has sunk."""
        held = np.exp(mean[PARAMETERS.index("sorption")]) * self.held
        buried = dips.found_below(held, self.usual)
        moving = np.where(buried == self.usual, 0.0, held)[:, None] * self.prior.root[PARAMETERS.index("sorption")]
        own[:, 0] += np.log1p(buried)
        slope[:, 0, : len(PARAMETERS)] += moving / (1.0 + buried)[:, None]
        sunk = np.exp(mean[PARAMETERS.index("sunk")])
        total = np.maximum(sunk + buried / (1.0 + buried), dips.LEAST_SUNK)
        own[:, 8] = np.log(total)
        slope[:, 8, : len(PARAMETERS)] = (sunk / total)[:, None] * self.prior.root[PARAMETERS.index("sunk")]
        slope[:, 8, : len(PARAMETERS)] += moving / (total * (1.0 + buried) ** 2)[:, None]

    def rack_factors(self, x: Array) -> dict[str, float]:
        """Factor on transfer by rack."""
        logs = self.rack_mean + self.rack_root @ x[self.rack_at]
        return {name: float(np.exp(value)) for name, value in zip(self.racks, logs, strict=True)}

    def _slow_zones(self, x: Array, mean: Array, zone_sd: float, own: Array, slope: Array) -> None:
        own[:, 6], own[:, 7] = mean[self.slow], mean[self.slow_share]
        for run in np.flatnonzero(self.hidden >= 0):
            # What the open faces of such trees differ by must not move the slow zone.
            apart = SHELTER_LOG_SD * x[self.shelter[run]]
            own[run, 1] += apart
            own[run, 6] += zone_sd * x[self.zone[run]] - apart
            slope[run, 1, self.shelter[run]] = SHELTER_LOG_SD
            slope[run, 6, self.shelter[run]] = -SHELTER_LOG_SD
            own[run, 7] += SHARE_LOGIT_SD * x[self.share[run]]
            slope[run, 6, : len(PARAMETERS)] = self.prior.root[self.slow[run]]
            slope[run, 6, self.zone[run]] = zone_sd
            slope[run, 7, : len(PARAMETERS)] = self.prior.root[self.slow_share[run]]
            slope[run, 7, self.share[run]] = SHARE_LOGIT_SD


def _contrasts(count: int) -> Array:
    """Orthonormal contrasts (count, count - 1).

    Effects that sum to zero, so that the type's own numbers are the mean's.
    """
    helmert = np.zeros((count, max(count - 1, 0)))
    for k in range(1, count):
        helmert[:k, k - 1] = 1.0
        helmert[k, k - 1] = -k
        helmert[:, k - 1] /= np.sqrt(k * (k + 1.0))
    return helmert
