"""Least squares by damped Gauss-Newton steps: few evaluations, each of which is dear."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

FIRST_DAMPING, MOST_DAMPING = 1e-3, 1e6


def minimise(
    residuals: Callable[[Array], Array],
    with_slopes: Callable[[Array], tuple[Array, Array]],
    start: Array,
    limit: Array,
    most: int,
    good: float = 0.02,
) -> Array:
    """The unknowns near `start` at which the sum of squared residuals is least (Levenberg 1944, Marquardt 1963).

    residuals: (rows,) of the unknowns; with_slopes: these and their derivatives (rows, unknowns), dearer. limit: bounds
    of the unknowns' size (unknowns,). most: steps. good: improvement of the sum of squares at which to stop.
    """
    x = np.clip(start, -limit, limit)
    damping = FIRST_DAMPING
    for _ in range(most):
        at, slopes = with_slopes(x)
        cost = float(at @ at)
        normal, gradient = slopes.T @ slopes, slopes.T @ at
        scale = np.diag(normal).copy()
        better = np.inf
        while damping < MOST_DAMPING:
            moved = np.clip(x - np.linalg.solve(normal + np.diag(damping * scale), gradient), -limit, limit)
            new = residuals(moved)
            better = float(new @ new)
            if better < cost:
                break
            damping *= 8.0
        if not better < cost:
            return x
        x, damping = moved, max(damping / 6.0, 1e-7)
        if cost - better < good:
            return x
    return x
