"""How large the errors of a room's scale may be, by what its weighings scatter about curves that know no model."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from drymon.learning.run import Run
from drymon.learning.smooth import Smooth

Array = npt.NDArray[np.float64]

PRIOR_WEIGHINGS = 20.0
"""Weighings that the assumed errors of a scale are worth when the runs say how large they are."""

SPENT = 2.6
"""Weighings of a run that its smoothed curve takes up, times the logarithm of their number: counted on made-up coats of
6 to 47 weighings that dry at a constant rate first, with errors of a thirtieth of their loss (5 to 10 are taken up).
"""

SLIP = 3.5
"""Errors beyond which a weighing is a slip of the pen, and tells nothing of the scale (assumed)."""

TO_BEGIN = 3.0
"""Times the median distance from the smoothed curves beyond which slips are looked for first: plenty, for these follow
most weighings closely (assumed).
"""

OVER_PLAIN = 1.25
"""How far errors about a fitted curve may exceed those about the smoothed runs (assumed)."""


def most_by_hand(runs: Sequence[Run], smooth: Sequence[Smooth]) -> float:
    """How many times the assumed errors those of hand weighings may be, 1 or more: a curve that misses its weighings
    must not pass for a scale that errs.
    """
    pairs = zip(runs, smooth, strict=True)
    off = [(run.masses_kg - each.mass_kg) / run.sds_kg for run, each in pairs if not run.on_cell]
    return max(1.0, OVER_PLAIN * _scatter(off))


def _scatter(off: Sequence[Array]) -> float:
    """Of weighings about their smoothed curves, in assumed errors, without those that are slips."""
    if not off:
        return 1.0
    ratio = max(1.0, TO_BEGIN * float(np.median(np.abs(np.concatenate(off)))))
    for _ in range(6):
        kept = [each[np.abs(each) <= SLIP * ratio] for each in off]
        freedom = sum(max(len(each) - SPENT * np.log(max(len(each), 1)), 0.0) for each in kept)
        squares = sum(float(each @ each) for each in kept)
        ratio = float(np.sqrt((PRIOR_WEIGHINGS + squares) / (PRIOR_WEIGHINGS + freedom)))
    return ratio
