"""What the weighings of a fit cannot tell, however many they are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drymon.learning.fit import TypeFit

COARSE = 0.03
"""Error of one weighing over the water that a run lost. Simulated shops with twelve runs a coat of six to eight such
weighings were told up to 60 % late, and 7 % with a scale of a tenth of that error (`benchmarks/accuracy`). Where
between the two a scale becomes coarse is assumed.
"""

DAMP_PCT = 53.0
"""%RH (assumed): where all runs hung in damper air, no run tells what the binder holds there beyond 50 %RH."""

SEVERAL = 3
"""Coats (assumed) whose binder together holds as much beyond 50 %RH as counts beside what may be left in a dry coat."""


@dataclass(frozen=True, slots=True)
class CoarseScale:
    """error_g: of one weighing by hand; lost_g: what a run lost; medians over the runs."""

    error_g: float
    lost_g: float


def coarse_scale(fit: TypeFit) -> CoarseScale | None:
    """How coarse the scale was of runs weighed by hand; None where it is fine enough, or none was."""
    by_hand = [(place, run) for place, run in zip(fit.places, fit.runs, strict=True) if run.used and not run.on_cell]
    if not by_hand:
        return None
    errors = np.array([fit.estimate.problem.error_kg(place) for place, _ in by_hand])
    lost = np.array([np.ptp(run.masses_kg) for _, run in by_hand])
    if np.median(errors / lost) <= COARSE:
        return None
    return CoarseScale(1000.0 * float(np.median(errors)), 1000.0 * float(np.median(lost)))


def always_damp(fit: TypeFit) -> tuple[float, float] | None:
    """Least and most mean humidity [%RH] of the runs where several coats' binder hung in air damper than `DAMP_PCT`
    all the time; else None.
    """
    airs = [run.air for run in fit.runs if run.air is not None]
    if not airs or max(run.number for run in fit.runs) < SEVERAL:
        return None
    means = [float(np.average(air.humidity_pct, weights=np.diff(air.edges_s))) for air in airs]
    return (min(means), max(means)) if min(means) > DAMP_PCT else None
