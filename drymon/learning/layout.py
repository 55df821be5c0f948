"""The unknowns of a room's fit: what its coats have in common, what is each coat's own, what scatters from run to run,
what belongs to trees and racks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drymon.drying import dips
from drymon.drying.coat_model import DIP_PARAMETERS, END_GROWTH, GROWTH, PARAMETERS, CoatModel, Spread, to_working
from drymon.learning.forward import THETA, Fleet

Array = npt.NDArray[np.float64]

AREA_MEDIAN_M2, AREA_LOG_SD = 0.4, 1.0
SHARE_LOGIT_SD = 0.25
"""Scatter of a slow zone's share of the area between trees of one kind of shelter, on the logit (assumed)."""

ZONE_LOG_SD = 0.2
"""Scatter of a slow zone's speed between trees of one kind of shelter (assumed; learnt with enough trees)."""

SHELTER_LOG_SD = 0.1
"""How far the open faces of a sheltered tree dry apart from those of an open one (assumed)."""

RACK_LOG_SD = 0.15
"""How far racks of one room differ beyond what their sensors say, the sensors' bias included (assumed)."""

SORPTION_LOG_SD = 0.8
"""How far the binder's answer to humidity may be from a starting model's, at least (assumed): runs that hang in one
week's air do not tell it, and in damper air nine coats' binder may hold as much more as may be left in a dry coat.
"""

TAIL_EXPONENT: Mapping[str, Spread] = {
    "power": Spread(1.0, 0.3),
    "front": Spread(0.5, 0.6),
    "supply": Spread(1.0, 0.5),
}
"""What is taken for granted of the exponent under each tail: wide, the runs decide."""

IN_COMMON: Mapping[str, float] = {
    "water": 0.4,
    "cooling": 0.9,
    "transfer": 0.8,
    "critical": 0.6,
    "exponent": 0.6,
    "inner": 0.6,
    "liquid": 0.8,
    "sorption": 0.8,
    "soak": 0.8,
    "sunk": 0.7,
    "pocketed": 0.95,
    "deep": 0.95,
    "pocketed_share": 0.95,
    "deep_share": 0.95,
    "end": 0.6,
    "pace": 0.4,
    "growth_3": 0.85,
    "growth_5": 0.85,
    "growth_8": 0.85,
    "growth_12": 0.85,
    "damp": 0.85,
    "warm": 0.9,
    "wind": 0.95,
}
"""Share of a parameter's variance that all coats of a room have in common (assumed): the air and the trees are the
room's, the slurry is the coat's.
"""

BOUNDED = ("cooling", "sorption", "liquid", "sunk", "pocketed_share", "deep_share")
"""Parameters that physics bounds: their prior is normal. The others' has heavy tails, for a shop may be of a kind that
nobody here has seen.
"""

PLAIN = {
    name: name
    for name in (
        "water", "transfer", "critical", "exponent", "inner", "sorption", "pocketed", "deep", "pocketed_share",
        "deep_share", "liquid", "cooling", "end", "damp", "warm", "wind",
    )
} | {"lag": "pace"}  # fmt: skip
"""A run's parameters that it takes over from its coat as they are, before its own scatter."""

_P = len(PARAMETERS)
_PLACE = {name: place for place, name in enumerate(PARAMETERS)}
_COLUMN = {name: column for column, name in enumerate(THETA)}


@dataclass(frozen=True, slots=True)
class Prior:
    """Normal prior of one coat's parameters on working scales, in the order of PARAMETERS, and of its scatter."""

    mean: Array
    root: Array
    dip_sd: Array
    soak_coats: float
    racks: Mapping[str, float]
    slurry_power: Spread
    end_growth: Spread

    @classmethod
    def of(cls, model: CoatModel, tail: str | None = None) -> Prior:
        """The prior that a coat model stands for. Under another tail than its own the exponent starts anew."""
        own = dict(model.parameters)
        if tail is not None and tail != model.tail:
            own["exponent"] = TAIL_EXPONENT[tail]
        if model.is_starting_model:
            own["sorption"] = Spread(own["sorption"].centre, max(own["sorption"].sd, SORPTION_LOG_SD))
        spreads = [own[name] for name in PARAMETERS]
        mean = np.array([to_working(name, s.centre) for name, s in zip(PARAMETERS, spreads, strict=True)])
        root = np.diag([spread.sd for spread in spreads])
        if model.correlation is not None:
            root = root @ np.linalg.cholesky(np.asarray(model.correlation))
        dip_sd = np.array([model.dip_sd[name] for name in DIP_PARAMETERS])
        return cls(
            mean, root, dip_sd, model.soak_coats, model.racks, model.slurry_power, model.end_growth or END_GROWTH
        )


class Layout:
    """Where each unknown stands in the vector of unknowns; all have standard priors.

    The first are the room's (parameters,), then each coat's own (coats x parameters,); `scatter` (runs,): where each
    run's own three begin; `area`, `share`, `zone`, `depth`, `shelter`: by run, -1 where it has none; `slurry`: by run,
    its coat's power of the slurry's viscosity, -1 where no cup was told of the coat; `end_at`: the growth
    of the end; `rack_at`: the racks' contrasts.
    """

    def __init__(self, fleet: Fleet, priors: Mapping[str, Prior]) -> None:
        self.fleet, self.runs = fleet, fleet.runs
        self.coats = tuple(sorted({run.coat for run in self.runs}))
        self.priors = [priors[name] for name in self.coats]
        self.coat = np.array([self.coats.index(run.coat) for run in self.runs])
        common = np.array([IN_COMMON[name] for name in PARAMETERS]) if len(self.coats) > 1 else np.ones(_P)
        self.common, self.own = np.sqrt(common), np.sqrt(1.0 - common)
        self.size = _P * (1 + len(self.coats))
        self.scatter = self._block(3 * len(self.runs))[::3]
        self.area = self._by([run.tree for run in self.runs])
        self.share = self._by([run.tree if run.shelter != "open" else "" for run in self.runs])
        self.zone = self._by([run.tree if run.shelter != "open" else "" for run in self.runs])
        self.depth = self._by([run.tree if run.shelter == "deep" else "" for run in self.runs])
        self.shelter = self._by([run.shelter if run.shelter != "open" else "" for run in self.runs])
        self.thick = np.array([run.thick for run in self.runs])
        by_cup = {run.coat for run in self.runs if run.thick != 0.0}
        self.slurry = self._by([run.coat if run.coat in by_cup else "" for run in self.runs])
        self.end_at = int(self._block(1)[0])
        self.end_share = np.array([dips.end_share(run.number) for run in self.runs])
        self.racks = tuple(sorted({run.rack for run in self.runs}))
        self.rack = np.array([self.racks.index(run.rack) for run in self.runs])
        self.rack_at = self._block(len(self.racks) - 1)
        self.rack_root = RACK_LOG_SD * _contrasts(len(self.racks))
        self.rack_mean = np.log([self.priors[0].racks.get(name, 1.0) for name in self.racks])
        numbers = [run.number for run in self.runs]
        self.usual = np.array([dips.BURIED_USUAL * (number > 1) for number in numbers])
        self.held = np.array([run.held_below * dips.coats_breathing(run.number - 1) for run in self.runs])
        self.breathing = np.log([dips.coats_breathing(number) for number in numbers])
        soak_coats = np.array([self.priors[coat].soak_coats for coat in self.coat])
        self.settled = 1.0 - np.exp(-(np.array(numbers) - 1) / soak_coats)
        self.growth = np.array([dips.growth_shares(number) for number in numbers])
        self.heavy = np.zeros(self.size, bool)
        self.heavy[: _P * (1 + len(self.coats))] = np.tile(
            [name not in BOUNDED for name in PARAMETERS], 1 + len(self.coats)
        )

    def _block(self, count: int) -> npt.NDArray[np.int64]:
        places = np.arange(self.size, self.size + count)
        self.size += count
        return places

    def _by(self, names: Sequence[str]) -> npt.NDArray[np.int64]:
        """A place for each name, the same for equal ones; -1 for no name."""
        known = sorted(set(names) - {""})
        places = self._block(len(known))
        return np.array([places[known.index(name)] if name else -1 for name in names])

    def room(self, name: str) -> int:
        """Place of what the room's coats have in common of a parameter."""
        return _PLACE[name]

    def of_coat(self, coat: int, name: str) -> int:
        """Place of what is a coat's own of a parameter."""
        return _P * (1 + coat) + _PLACE[name]

    def root_of(self, coat: int) -> Array:
        """Derivative of a coat's parameters by all unknowns, (parameters, unknowns)."""
        found = np.zeros((_P, self.size))
        found[:, :_P] = self.priors[coat].root * self.common
        found[:, _P * (1 + coat) : _P * (2 + coat)] = self.priors[coat].root * self.own
        return found

    def mean_of(self, x: Array, coat: int) -> Array:
        """A coat's parameters on working scales, (parameters,)."""
        return np.asarray(self.priors[coat].mean + self.root_of(coat) @ x)

    def theta(self, x: Array, dip_sd: Array, zone_sd: float) -> tuple[Array, Array]:
        """Every run's own parameters (runs, THETA) and their derivatives (runs, THETA, unknowns).

        dip_sd: (coats, 3).
        """
        roots = np.stack([self.root_of(coat) for coat in range(len(self.coats))])
        mean = np.stack([prior.mean for prior in self.priors]) + roots @ x
        root, middle = roots[self.coat], mean[self.coat]
        own, slope = np.zeros((len(self.runs), len(THETA))), np.zeros((len(self.runs), len(THETA), self.size))
        for name, source in PLAIN.items():
            own[:, _COLUMN[name]] = middle[:, _PLACE[source]]
            slope[:, _COLUMN[name]] = root[:, _PLACE[source]]
        self._numbers(middle, root, own, slope)
        self._found_below(middle, root, own, slope)
        self._slurry(x, own, slope)
        self._ends(x, own, slope)
        self._trees(x, dip_sd, zone_sd, own, slope)
        return own, slope

    def _numbers(self, middle: Array, root: Array, own: Array, slope: Array) -> None:
        """What the coat's number does to its time, its water and its binder."""
        growth, water = _COLUMN["growth"], _COLUMN["water"]
        places = [_PLACE[name] for name in GROWTH]
        own[:, growth] = (self.growth * middle[:, places]).sum(axis=1)
        slope[:, growth] = np.einsum("rg,rgx->rx", self.growth, root[:, places])
        soak = np.exp(middle[:, _PLACE["soak"]]) * self.settled
        own[:, water] += np.log1p(soak)
        slope[:, water] += (soak / (1.0 + soak))[:, None] * root[:, _PLACE["soak"]]
        own[:, _COLUMN["sorption"]] += self.breathing

    def _ends(self, x: Array, own: Array, slope: Array) -> None:
        """How much more slowly late coats lose their last water."""
        spreads = [prior.end_growth for prior in self.priors]
        grown = np.array([one.centre * np.exp(one.sd * x[self.end_at]) for one in spreads])[self.coat]
        own[:, _COLUMN["slowing"]] = self.end_share * grown
        slope[:, _COLUMN["slowing"], self.end_at] = own[:, _COLUMN["slowing"]] * [spreads[at].sd for at in self.coat]

    def end_growth_of(self, x: Array, covariance: Array, coat: int) -> Spread:
        """A coat's growth of the end."""
        prior, at = self.priors[coat].end_growth, self.end_at
        return Spread(prior.centre * float(np.exp(prior.sd * x[at])), prior.sd * float(np.sqrt(covariance[at, at])))

    def _found_below(self, middle: Array, root: Array, own: Array, slope: Array) -> None:
        """What each dip found in the coats below: it adds to its water, and to what has sunk."""
        held = np.exp(middle[:, _PLACE["sorption"]]) * self.held
        buried = dips.found_below(held, self.usual)
        moving = np.where(buried == self.usual, 0.0, held)[:, None] * root[:, _PLACE["sorption"]]
        own[:, _COLUMN["water"]] += np.log1p(buried)
        slope[:, _COLUMN["water"]] += moving / (1.0 + buried)[:, None]
        sunk = np.exp(middle[:, _PLACE["sunk"]])
        total = np.maximum(sunk + buried / (1.0 + buried), dips.LEAST_SUNK)
        own[:, _COLUMN["sunk"]] = np.log(total)
        slope[:, _COLUMN["sunk"]] = (sunk / total)[:, None] * root[:, _PLACE["sunk"]]
        slope[:, _COLUMN["sunk"]] += moving / (total * (1.0 + buried) ** 2)[:, None]

    def power_of(self, x: Array, covariance: Array, coat: int) -> Spread:
        """A coat's power of its slurry's viscosity."""
        prior = self.priors[coat].slurry_power
        place = int(self.slurry[self.coat == coat].max(initial=-1))
        if place < 0:
            return prior
        return Spread(prior.centre + prior.sd * float(x[place]), prior.sd * float(np.sqrt(covariance[place, place])))

    def _slurry(self, x: Array, own: Array, slope: Array) -> None:
        """What the slurry's thickness does to the water that a dip brings, and to the way out of it (`thickness`)."""
        some = np.flatnonzero(self.slurry >= 0)
        powers = [self.priors[coat].slurry_power for coat in self.coat[some]]
        sds, places = np.array([power.sd for power in powers]), self.slurry[some]
        more = self.thick[some] * (np.array([power.centre for power in powers]) + sds * x[places])
        for column in (_COLUMN["water"], _COLUMN["inner"]):
            own[some, column] += more
            slope[some, column, places] += self.thick[some] * sds

    def _trees(self, x: Array, dip_sd: Array, zone_sd: float, own: Array, slope: Array) -> None:
        """What is a run's own, its rack's, and its tree's slow zones'."""
        rows = np.arange(len(self.runs))
        transfer = _COLUMN["transfer"]
        own[:, transfer] += self.rack_mean[self.rack] + (self.rack_root @ x[self.rack_at])[self.rack]
        slope[rows[:, None], transfer, self.rack_at[None, :]] += self.rack_root[self.rack]
        for place, name in enumerate(DIP_PARAMETERS):
            sd = dip_sd[self.coat, place]
            own[:, _COLUMN[name]] += sd * x[self.scatter + place]
            slope[rows, _COLUMN[name], self.scatter + place] += sd
        departures = (
            ("transfer", self.shelter, SHELTER_LOG_SD),
            ("pocketed", self.shelter, -SHELTER_LOG_SD),  # what the open faces differ by must not move the pockets
            ("pocketed", self.zone, zone_sd),
            ("deep", self.depth, zone_sd),
            ("pocketed_share", self.share, SHARE_LOGIT_SD),
            ("deep_share", self.share, SHARE_LOGIT_SD),
        )
        for name, places, sd in departures:
            some = np.flatnonzero(places >= 0)
            own[some, _COLUMN[name]] += sd * x[places[some]]
            slope[some, _COLUMN[name], places[some]] += sd

    def rack_factors(self, x: Array) -> dict[str, float]:
        """Factor on transfer by rack."""
        logs = self.rack_mean + self.rack_root @ x[self.rack_at]
        return {name: float(np.exp(value)) for name, value in zip(self.racks, logs, strict=True)}


def _contrasts(count: int) -> Array:
    """Orthonormal contrasts (count, count - 1): effects that sum to zero, so that the coats' own numbers are the
    mean's.
    """
    helmert = np.zeros((count, max(count - 1, 0)))
    for k in range(1, count):
        helmert[:k, k - 1] = 1.0
        helmert[k, k - 1] = -k
        helmert[:, k - 1] /= np.sqrt(k * (k + 1.0))
    return helmert
