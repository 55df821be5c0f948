"""From what a sensor gives to what it means: a line, a table, or King's law of hot wires. Pure.

King's law (L. V. King, Phil. Trans. R. Soc. A 214 (1914) 373): a wire kept hot in a stream of speed U takes a voltage E
with E^2 = A + B * U^n; n is near 0.45 to 0.5.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from drymon_sensors.errors import ReadError
from drymon_sensors.tables import Table

Points = Sequence["tuple[float, float]"]


@dataclass(frozen=True)
class Line:
    """slope * x + start."""

    slope: float
    start: float

    def __call__(self, x: float) -> float:
        """The value at x."""
        return self.slope * x + self.start


@dataclass(frozen=True)
class TableCurve:
    """Straight between points that rise in x; ReadError beyond them by more than `beyond` of the range."""

    points: tuple[tuple[float, float], ...]
    beyond: float = 0.05

    def __call__(self, x: float) -> float:
        """The value at x; the ends hold a little beyond them, for a sensor's zero wanders."""
        first, last = self.points[0], self.points[-1]
        allowed = self.beyond * (last[0] - first[0])
        if not first[0] - allowed <= x <= last[0] + allowed:
            raise ReadError(f"received {x:g}; the table has {first[0]:g} to {last[0]:g}: calibrate further")
        if x >= last[0]:
            return last[1]
        right = bisect_right([point[0] for point in self.points], x)
        if right == 0:
            return first[1]
        (x0, y0), (x1, y1) = self.points[right - 1], self.points[right]
        return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


@dataclass(frozen=True)
class King:
    """Speed from a hot wire's voltage: U = ((E^2 - A) / B) ^ (1 / n). fastest: the fastest speed it was fitted to."""

    a: float
    b: float
    n: float
    fastest: float = inf

    def __call__(self, volts: float) -> float:
        """Speed; 0 at and below the voltage of still air. ReadError well beyond what was fitted."""
        over = volts * volts - self.a
        speed = math.pow(over / self.b, 1.0 / self.n) if over > 0.0 else 0.0
        if speed > 1.25 * self.fastest:
            raise ReadError(
                f"{volts:g} V means {speed:.3g} m/s; the points end at {self.fastest:g} m/s: calibrate further"
            )
        return speed


def line_through(points: Points, table: Table, key: str) -> Line:
    """The least-squares line; SetupError where the points have no extent."""
    slope, start = _least_squares(points)
    if slope in (0.0, inf):
        raise table.wrong(key, [list(point) for point in points], "points that differ in both columns")
    return Line(slope, start)


def table_of(points: Points, table: Table, key: str) -> TableCurve:
    """SetupError where the first column does not rise."""
    ordered = sorted(points)
    if any(left[0] == right[0] for left, right in zip(ordered, ordered[1:])):
        raise table.wrong(key, [list(point) for point in points], "each first number once")
    return TableCurve(tuple(ordered))


EXPONENTS = [round(0.30 + 0.005 * step, 3) for step in range(81)]


def king_through(points: Points, table: Table, key: str) -> King:
    """A, B and n that come nearest to points (volts, m/s); SetupError where they make no such law."""
    if len(points) < 4:
        raise table.wrong(key, [list(point) for point in points], "four or more points, one of them in still air")
    fits = [(_misfit(points, n), n) for n in EXPONENTS]
    n = min(fits)[1]
    b, a = _least_squares([(math.pow(speed, n), volts * volts) for volts, speed in points])
    if not 0.0 < b < inf or a <= 0.0:
        raise table.wrong(key, [list(point) for point in points], "volts that rise with the speed")
    return King(a, b, n, max(speed for _, speed in points))


def _misfit(points: Points, n: float) -> float:
    """Sum of the squared errors of E^2, A and B at their best."""
    transformed = [(math.pow(speed, n), volts * volts) for volts, speed in points]
    b, a = _least_squares(transformed)
    return sum((a + b * x - y) ** 2 for x, y in transformed)


def _least_squares(points: Points) -> tuple[float, float]:
    """Slope and start; the slope is infinite where all x are the same."""
    count = len(points)
    mean_x, mean_y = sum(x for x, _ in points) / count, sum(y for _, y in points) / count
    spread = sum((x - mean_x) ** 2 for x, _ in points)
    if spread == 0.0:
        return inf, 0.0
    slope = sum((x - mean_x) * (y - mean_y) for x, y in points) / spread
    return slope, mean_y - slope * mean_x
