"""Load cells against known masses: zero, span, linearity, hysteresis, repeatability."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from drymon.errors import LearningError
from drymon.learning.calibration import Calibrated, plausible_gain, table_of

Array = npt.NDArray[np.float64]

# OIML R 76-1:2006 table 6: (class, load in verification intervals up to and including, limit in intervals), initial
# verification; in service twice this (3.5.2).
MPE_STEPS: dict[str, tuple[tuple[float, float], ...]] = {
    "I": ((50_000, 0.5), (200_000, 1.0), (float("inf"), 1.5)),
    "II": ((5_000, 0.5), (20_000, 1.0), (100_000, 1.5)),
    "III": ((500, 0.5), (2_000, 1.0), (10_000, 1.5)),
    "IIII": ((50, 0.5), (200, 1.0), (1_000, 1.5)),
}
IN_SERVICE = 2.0

FEWEST_INTERVALS = 100
"""A load smaller than so many intervals tells nothing of a scale (OIML R 76-1:2006 table 3, class III; from memory)."""

AIR_DENSITY, WEIGHT_DENSITY = 1.2, 8000.0
"""Conventional values, kg/m3 (OIML D 28)."""


def largest_error_allowed(load_kg: float, interval_kg: float, accuracy_class: str = "III") -> float:
    """Maximum permissible error at first verification, kg (OIML R 76-1:2006 table 6); load 0 to the class's end.

    Raises LearningError for an unknown class or a load beyond it.
    """
    if accuracy_class not in MPE_STEPS:
        raise LearningError(f"accuracy class: received {accuracy_class!r}, allowed are {', '.join(MPE_STEPS)}")
    intervals = round(abs(load_kg) / interval_kg, 9)
    for until, limit in MPE_STEPS[accuracy_class]:
        if intervals <= until:
            return limit * interval_kg
    raise LearningError(
        f"load {load_kg:g} kg is {intervals:.0f} intervals of {1000 * interval_kg:g} g; class {accuracy_class} ends at "
        f"{MPE_STEPS[accuracy_class][-1][0]:g}: give a larger interval"
    )


def buoyancy_factor(density: float, air: float = AIR_DENSITY, weights: float = WEIGHT_DENSITY) -> float:
    """True mass over indicated mass of a body of `density` kg/m3 on a scale set with weights in air of `air` kg/m3."""
    return (1.0 - air / weights) / (1.0 - air / density)


def calibrate_cell(
    points: Sequence[tuple[float, float]], interval_kg: float, accuracy_class: str = "III"
) -> Calibrated:
    """A load cell from (known mass, reading) in kg, in the order in which they were put on: up, and best down again.

    Zero and span by a straight line through all points; linearity against it; hysteresis between up and down;
    repeatability between equal loads in one direction. The verdict is about the corrected cell, in service (twice the
    table's limits). Raises LearningError for a gain that no sound cell asks for and for an interval too large.
    """
    known, shown = table_of(points, "known mass and reading", 3)
    if np.ptp(known) <= 0:
        raise LearningError("all known masses are equal; at least two different loads are needed, best zero and full")
    _check_interval(interval_kg, float(np.max(np.abs(known))))
    slope, zero = np.polyfit(known, shown, 1)
    if slope <= 0:
        raise LearningError("the reading falls as the load grows; the cell hangs upside down or its wires are swapped")
    gain, offset = plausible_gain(1.0 / float(slope)), -float(zero) / float(slope)
    after = np.abs(gain * shown + offset - known)
    limits = np.array([IN_SERVICE * largest_error_allowed(load, interval_kg, accuracy_class) for load in known])
    tried = {"hysteresis": _hysteresis(known, shown), "repeatability": _repeatability(known, shown)}
    inside = bool(np.all(after <= limits)) and (tried["repeatability"] or 0.0) <= float(limits.max())
    figures = {
        "zero_kg": float(zero),
        "span": float(slope),
        "linearity_kg": float(np.max(after)),
        "interval_kg": interval_kg,
        "limit_kg": float(limits.max()),
        **{f"{name}_kg": found for name, found in tried.items() if found is not None},
    }
    lines = (
        f"zero {1000 * zero:+.1f} g, span {slope:.5f} (1 is right)",
        f"after correction: largest error {1000 * np.max(after):.1f} g, {100 * float(np.max(after / limits)):.0f} % of "
        f"what class {accuracy_class} allows in service (OIML R 76, interval {1000 * interval_kg:g} g)",
        *_tried_lines(known, tried),
        f"buoyancy: a shell of 2000 kg/m3 weighs {100 * (buoyancy_factor(2000.0) - 1):.3f} % too little in air; "
        "the same for wet and dry, so it does not matter for drying",
        "valid at this place only: gravity differs by up to 0.5 % over the earth",
    )
    verdict = f"{'within' if inside else 'outside'} the limits of class {accuracy_class} in service"
    before = float(np.max(np.abs(shown - known)))
    return Calibrated("cell", gain, offset, before, float(np.max(after)), inside, verdict, lines, figures)


def _check_interval(interval_kg: float, largest_kg: float) -> None:
    """LearningError where the interval is so large that any cell would be within its limits."""
    most_g = 1000 * largest_kg / FEWEST_INTERVALS
    if not 0 < 1000 * interval_kg <= most_g:
        raise LearningError(
            f"interval: received {1000 * interval_kg:g} g; allowed is up to {most_g:g} g, a hundredth of the largest "
            f"load, {largest_kg:g} kg: hang more on it, or say a smaller interval with its unit, such as 1g"
        )


_HOW_TO_TRY = {
    "hysteresis": "nothing was hung on again on the way down",
    "repeatability": "no load was hung on twice in the same direction",
}


def _tried_lines(known: Array, tried: dict[str, float | None]) -> list[str]:
    """What was tried and what was not: a figure of nothing would look like a cell without that fault."""
    missing = [f"{name}: not tried, {_HOW_TO_TRY[name]}" for name, found in tried.items() if found is None]
    if len(np.unique(known)) < 3:
        missing.insert(0, "linearity: not tried, two loads always fit their own line; a third would test it")
    found = ", ".join(f"{name} {1000 * size:.1f} g" for name, size in tried.items() if size is not None)
    return [found, *missing] if found else missing


def _directions(known: Array) -> Array:
    """1 where a load came from below, -1 from above; a repeat keeps its direction."""
    steps = np.sign(np.diff(known, prepend=min(0.0, float(known[0]))))
    for i in range(1, len(steps)):
        if steps[i] == 0:
            steps[i] = steps[i - 1]
    steps[steps == 0] = 1.0
    return np.asarray(steps)


def _hysteresis(known: Array, shown: Array) -> float | None:
    """kg; None where no load was met from both sides."""
    direction = _directions(known)
    gaps = [
        abs(float(shown[(known == load) & (direction > 0)].mean() - shown[(known == load) & (direction < 0)].mean()))
        for load in np.unique(known)
        if np.any((known == load) & (direction > 0)) and np.any((known == load) & (direction < 0))
    ]
    return max(gaps, default=None)


def _repeatability(known: Array, shown: Array) -> float | None:
    """kg; None where no load was met twice from one side."""
    direction = _directions(known)
    groups = [shown[(known == load) & (direction == way)] for load in np.unique(known) for way in (1.0, -1.0)]
    return max([float(np.ptp(group)) for group in groups if len(group) > 1], default=None)
