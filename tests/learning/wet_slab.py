"""A wet slab that dries by diffusion, on its own: finite volumes and scipy's stiff solver, nothing of drymon's.

One face is closed (the wax), the other hands its water to the air over a surface resistance:

    dc/dt = d/dz (D(c) dc/dz),   -D dc/dz = (biot) c   at the open face,   c = 1 at first,   0 <= z <= 1

c: share of the removable water at a place; time in units of depth^2 / D(1). D(c) = exp(steep (c - 1)): what is dry
conducts exp(steep) times worse than what is wet.
"""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from scipy.integrate import solve_ivp

Array = npt.NDArray[np.float64]
CELLS = 80


def slab(biot: float, steep: float = 0.0) -> tuple[Callable[[Array], Array], float]:
    """The share of water left over time, and the time at which 0.05 is left."""
    depth = 1.0 - (1.0 - np.linspace(0.0, 1.0, CELLS + 1)) ** 1.5  # thinner cells towards the open face, at 1
    width = np.diff(depth)
    middle = 0.5 * (depth[1:] + depth[:-1])

    def rates(_: float, c: Array) -> Array:
        conducts = np.exp(steep * (0.5 * (c[1:] + c[:-1]) - 1.0)) / np.diff(middle)
        at_face = np.exp(steep * (c[-1] - 1.0)) / (0.5 * width[-1])
        flux = np.concatenate([[0.0], conducts * (c[:-1] - c[1:]), [c[-1] / (1.0 / biot + 1.0 / at_face)]])
        return np.asarray(-np.diff(flux) / width)

    def dry(_: float, c: Array) -> float:
        return float(width @ c) - 0.003

    dry.terminal = True  # type: ignore[attr-defined]
    found = solve_ivp(
        rates, (0.0, 1e4), np.ones(CELLS), method="BDF", events=dry, rtol=1e-8, atol=1e-10, dense_output=True
    )
    times = found.t[-1] * np.linspace(0.0, 1.0, 6000) ** 2
    left = width @ found.sol(times)
    return lambda asked: np.interp(asked, times, left), float(np.interp(-0.05, -left, times))
