"""A dip's possible coats as one ensemble, and how their water goes.

For each zone (open faces, and where there are pockets their slow part) and each member

    d left/dt = - deficit / (r_air / (c f(x)) + r_pocket + R (1 - x/critical)+ + R_below ln(sunk/x)+) / water,
    x = left - floor

(R with its share of liquid flow, see `curve.inner_now`): a wet face's outer resistance r_air/(c f) in series with that
of the air in a slow zone and that of the dried layer. Linearised at the air's temperature, resistances in series
divide one vapour deficit, so early drying follows the fan and late drying hardly feels it (Monteith 1965; Keey 1972).
Below the sorption floor x is negative and the binder takes water up again.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from drymon.drying import curve, possible, sorption

Array = npt.NDArray[np.float64]
Values = float | Array

SLOW_ZONE_SHARE = {"pocketed": 0.15, "deep": 0.1}
"""Share of the tree's wet area that lies in the slow zone (common practice, no source); matters for its weight only."""

FAN_REACHES = {"pocketed": 0.5, "deep": 0.2}
"""How far the air in a slow zone follows the air speed outside: all of it would be 1, a column of still air 0. A cup is
half stirred, of a deep slot or bore only the mouth is (assumed, between the two).
"""

SLOW_AND_QUICK = (0.75, 0.25)
"""Ranks by slowness at which a member gets no drying, and all of it, through a gap in the evidence."""

OPEN_FACE = 270.0
"""s/m, resistance of the air over a wet open face at 22 degC, 50 % RH and 0.6 m/s: where a slow zone's speed over that
of the open faces is counted.
"""

_SMALL = 1e-6

_ARRAYS = (
    "water",
    "cooling",
    "conductance",
    "pocket",
    "fan",
    "critical",
    "exponent",
    "inner",
    "liquid",
    "sorption",
    "sunk",
    "below",
    "buried",
    "airflow",
    "slowness",
)


@dataclass(frozen=True, slots=True)
class AirStep:
    """Air over one step, for all members or one value each.

    deficit, saturation [kg/m3] at the air's temperature; excess [monolayers] of the sorption isotherm over its
    reference; resistance [s/m] of the air side of an open wet face. Shapes broadcast with (members,).
    """

    deficit: Values
    saturation: Values
    excess: Values
    resistance: Values


@dataclass(frozen=True, slots=True)
class PossibleCoats:
    """Parameters of one dip's possible coats; arrays (zones, members) unless said.

    water [kg/m2] removable water right after the dip, what was buried included; conductance [-] transfer over that of
    the textbook open face; pocket [-] by how much the resistance of a slow zone's own air exceeds that of an open face
    in `OPEN_FACE` air, over it; fan [-] how far it follows the speed outside (`outside`); cooling, critical, exponent,
    liquid (members,); inner [s/m]; sorption [-] per monolayer, of all coats' binder that answers to the air
    (`coats_breathing`); sunk [-] share of `water` that lies in the coats below; below [s/m] resistance of those coats;
    buried [-] share of `water` that older coats brought, below 0 where they lack some; airflow, slowness (members,):
    place in an assumed range of speeds, rank by time to dry; form (members,): index of the falling rate's form in
    `curve.TAILS`, None where all are of the power form.
    """

    zones: tuple[str, ...]
    water: Array
    cooling: Array
    conductance: Array
    pocket: Array
    fan: Array
    critical: Array
    exponent: Array
    inner: Array
    liquid: Array
    sorption: Array
    sunk: Array
    below: Array
    buried: Array
    airflow: Array
    slowness: Array
    form: npt.NDArray[np.int64] | None = field(default=None, kw_only=True)

    @property
    def shares(self) -> Array:
        """Share of the tree's wet area in each zone, (zones,)."""
        slow = SLOW_ZONE_SHARE.get(self.zones[-1], 0.0)
        return np.array([1.0 - slow, slow]) if len(self.zones) > 1 else np.array([1.0])

    def mapped(self, change: Callable[[Any], Any]) -> Self:
        """The same coats with every array of parameters changed alike: picked, reshaped, repeated."""
        form = None if self.form is None else change(self.form)
        return type(self)(self.zones, *(change(getattr(self, name)) for name in _ARRAYS), form=form)


@dataclass(frozen=True, slots=True)
class CoatState:
    """What is left of one dip's water.

    left (zones, members): share of `water` still there. dry_since (members,): stream time in seconds at which the
    slowest part reached the target, NaN while it has not. weights (members,): sum 1.
    """

    left: Array
    dry_since: Array
    weights: Array

    @property
    def slowest(self) -> Array:
        """Share left in the slowest part of each member, (members,)."""
        return np.asarray(self.left.max(axis=0))

    @classmethod
    def fresh(cls, zones: int, members: int = possible.MEMBERS) -> Self:
        """Right after the dip: all water there, no member preferred."""
        return cls(np.ones((zones, members)), np.full(members, np.nan), np.full(members, 1.0 / members))


def form_of(tail: str, members: int) -> npt.NDArray[np.int64] | None:
    """A tail's index in `curve.TAILS` for each member; None for the power form. ValueError: no such tail."""
    index = curve.TAILS.index(tail)
    return None if index == curve.POWER else np.full(members, index)


def steady_time(coats: PossibleCoats, left: Values, air: AirStep) -> Array:
    """Seconds in unchanging air until `left` (above 0) remains, (zones, members): the closed form without sorption."""
    face, still = outside(coats, air)
    inner = curve.inner_now(coats.inner, coats.liquid, air.deficit)
    path = curve.resistance_times_water(left, face, inner, coats.critical, coats.exponent, coats.form, air.deficit)
    gone = 1.0 - np.asarray(left)
    path = path + still * gone + coats.below * curve.sunk_dose(left, coats.sunk)
    by_heat = np.minimum(coats.cooling * air.deficit / coats.water, gone)
    return np.asarray(coats.water * (path - (face + still) * by_heat) / air.deficit)


def step(coats: PossibleCoats, left: Array, air: AirStep, seconds: float) -> Array:
    """Share of water left after `seconds` of this air, (zones, members).

    At once what the cooling of pattern and shell gives off, then the constant rate exactly, down to the knee; from
    there exponential midpoint steps on the distance to the sorption floor: exact for a rate in proportion to it, of
    second order otherwise, and never past the floor; one step may span minutes or hours.
    """
    floor = coats.sorption * air.excess
    face, still = outside(coats, air)
    start, rest = _down_to_the_knee(coats, cooled(coats, left, air) - floor, air.deficit / (face + still), seconds)
    ways = face, still, curve.inner_now(coats.inner, coats.liquid, air.deficit)
    halfway = _approach(coats, ways, start, start, air, 0.5 * rest)
    return floor + _approach(coats, ways, start, halfway, air, rest)


def outside(coats: PossibleCoats, air: AirStep) -> tuple[Array, Values]:
    """Resistances of the air side [s/m], (zones, members): that of the open face, and that of the air in a slow zone.

    The air of a pocket stands in series with the face: it does not care how wet that is, and the fan stirs it only in
    part. Where it blows twice as well outside, `fan` is how much of that, on the log scale, the pocket's own air feels.
    """
    face = np.asarray(air.resistance / coats.conductance)
    if not coats.pocket.any():
        return face, 0.0
    return face, face * coats.pocket * (OPEN_FACE / air.resistance) ** (1.0 - coats.fan)


def cooled(coats: PossibleCoats, left: Array, air: AirStep) -> Array:
    """Share of water left once a fresh tree has cooled in this air: no more than its heat leaves, (zones, members)."""
    return np.asarray(np.minimum(left, 1.0 - coats.cooling * air.deficit / coats.water))


def _down_to_the_knee(coats: PossibleCoats, distance: Array, wet_rate: Array, seconds: Values) -> tuple[Array, Values]:
    """Distance to the floor after the part of `seconds` in which nothing but the air slows the drying, and what is
    left of the seconds.
    """
    knee = np.maximum(coats.critical, coats.sunk)
    if not (distance > knee).any():
        return distance, seconds
    pace = np.maximum(wet_rate / coats.water, _SMALL**2)
    wet = np.clip((distance - knee) / pace, 0.0, seconds)
    return distance - pace * wet, seconds - wet


def _approach(
    coats: PossibleCoats,
    ways: tuple[Array, Values, Array],
    start: Array,
    at: Array,
    air: AirStep,
    seconds: Values,
) -> Array:
    """Distance to the floor after `seconds`, with the relative rate that holds at distance `at`. ways: resistances of
    the face, of the air in a slow zone, of the dried layer.
    """
    face, still, inner = ways
    distance = np.maximum(at, _SMALL)
    ratio = np.minimum(distance / coats.critical, 1.0)
    resistance = curve.resistance(face, inner, ratio, coats.exponent, coats.form, air.deficit)
    resistance = resistance + still + coats.below * curve.sunk_share(distance, coats.sunk)
    relative = air.deficit / (resistance * coats.water * distance)
    if at.min() < 0.0:
        full = face + still + coats.inner
        refill = air.saturation / (sorption.GAB_SLOPE * coats.sorption * full * coats.water)
        relative = np.where(at < 0.0, refill, relative)
    return np.asarray(start * np.exp(-seconds * relative))


def share_of_step(before: Array, after: Array, level: Values, floor: Values) -> Array:
    """Share of a step after which `level` is crossed on the way from `before` to `after`, as `step` goes: exponential
    towards the floor. Shares of water, broadcasting; for members that cross it, else between 0 and 1.
    """
    start, end, crossed = (np.maximum(value - floor, _SMALL) for value in (before, after, level))
    way = np.log(start / end)
    return np.asarray(np.clip(np.log(start / crossed) / np.maximum(way, _SMALL), 0.0, 1.0))


def advance(
    coats: PossibleCoats,
    state: CoatState,
    air: AirStep,
    until: float,
    seconds: float,
    target: float,
    known: bool,
    left: Array | None = None,
) -> CoatState:
    """The state `seconds` later, at stream time `until` [s].

    target: share of water that may be left in the slowest part of a dry coat (1 - dry_at). known: the air is measured;
    if it is not, `air` is the last known and slow members get none of its drying, so that a gap never helps the
    cautious bound. left: the outcome of `step`, where it is already at hand.
    """
    if left is None:
        left = step(coats, state.left, air, seconds)
    if not known:
        left = np.minimum(state.left, state.left + gap_share(coats, state) * (left - state.left))
    slowest = left.max(axis=0)
    dry_since = np.where(slowest > target, np.nan, np.where(np.isnan(state.dry_since), until, state.dry_since))
    return CoatState(left, dry_since, state.weights)


def gap_share(coats: PossibleCoats, state: CoatState) -> Array:
    """Share of the likely drying that each member gets while the air is unknown: none for the slow, all for the quick.

    Slow is who will be dry last, and also who is wettest now: so neither the moment of being surely dry nor the
    cautious bound of the dryness moves, whatever the members weigh.
    """
    none, full = SLOW_AND_QUICK
    rank = np.maximum(_reached(coats.slowness, state.weights), _reached(state.slowest, state.weights))
    return np.clip((none - rank) / (none - full), 0.0, 1.0)


def _reached(values: Array, weights: Array) -> Array:
    """Weight of all members up to and with each one in the order of `values`, (members,)."""
    order = np.argsort(values, kind="stable")
    reached = np.empty_like(weights)
    reached[order] = np.cumsum(weights[order])
    return reached


def water_left(coats: PossibleCoats, state: CoatState) -> Array:
    """Water [kg/m2] left in each zone, (zones, members): what the next dip buries there."""
    return np.asarray(state.left * coats.water)


def stacked(parts: Sequence[PossibleCoats]) -> PossibleCoats:
    """The slow zones of several dips as rows of one ensemble, for a forecast of all trees at once."""
    return _together([part.mapped(lambda array: np.atleast_2d(array)[-1:]) for part in parts])


def joined(parts: Sequence[PossibleCoats]) -> PossibleCoats:
    """All zones of several dips as rows of one ensemble: what hangs in the same air can be stepped in one go."""
    wide = [part.mapped(partial(_rows, count=len(part.zones))) for part in parts]
    return _together(wide)


def _rows(array: Array, count: int) -> Array:
    return np.array(np.broadcast_to(array, (count, array.shape[-1])))


def _together(parts: Sequence[PossibleCoats]) -> PossibleCoats:
    arrays = [np.concatenate([getattr(part, name) for part in parts]) for name in _ARRAYS]
    forms = [np.zeros(part.water.shape, np.int64) if part.form is None else part.form for part in parts]
    form = np.concatenate(forms) if any(part.form is not None for part in parts) else None
    return PossibleCoats(tuple(zone for part in parts for zone in part.zones), *arrays, form=form)


REFERENCE_AIR = AirStep(deficit=0.0097, saturation=0.0194, excess=0.0, resistance=OPEN_FACE)
"""22 degC, 50 % RH, about 0.6 m/s: for ranking members only."""
