"""A dip's possible coats as one ensemble, and how their water goes.

For each zone (open faces, and where there are pockets their slow part) and each member

    d left/dt = - deficit / (r_air / (c f(x)) + r_pocket + R (1 - x/critical)+ + R_below ln(sunk/x)+) / water / pace,
    x = left - floor

and the end is exponential: what stands in the water's way inside the shell grows no more as these forms would have it
once x is below `end`, but as end/x, so that the rate falls in proportion to what is left (Crank 1975, long times; a
body of finite depth has a slowest time constant). In a late coat all of the shell's own is greater near the end by a
factor that the shop's runs tell (`end_factor`). `pace` is the learnt discrepancy between this physics and the shop
(`time_factor`).

(R with its share of liquid flow, see `curve.inner_now`): a wet face's outer resistance r_air/(c f) in series with that
of the air in a slow zone and that of the dried layer. Linearised at the air's temperature, resistances in series
divide one vapour deficit, so early drying follows the fan and late drying hardly feels it (Monteith 1965; Keey 1972).
A wet face is colder than the air in proportion to its rate: the heat of a fresh tree evaporates water at once, and as
the rate falls the tree warms and takes heat back (`warming`). Below the sorption floor x is negative and the binder
takes water up again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import repeat
from typing import Any, NamedTuple

import numpy as np

from drymon.drying import curve, sorption
from drymon.drying.ensemble import OPEN_FACE, REFERENCE_AIR, AirStep, Array, CoatState, PossibleCoats, Values

SLOW_AND_QUICK = (0.75, 0.25)
"""Ranks by slowness at which a member gets no drying, and all of it, through a gap in the evidence."""

END_BEGINS, END_GROWN = 0.3, 0.1
"""Shares of water left at which the growth of a late coat's end begins, and at which it is there in full (assumed): a
late coat loses half of its water as soon as an early one, and the last of it more slowly.
"""

_SMALL = 1e-6
_LEAST_ROOM = 1e-4
"""Share of water: what the floor leaves of a target counts as nothing below it."""

_GAUSS = np.polynomial.legendre.leggauss(4)
"""Places and weights within -1 to 1 (Gauss & Legendre)."""

_LEAST_DEFICIT = 1e-4
"""kg/m3, about half a percent of saturation: below it a power of the deficit says nothing."""


def steady_time(coats: PossibleCoats, left: Values, air: AirStep) -> Array:
    """Seconds in unchanging air until `left` (above 0) remains, (zones, members): the closed form without sorption."""
    ways = _ways(coats, air)
    left_ = np.asarray(left, dtype=np.float64)
    path = _path(coats, ways, left_, air) + _grown_path(coats, ways, left_, air)
    by_heat = np.minimum(coats.cooling * air.deficit / coats.water, 1.0 - left_)
    now = _resistance(coats, ways, left_)
    heat = ways.outer**2 / now * by_heat  # what the tree's heat saves, less what `warming` has taken back
    return np.asarray(coats.water * (path - heat) / air.deficit * time_factor(coats, air))


def _path(coats: PossibleCoats, ways: _Ways, left: Array, air: AirStep) -> Array:
    """Integral of the resistance over the share of water from `left` to 1 [s/m], no end being grown."""
    until = np.maximum(left, coats.end)
    path = curve.resistance_times_water(
        until, ways.face, ways.inner, coats.critical, coats.exponent, coats.form, air.deficit
    )
    path = path + ways.still * (1.0 - until) + coats.below * curve.sunk_dose(until, coats.sunk)
    inside = _inside(coats, ways.fall, until)
    last = inside * until * np.log(until / np.maximum(left, curve.LEAST))
    return np.asarray(path + ways.outer * (until - left) + last)


def _grown_path(coats: PossibleCoats, ways: _Ways, left: Array, air: AirStep) -> Array | float:
    """What the growth of the end adds to `_path`: in closed form where it is there in full, by quadrature where it
    begins.
    """
    if not coats.slowing.any():
        return 0.0
    full, low = np.minimum(left, END_GROWN), np.clip(left, END_GROWN, END_BEGINS)
    grown = np.exp(coats.slowing) - 1.0
    beyond = _path(coats, ways, full, air) - _path(coats, ways, np.asarray(END_GROWN), air)
    more = grown * (beyond - ways.still * (END_GROWN - full))
    for place, weight in zip(*_GAUSS, strict=True):
        at = low + 0.5 * (1.0 + place) * (END_BEGINS - low)
        slower = (_plain(coats, ways, at) - ways.still) * (end_factor(coats, at) - 1.0)
        more = more + 0.5 * weight * (END_BEGINS - low) * slower
    return np.asarray(more)


def steady_seconds(coats: PossibleCoats, left: float, air: AirStep) -> Array:
    """Seconds in unchanging air until the slowest part is at `left`, (members,); infinite where the binder holds more
    in that air. `steady_time` and the sorption floor: within 2 % of stepping.
    """
    room = left - coats.sorption * air.excess
    seconds = steady_time(coats, np.maximum(room, _LEAST_ROOM), air)
    return np.asarray(np.where(room <= _LEAST_ROOM, np.inf, seconds).max(axis=0))


class _Ways(NamedTuple):
    """Resistances [s/m], (zones, members): of the open face, of the air in a slow zone, of both, of the dried layer;
    and how what lies inside rises as the water goes (`curve.Fall` without the face).
    """

    face: Array
    still: Values
    outer: Array
    inner: Array
    fall: curve.Fall


def _ways(coats: PossibleCoats, air: AirStep) -> _Ways:
    face, still = outside(coats, air)
    inner = curve.inner_now(coats.inner, coats.liquid, air.deficit)
    fall = curve.fall(face, inner, coats.exponent, coats.form, air.deficit)
    return _Ways(face, still, face + still, inner, fall._replace(plain=fall.plain - face))


class _Passage(NamedTuple):
    """What the air of a step makes of a coat, whatever is left of its water; (zones, members), or a step each before.

    floor [-] of sorption; factor [-] on the time; heat [-] share that a fresh tree's heat evaporates; pace [1/s] of a
    wet face; drive [m/s] deficit over water; outer, still [s/m] as in `_Ways`; saturation [kg/m3]; fall as in `_Ways`.
    """

    floor: Array
    factor: Array
    heat: Array
    pace: Array
    drive: Array
    outer: Array
    still: Values
    saturation: Values
    fall: curve.Fall

    def apart(self, count: int, axes: int) -> Iterator[_Passage]:
        """Those of so many steps, one after another: arrays of so many axes have the steps before."""

        def each(part: Any) -> Iterable[Any]:
            return part if np.ndim(part) == axes else repeat(part, count)

        *parts, fall = self
        return map(_Passage, *map(each, parts), map(curve.Fall, *map(each, fall)))


def _passage(coats: PossibleCoats, air: AirStep) -> _Passage:
    ways = _ways(coats, air)
    drive = np.asarray(air.deficit / coats.water)
    return _Passage(
        floor=np.asarray(coats.sorption * air.excess),
        factor=time_factor(coats, air),
        heat=coats.cooling * drive,
        pace=np.maximum(drive / ways.outer, _SMALL**2),
        drive=drive,
        outer=ways.outer,
        still=ways.still,
        saturation=air.saturation,
        fall=ways.fall,
    )


def step(coats: PossibleCoats, left: Array, air: AirStep, seconds: float) -> Array:
    """Share of water left after `seconds` of this air, (zones, members).

    At once what the cooling of pattern and shell gives off, then the constant rate exactly, down to the knee; from
    there exponential midpoint steps on the distance to the sorption floor: exact for a rate in proportion to it, of
    second order otherwise, and never past the floor; one step may span minutes or hours.
    """
    return _through(coats, left, _passage(coats, air), seconds)


def steps(coats: PossibleCoats, left: Array, air: AirStep, seconds: Array) -> Array:
    """Share of water left now and after each of many steps, (steps + 1, zones, members). air, seconds: (steps, zones or
    1, members or 1).
    """
    history = np.empty((len(seconds) + 1, *left.shape))
    history[0] = left
    passages = _passage(coats, air).apart(len(seconds), 1 + left.ndim)
    for index, (passage, long) in enumerate(zip(passages, seconds, strict=True)):
        history[index + 1] = _through(coats, history[index], passage, long)
    return history


def _through(coats: PossibleCoats, left: Array, passage: _Passage, seconds: Values) -> Array:
    start, rest = _down_to_the_knee(
        coats, cooled(left, passage.heat) - passage.floor, passage.pace, seconds / passage.factor
    )
    halfway, before = _approach(coats, passage, start, start, 0.5 * rest)
    end, then = _approach(coats, passage, start, halfway, rest)
    return np.asarray(passage.floor + start - (start - end) / warming(passage.heat, start - halfway, before, then))


def time_factor(coats: PossibleCoats, air: AirStep) -> Array:
    """By how much a coat takes longer than the physics alone says in this air, (zones, members).

    The learnt discrepancy: `lag` for what the dip brings with it, and powers of the air's deficit and warmth
    (saturation) over those of `REFERENCE_AIR`: with `damp` and `warm` at 1 the physics is taken as it is; a coat of
    `damp` 0.7 takes in damp air less longer than its deficit says.
    """
    dry = np.log(np.maximum(air.deficit, _LEAST_DEFICIT) / REFERENCE_AIR.deficit)
    hot = np.log(np.asarray(air.saturation) / REFERENCE_AIR.saturation)
    return np.asarray(coats.lag * np.exp((1.0 - coats.damp) * dry + (1.0 - coats.warm) * hot))


def warming(heat: Array, way: Array, before: Array, after: Array) -> Array:
    """By how much the heat that a cold tree takes up as its rate falls lengthens the time of drying, 1 or more.

    heat: share of the water that a fresh tree's heat evaporates; way: share lost meanwhile; before, after: the rate
    over that of a wet face. A face is colder than the air in proportion to its rate. What the tree takes up as that
    falls, the water lacks by the share that the face has in all resistance, the relative rate once more: so half of
    what cooling gave is taken back by the end.
    """
    slope = 0.5 * np.maximum(before * before - after * after, 0.0) / np.maximum(way, _SMALL)
    return np.asarray(1.0 + heat * slope)


def outside(coats: PossibleCoats, air: AirStep) -> tuple[Array, Values]:
    """Resistances of the air side [s/m], (zones, members): that of the open face, and that of the air in a slow zone.

    The air of a pocket stands in series with the face: it does not care how wet that is, and the fan stirs it only in
    part. Where it blows twice as well outside, `fan` is how much of that, on the log scale, the pocket's own air feels.
    """
    windy = np.log(np.asarray(air.resistance) / OPEN_FACE) * coats.wind
    face = np.asarray(OPEN_FACE * np.exp(windy) / coats.conductance)
    if not coats.pocket.any():
        return face, 0.0
    return face, face * coats.pocket * np.exp(windy * (coats.fan - 1.0))


def cooled(left: Array, heat: Array) -> Array:
    """Share of water left once a fresh tree has cooled: no more than its heat (`warming`) leaves, (zones, members)."""
    return np.asarray(np.minimum(left, 1.0 - heat))


def _down_to_the_knee(coats: PossibleCoats, distance: Array, pace: Array, seconds: Values) -> tuple[Array, Values]:
    """Distance to the floor after the part of `seconds` in which nothing but the air slows the drying, and what is
    left of the seconds.
    """
    knee = np.maximum(coats.critical, coats.sunk)
    if not (distance > knee).any():
        return distance, seconds
    wet = np.clip((distance - knee) / pace, 0.0, seconds)
    return distance - pace * wet, seconds - wet


def _approach(coats: PossibleCoats, passage: _Passage, start: Array, at: Array, seconds: Values) -> tuple[Array, Array]:
    """Distance to the floor after `seconds`, with the relative rate that holds at distance `at`, and the rate there
    over that of a wet face.
    """
    distance = np.maximum(at, _SMALL)
    resistance = _resistance(coats, passage, distance)
    relative = passage.drive / (resistance * distance)
    if at.min() < 0.0:
        full = passage.outer + coats.inner
        refill = passage.saturation / (sorption.GAB_SLOPE * coats.sorption * full * coats.water)
        relative = np.where(at < 0.0, refill, relative)
    return np.asarray(start * np.exp(-seconds * relative)), np.asarray(passage.outer / resistance)


def _resistance(coats: PossibleCoats, ways: _Ways | _Passage, distance: Array) -> Array:
    """Resistance [s/m] of all that the water has to pass at a distance above the floor, (zones, members)."""
    plain = _plain(coats, ways, distance)
    if not coats.slowing.any():
        return plain
    return ways.still + (plain - ways.still) * end_factor(coats, distance)


def end_factor(coats: PossibleCoats, distance: Array) -> Array:
    """By how much what the shell has of the resistance has grown near the end of a late coat, at a distance above the
    floor, (zones, members): 1 up to `END_BEGINS`.
    """
    grown = np.clip((END_BEGINS - distance) / (END_BEGINS - END_GROWN), 0.0, 1.0)
    return np.asarray(np.exp(coats.slowing * grown))


def _plain(coats: PossibleCoats, ways: _Ways | _Passage, distance: Array) -> Array:
    """As `_resistance`, no end being grown."""
    held = np.maximum(distance, coats.end)
    return np.asarray(ways.outer + _inside(coats, ways.fall, held) * (held / distance))


def _inside(coats: PossibleCoats, fall: curve.Fall, distance: Array) -> Array:
    """Resistance [s/m] besides that of the air at a distance above the floor, not below `end`, (zones, members)."""
    ratio = np.minimum(distance / coats.critical, 1.0)
    return np.asarray(fall.at(ratio) + coats.below * curve.sunk_share(distance, coats.sunk))


def share_of_step(before: Array, after: Array, level: Values, floor: Values) -> Array:
    """Share of a step after which `level` is crossed on the way from `before` to `after`, as `step` goes: exponential
    towards the floor. Shares of water, broadcasting; for members that cross it, else between 0 and 1.
    """
    start, end, crossed = (np.maximum(value - floor, _SMALL) for value in (before, after, level))
    way = np.log(start / end)
    return np.asarray(np.clip(np.log(start / crossed) / np.maximum(way, _SMALL), 0.0, 1.0))


def advance(  # noqa: PLR0913, a step is its state, its air, its time and its limit
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
