"""What a fitted coat does in the air that its runs had: the one number that a caster waits for, and how sure it is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drymon.drying import dips, ensemble
from drymon.drying.coat_model import CoatModel
from drymon.drying.edges import Edges
from drymon.learning.forecast_scores import hours_until
from drymon.learning.run import Run

SURE = 0.95
LONGEST_H = 14 * 24.0
_STEPS = tuple(60.0 * 1.04**i for i in range(250))
"""Seconds: short at first, together well beyond `LONGEST_H`."""


@dataclass(frozen=True, slots=True)
class Usual:
    """A coat as it is mostly dipped and hung.

    number, shelter: the commonest of its runs; temperature_c, humidity_pct, speed (m/s): middle of their air; best_h,
    sure_h: hours until the slowest part of such a tree is dry, most likely and with `SURE` certainty; infinite where
    that air does not get it there within `LONGEST_H`.
    """

    number: int
    shelter: str
    temperature_c: float
    humidity_pct: float
    speed: float
    best_h: float
    sure_h: float


def usual(model: CoatModel, runs: Sequence[Run], dry_at: float, edges: Edges) -> Usual:
    """How long this coat takes in its usual air. runs: the coat's own, at least one, all with air."""
    kinds = Counter((run.number, run.shelter) for run in runs)
    shelter = Counter(run.shelter for run in runs).most_common(1)[0][0]
    number = max((kind for kind in kinds if kind[1] == shelter), key=lambda kind: (kinds[kind], -kind[0]))[0]
    means = [run.air.over(np.array([0.0, float(run.air.edges_s[-1])])) for run in runs if run.air is not None]

    def middle(name: str) -> float:
        return float(np.median([getattr(mean, name)[0] for mean in means]))

    air = ensemble.AirStep(*(middle(name) for name in ("deficit", "saturation", "excess", "resistance")))
    coats = dips.possible_coats(model, number, shelter, edges=edges)
    hours = np.sort(hours_until(coats, [(air, seconds) for seconds in _STEPS], 1.0 - dry_at))
    hours[hours > LONGEST_H] = np.inf
    best, sure = (float(hours[int(np.ceil(share * len(hours))) - 1]) for share in (0.5, SURE))
    return Usual(number, shelter, middle("temperature_c"), middle("humidity_pct"), middle("speed"), best, sure)
