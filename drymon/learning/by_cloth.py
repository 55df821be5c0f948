"""A wet cloth's weighings judged: whether they tell an air speed, what is strange about them, and what they tell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drymon.drying.pickup import STEP_SD
from drymon.drying.wet_cloth import AirThere, Cloth, Drying, drying, rate_at
from drymon.errors import LearningError

FEWEST_STEPS = 10.0
"""Of the scale's digits that the cloth must lose: below, the scale says more than the air."""

SHORTEST_MIN, LONGEST_MIN = 5.0, 240.0
DAMPEST_PCT = 90.0
"""Beyond, a sensor's error is most of what the air still takes."""

POSSIBLE = (0.03, 10.0)
"""m/s: below is less than still air takes, above no drying room is (common practice, no source)."""

PLAINLY_WET = 1.5
"""A cotton cloth that weighs less than so many times its dry self may no longer dry as a wet face (assumed)."""

HALF_GONE = 0.3
"""A cloth that has lost more of its mass than this may have dry places: half of what a wrung cloth holds (assumed)."""

LIGHT_KG_PER_M2 = 0.15
"""A plainly wet cloth is hardly lighter: thin sheets have 0.12 when dry (common practice, no source)."""

FALLS = 0.8
"""Of the first rate, the air's changes taken out: when the last is less, and by more than the scale errs, it falls."""

NOTED_S = 18.0
"""Standard deviation of a time that is told by the minute, with the walk to the scale (assumed)."""


@dataclass(frozen=True, slots=True)
class StripsWeighed:
    """One weighing of all strips together: seconds since the first, kg, and the step of the scale's digits, kg."""

    seconds: float
    kg: float
    step_kg: float


@dataclass(frozen=True, slots=True)
class ClothFound:
    """What the cloth tells. loss_kg over seconds, by a line through all weighings; strange: what is to be asked about
    before it is kept.
    """

    drying: Drying
    loss_kg: float
    seconds: float
    strange: tuple[str, ...]


def judge_cloth(
    cloth: Cloth, weighings: Sequence[StripsWeighed], air: AirThere, dry_kg: float | None = None
) -> ClothFound:
    """Weighings in order of time, and the air from the first to the last in equal steps; dry_kg: of the dry cloth.

    Raises LearningError where they tell no air speed, with why and what to do.
    """
    first, last = check_weighings(weighings)
    humidity = float(np.mean(air.humidity_pct))
    if humidity > DAMPEST_PCT:
        raise LearningError(
            f"the air had {humidity:.0f} %RH; allowed is up to {DAMPEST_PCT:g} %: in air so damp a cloth loses next to "
            "nothing, and a sensor's error is most of it. Weigh on a drier day"
        )
    _check_wet(first, last, dry_kg)
    _check_steady(cloth, weighings, air)
    loss, loss_sd = _loss(weighings)
    seconds = last.seconds - first.seconds
    told = drying(cloth, loss, loss_sd, seconds, math.sqrt(2.0) * NOTED_S, air)
    low, high = POSSIBLE
    if not low <= told.best <= high:
        more = "less than still air takes" if told.best < low else "more than any drying room has"
        raise LearningError(
            f"the loss is that of {told.best:.2g} m/s, {more}; allowed is {low:g} to {high:g} m/s. Look at the size "
            "(of one strip, and how many), at the unit of the scale, whether it dripped, or hung folded or at a wall"
        )
    return ClothFound(told, loss, seconds, _strange(cloth, first, last, dry_kg))


def check_weighings(weighings: Sequence[StripsWeighed]) -> tuple[StripsWeighed, StripsWeighed]:
    """The first and the last, in order of time; LearningError where they are not far enough apart to tell a loss."""
    if len(weighings) < 2:
        raise LearningError(f"received {len(weighings)} weighings; at least 2 are needed, some minutes apart")
    first, last = weighings[0], weighings[-1]
    minutes, lost = (last.seconds - first.seconds) / 60.0, first.kg - last.kg
    if not SHORTEST_MIN <= minutes <= LONGEST_MIN:
        raise LearningError(
            f"the weighings lie {minutes:.0f} min apart; allowed is {SHORTEST_MIN:g} to {LONGEST_MIN:g} min"
        )
    needed = FEWEST_STEPS * max(one.step_kg for one in weighings)
    if lost < needed * (1.0 - 1e-9):
        longer = f"leave it for about {minutes * needed / lost:.0f} min in all" if lost > 0 else "look at the weighings"
        raise LearningError(
            f"it lost {1000 * lost:.3g} g; at least {FEWEST_STEPS:g} steps of the scale's digits are needed, "
            f"{1000 * needed:.3g} g: {longer}, or hang more strips"
        )
    return first, last


def _check_wet(first: StripsWeighed, last: StripsWeighed, dry_kg: float | None) -> None:
    if dry_kg is None:
        return
    if not dry_kg < first.kg:
        raise LearningError(f"dry: received {1000 * dry_kg:g} g, and wet {1000 * first.kg:g} g; allowed is less dry")
    if last.kg < PLAINLY_WET * dry_kg:
        raise LearningError(
            f"at the end it weighed {1000 * last.kg:g} g, dry {1000 * dry_kg:g} g; at least {PLAINLY_WET:g} times its "
            "dry mass is needed, for a cloth that is half dry dries more slowly than a wet face: wet it anew, wring "
            "it until it no longer drips, and weigh sooner"
        )


def _check_steady(cloth: Cloth, weighings: Sequence[StripsWeighed], air: AirThere) -> None:
    """Of three or more weighings: the last part's rate against the first's, each over what its air would take."""
    if len(weighings) < 3:
        return
    (early, early_sd), (late, late_sd) = (
        _pace(cloth, one, other, weighings[0].seconds, weighings[-1].seconds, air)
        for one, other in (weighings[:2], weighings[-2:])
    )
    if late < FALLS * early and early - late > 2.0 * math.hypot(early_sd, late_sd):
        raise LearningError(
            f"the loss falls: at the end {100 * late / early:.0f} % of what it was at first, in the same air. It was "
            "still dripping, or is drying out: wet it anew, wring it until it no longer drips, and begin again"
        )


def _pace(
    cloth: Cloth, one: StripsWeighed, other: StripsWeighed, begin: float, end: float, air: AirThere
) -> tuple[float, float]:
    """What was lost between two weighings over what a piece at 1 m/s would lose in that air, and its error."""
    count = len(air.temperature_c)
    edges = [round(count * (moment - begin) / (end - begin)) for moment in (one.seconds, other.seconds)]
    part = slice(min(edges[0], count - 1), max(edges[1], edges[0] + 1))
    there = AirThere(air.temperature_c[part], air.humidity_pct[part], air.pressure_pa[part])
    expected = float(rate_at(1.0, there)) * cloth.area_m2 * max(other.seconds - one.seconds, 1.0)
    error = STEP_SD * math.hypot(one.step_kg, other.step_kg)
    return (one.kg - other.kg) / expected, error / expected


def _loss(weighings: Sequence[StripsWeighed]) -> tuple[float, float]:
    """Loss from the first to the last by a line through all, and its standard deviation, kg."""
    times = np.array([one.seconds for one in weighings])
    masses = np.array([one.kg for one in weighings])
    away = times - times.mean()
    span, sd = float(np.ptp(times)), STEP_SD * max(one.step_kg for one in weighings)
    slope = float(away @ masses) / float(away @ away)
    return -slope * span, sd * span / math.sqrt(float(away @ away))


def _strange(cloth: Cloth, first: StripsWeighed, last: StripsWeighed, dry_kg: float | None) -> tuple[str, ...]:
    """What may be a slip, and is asked about."""
    found = []
    light = last.kg / (0.5 * cloth.area_m2)
    if light < LIGHT_KG_PER_M2:
        found.append(f"{1000 * light:.0f} g/m2 is light for a wet cloth of that size: look at the size and its unit")
    lost = 1.0 - last.kg / first.kg
    if dry_kg is None and lost > HALF_GONE:
        found.append(
            f"it lost {100 * lost:.0f} % of its mass, so it may have dry places: weigh sooner, or tell its dry mass"
        )
    return tuple(found)
