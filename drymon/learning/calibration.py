"""Sensors against references: zero, span, linearity, hysteresis, repeatability of load cells; humidity, air speed,
temperature.

A calibration ends in a correction, true value = gain x reading + offset, and in a verdict. Pure numbers; guided walks
and storage are elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from drymon.errors import LearningError

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

# Greenspan 1977, J. Res. NBS 81A(1):89-96, table 2 (values from memory, checked against the polynomials of its
# table 1 but for Mg(NO3)2 and NaBr): % RH over the saturated solution at 15, 20, 25, 30 degC, and the largest
# stated uncertainty.
SALT_TEMPERATURES_C = (15.0, 20.0, 25.0, 30.0)
SALTS: dict[str, tuple[tuple[float, ...], float]] = {
    "LiCl": ((11.30, 11.31, 11.30, 11.28), 0.35),
    "MgCl2": ((33.30, 33.07, 32.78, 32.44), 0.21),
    "K2CO3": ((43.15, 43.16, 43.16, 43.17), 0.50),
    "Mg(NO3)2": ((55.87, 54.38, 52.89, 51.40), 0.27),
    "NaBr": ((60.68, 59.14, 57.57, 56.03), 0.51),
    "NaCl": ((75.61, 75.47, 75.29, 75.09), 0.18),
    "KCl": ((85.92, 85.11, 84.34, 83.62), 0.33),
    "K2SO4": ((97.89, 97.59, 97.30, 97.00), 0.63),
}

HUMIDITY_GOOD, HUMIDITY_FAIR = 2.0, 4.0
"""Points of % RH that a corrected sensor may still be off: fit for drying, fit with wider bounds
(common practice, no source).
"""

AIR_DENSITY, WEIGHT_DENSITY = 1.2, 8000.0
"""Conventional values, kg/m3 (OIML D 28)."""


@dataclass(frozen=True, slots=True)
class Calibrated:
    """Outcome: true value = gain x reading + offset; worst error before and after correction in the quantity's unit;
    good: fit for its work; verdict and lines in words; figures: everything else, by name.
    """

    kind: str
    gain: float
    offset: float
    worst_before: float
    worst_after: float
    good: bool
    verdict: str
    lines: tuple[str, ...]
    figures: dict[str, float]

    def document(self) -> dict[str, Any]:
        """As plain data, to be kept."""
        return {**asdict(self), "lines": list(self.lines)}


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
    table's limits).
    """
    known, shown = _table(points, "known mass and reading", 3)
    if np.ptp(known) <= 0:
        raise LearningError("all known masses are equal; at least two different loads are needed, best zero and full")
    slope, zero = np.polyfit(known, shown, 1)
    if slope <= 0:
        raise LearningError("the reading falls as the load grows; the cell hangs upside down or its wires are swapped")
    gain, offset = 1.0 / float(slope), -float(zero) / float(slope)
    after = gain * shown + offset - known
    limits = np.array([IN_SERVICE * largest_error_allowed(load, interval_kg, accuracy_class) for load in known])
    hysteresis, repeatability = _hysteresis(known, shown), _repeatability(known, shown)
    inside = bool(np.all(np.abs(after) <= limits)) and repeatability <= float(limits.max())
    figures = {
        "zero_kg": float(zero),
        "span": float(slope),
        "linearity_kg": float(np.max(np.abs(after))),
        "hysteresis_kg": hysteresis,
        "repeatability_kg": repeatability,
        "interval_kg": interval_kg,
        "limit_kg": float(limits.max()),
    }
    worst = float(np.max(np.abs(after) / limits))
    verdict = "within" if inside else "outside"
    lines = (
        f"zero {1000 * zero:+.1f} g, span {slope:.5f} (1 is right)",
        f"after correction: largest error {1000 * np.max(np.abs(after)):.1f} g, {100 * worst:.0f} % of what class "
        f"{accuracy_class} allows in service (OIML R 76, interval {1000 * interval_kg:g} g)",
        f"hysteresis {1000 * hysteresis:.1f} g, repeatability {1000 * repeatability:.1f} g",
        f"buoyancy: a shell of 2000 kg/m3 weighs {100 * (buoyancy_factor(2000.0) - 1):.3f} % too little in air; "
        "the same for wet and dry, so it does not matter for drying",
        "valid at this place only: gravity differs by up to 0.5 % over the earth",
    )
    return Calibrated("cell", gain, offset, float(np.max(np.abs(shown - known))), float(np.max(np.abs(after))), inside,
                      f"{verdict} the limits of class {accuracy_class} in service", lines, figures)  # fmt: skip


def _directions(known: Array) -> Array:
    """1 where a load came from below, -1 from above; a repeat keeps its direction."""
    steps = np.sign(np.diff(known, prepend=min(0.0, float(known[0]))))
    for i in range(1, len(steps)):
        if steps[i] == 0:
            steps[i] = steps[i - 1]
    steps[steps == 0] = 1.0
    return np.asarray(steps)


def _hysteresis(known: Array, shown: Array) -> float:
    direction = _directions(known)
    gaps = [
        abs(float(shown[(known == load) & (direction > 0)].mean() - shown[(known == load) & (direction < 0)].mean()))
        for load in np.unique(known)
        if np.any((known == load) & (direction > 0)) and np.any((known == load) & (direction < 0))
    ]
    return max(gaps, default=0.0)


def _repeatability(known: Array, shown: Array) -> float:
    direction = _directions(known)
    groups = [shown[(known == load) & (direction == way)] for load in np.unique(known) for way in (1.0, -1.0)]
    return max([float(np.ptp(group)) for group in groups if len(group) > 1], default=0.0)


def salt_humidity(salt: str, temperature_c: float) -> tuple[float, float]:
    """% RH over a saturated solution at 15 to 30 degC and its uncertainty (Greenspan 1977, between its
    temperatures linear).
    """
    found = next((name for name in SALTS if name.lower() == salt.strip().lower()), None)
    if found is None:
        raise LearningError(f"salt: received {salt!r}, known are {', '.join(SALTS)}")
    if not SALT_TEMPERATURES_C[0] <= temperature_c <= SALT_TEMPERATURES_C[-1]:
        raise LearningError(f"temperature: received {temperature_c:g} degC, the salts' table goes from 15 to 30 degC")
    values, uncertainty = SALTS[found]
    return float(np.interp(temperature_c, SALT_TEMPERATURES_C, values)), uncertainty


def calibrate_humidity(points: Sequence[tuple[str, float, float]]) -> Calibrated:
    """A humidity sensor from (salt, temperature degC, reading % RH).

    An offset from one salt, a line from two or more.
    """
    if not points:
        raise LearningError("no points; at least one salt is needed, best two on both sides of the room's humidity")
    true, doubt = (np.array(column) for column in zip(*(salt_humidity(s, t) for s, t, _ in points), strict=True))
    shown = np.array([reading for _, _, reading in points])
    gain, offset = _line(shown, true, apart=10.0, weights=1.0 / np.hypot(doubt, 0.5))
    return _judged("humidity", shown, true, gain, offset, HUMIDITY_GOOD, HUMIDITY_FAIR, "%RH")


def calibrate_against(kind: str, points: Sequence[tuple[float, float]]) -> Calibrated:
    """Temperature (degC) or air speed (m/s) from (reference, reading) pairs side by side.

    Temperature: an offset, a line where the pairs lie 10 K apart. Air speed: a factor, as such sensors err in
    proportion; a line where pairs lie 1 m/s apart.
    """
    true, shown = _table(points, "reference and reading", 1)
    if kind == "temperature":
        gain, offset = _line(shown, true, apart=10.0)
        return _judged(kind, shown, true, gain, offset, 0.3, 1.0, "°C")
    if kind != "airflow":
        raise LearningError(f"kind: received {kind!r}, allowed are cell, humidity, airflow, temperature")
    if np.min(true) < 0 or np.sum(shown**2) <= 0:
        raise LearningError("air speeds must not be negative, nor all zero")
    if np.ptp(true) >= 1.0 and len(true) >= 3:
        gain, offset = _line(shown, true, apart=1.0)
    else:
        gain, offset = float(np.sum(shown * true) / np.sum(shown**2)), 0.0
    good = max(0.1, 0.1 * float(np.mean(true)))
    return _judged(kind, shown, true, gain, offset, good, 3 * good, "m/s")


def _table(points: Sequence[tuple[float, float]], what: str, fewest: int) -> tuple[Array, Array]:
    table = np.array(points, dtype=np.float64).reshape(-1, 2)
    if len(table) < fewest or not np.all(np.isfinite(table)):
        raise LearningError(f"{what}: received {len(table)} points; at least {fewest} are needed, all of them numbers")
    return table[:, 0], table[:, 1]


def _line(shown: Array, true: Array, apart: float, weights: Array | None = None) -> tuple[float, float]:
    """Gain and offset; only an offset where the points are too close together to tell a gain."""
    if len(shown) < 2 or np.ptp(true) < apart or np.ptp(shown) <= 0:
        return 1.0, float(np.average(true - shown, weights=weights))
    gain, offset = np.polyfit(shown, true, 1, w=weights)
    if not 0.5 <= gain <= 2.0:
        raise LearningError(
            f"the readings ask for a gain of {gain:.2f}; allowed is 0.5 to 2: points swapped, or broken"
        )
    return float(gain), float(offset)


def _judged(kind: str, shown: Array, true: Array, gain: float, offset: float, good: float, fair: float,
            unit: str) -> Calibrated:  # fmt: skip
    before, after = float(np.max(np.abs(shown - true))), float(np.max(np.abs(gain * shown + offset - true)))
    # One point corrects itself to nothing: what it was off by is all there is to judge.
    judged = after if len(shown) > 1 else 0.0
    if before > 5 * fair:
        verdict = "far off before correction: look for what is wrong with it"
    elif judged <= good:
        verdict = "good once corrected"
    elif judged <= fair:
        verdict = "usable once corrected, with wider bounds"
    else:
        verdict = "not to be relied on"
    lines = (
        f"largest error {before:.2f} {unit} before, {after:.2f} {unit} after correction, from {len(shown)} points",
        f"correction: true = {gain:.4f} × reading {offset:+.3f} {unit}",
    )
    figures = {"points": float(len(shown))}
    return Calibrated(kind, gain, offset, before, after, judged <= fair and before <= 5 * fair, verdict, lines, figures)
