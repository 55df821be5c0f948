"""Sensors against references: humidity, air speed, temperature. Load cells are in `cell_calibration`.

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
from drymon.learning.salts import salt_humidity

Array = npt.NDArray[np.float64]

GAINS = (0.5, 2.0)
"""Gains that a sound sensor may ask for (common practice, no source); beyond, something else is wrong: the unit."""


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


@dataclass(frozen=True, slots=True)
class Fitness:
    """What is asked of a sensor, in its quantity's unit (common practice, no source).

    good, fair: what it may still be off once corrected: fit for drying, fit with wider bounds. far: a correction
    larger than this, at its points or anywhere within `span`, is not for a sound sensor.
    """

    unit: str
    good: float
    fair: float
    far: float
    span: tuple[float, float]


HUMIDITY = Fitness("%RH", 2.0, 4.0, 10.0, (20.0, 80.0))
TEMPERATURE = Fitness("°C", 0.3, 1.0, 3.0, (10.0, 35.0))


@dataclass(frozen=True, slots=True)
class Fit:
    """True value = gain x reading + offset, and what of it was fitted: an `offset`, a `factor` or a whole `line`."""

    gain: float
    offset: float
    what: str

    def of(self, reading: Array) -> Array:
        """Corrected readings."""
        return self.gain * reading + self.offset

    def untested(self, points: int) -> str:
        """Why these points cannot contradict the fit; empty where they can."""
        if points > (2 if self.what == "line" else 1):
            return ""
        fits = "one point always fits its" if points == 1 else "two points always fit their"
        return f"not tested: {fits} own {self.what}; a further point would test it"


def calibrate_humidity(points: Sequence[tuple[str, float, float]]) -> Calibrated:
    """A humidity sensor from (salt, temperature degC, reading % RH).

    An offset from one salt, a line from two or more.
    """
    if not points:
        raise LearningError("no points; at least one salt is needed, best three around the room's humidity")
    true, doubt = (np.array(column) for column in zip(*(salt_humidity(s, t) for s, t, _ in points), strict=True))
    shown = np.array([reading for _, _, reading in points])
    return _judged("humidity", shown, true, _line(shown, true, 10.0, 1.0 / np.hypot(doubt, 0.5)), HUMIDITY)


def calibrate_against(kind: str, points: Sequence[tuple[float, float]]) -> Calibrated:
    """Temperature (degC) or air speed (m/s) from (reference, reading) pairs side by side.

    Temperature: an offset, a line where the pairs lie 10 K apart. Air speed: a factor, as such sensors err in
    proportion; a line where three or more pairs lie 1 m/s apart. Raises LearningError for a gain beyond `GAINS`.
    """
    true, shown = table_of(points, "reference and reading", 1)
    if kind == "temperature":
        return _judged(kind, shown, true, _line(shown, true, apart=10.0), TEMPERATURE)
    if kind != "airflow":
        raise LearningError(f"kind: received {kind!r}, allowed are cell, humidity, airflow, temperature")
    if np.min(true) < 0 or np.sum(shown**2) <= 0:
        raise LearningError("air speeds must not be negative, nor all zero")
    if np.ptp(true) >= 1.0 and len(true) >= 3:
        fit = _line(shown, true, apart=1.0)
    else:
        fit = Fit(plausible_gain(float(np.sum(shown * true) / np.sum(shown**2))), 0.0, "factor")
    return _judged(kind, shown, true, fit, _airflow_fitness(shown, true))


def _airflow_fitness(shown: Array, true: Array) -> Fitness:
    """In proportion to the speed, and to the smaller of what the two say: one of them may be wrong by a unit."""
    speed = float(min(np.mean(true), np.mean(shown)))
    good = max(0.1, 0.1 * speed)
    return Fitness("m/s", good, 3 * good, max(0.3, speed), (float(np.min(shown)), float(np.max(shown))))


def table_of(points: Sequence[tuple[float, float]], what: str, fewest: int) -> tuple[Array, Array]:
    """The two columns of the points. Raises LearningError where there are fewer, or where they are no numbers."""
    table = np.array(points, dtype=np.float64).reshape(-1, 2)
    if len(table) < fewest or not np.all(np.isfinite(table)):
        count = "1 point" if len(table) == 1 else f"{len(table)} points"
        raise LearningError(f"{what}: received {count}; at least {fewest} must be given, all of them numbers")
    return table[:, 0], table[:, 1]


def plausible_gain(gain: float) -> float:
    """The gain; LearningError beyond `GAINS`."""
    if not GAINS[0] <= gain <= GAINS[1]:
        raise LearningError(
            f"the readings ask for a gain of {gain:.2f}; allowed is {GAINS[0]:g} to {GAINS[1]:g}: one of the two is in "
            "another unit, the points are swapped, or the sensor is broken"
        )
    return gain


def _line(shown: Array, true: Array, apart: float, weights: Array | None = None) -> Fit:
    """A line; only an offset where the points are too close together to tell a gain."""
    if len(shown) < 2 or np.ptp(true) < apart or np.ptp(shown) <= 0:
        return Fit(1.0, float(np.average(true - shown, weights=weights)), "offset")
    gain, offset = np.polyfit(shown, true, 1, w=weights)
    return Fit(plausible_gain(float(gain)), float(offset), "line")


def _judged(kind: str, shown: Array, true: Array, fit: Fit, asked: Fitness) -> Calibrated:
    before, after = float(np.max(np.abs(shown - true))), float(np.max(np.abs(fit.of(shown) - true)))
    span = np.array(asked.span)
    moved = max(before, float(np.max(np.abs(fit.of(span) - span))))
    before, after, moved = (round(size, 9) for size in (before, after, moved))  # 21.3 - 21.0 is a hair more than 0.3
    untested = fit.untested(len(shown))
    remains = "" if untested else f", {after:.2f} {asked.unit} after correction"
    count = "1 point" if len(shown) == 1 else f"{len(shown)} points"
    lines = (
        f"largest error {before:.2f} {asked.unit} before{remains or ' correction'}, from {count}",
        f"correction: true = {fit.gain:.4f} × reading {fit.offset:+.3f} {asked.unit}",
        *([untested] if untested else []),
    )
    verdict = _verdict(before, after, moved, bool(untested), asked)
    good = moved <= asked.far and after <= asked.fair
    return Calibrated(kind, fit.gain, fit.offset, before, after, good, verdict, lines, {"points": float(len(shown))})


def _verdict(before: float, after: float, moved: float, untested: bool, asked: Fitness) -> str:
    """A correction that fits may still be too large for a sensor in order, or one that no point could contradict."""
    if moved > asked.far:
        return (
            f"far off: it asks for a correction of {moved:.1f} {asked.unit}, "
            f"a sound sensor for {asked.far:.1f} at most; replace it, or look why"
        )
    if untested and before > asked.good:
        return "plausible once corrected, but not tested"
    if after <= asked.good:
        return "good once corrected"
    return "usable once corrected, with wider bounds" if after <= asked.fair else "not to be relied on"
