"""Which humidity would do, where the air is too damp for a tree ever to be sure of drying. Pure."""

import math

import numpy as np

from drymon.drying import coat, sorption
from drymon.drying.ensemble import AirStep
from drymon.shop.tree.state import ASSURANCE, TreeState

LONGEST_H = 336.0
"""Hours that "ever" means for a tree in damp air: the forecast's 14 days."""

DRIEST_PCT = 20.0
"""The driest air that is asked after."""


def humidity_that_would_do(tree: TreeState, humidity_pct: float, step: AirStep) -> float | None:
    """The highest humidity, in steps of 5 %, in which the tree would surely dry: within a day, else three, else 14
    days.

    None where even the present humidity would do, or none would.
    """
    assert tree.coats is not None
    assert tree.water is not None
    if _would_do(tree, humidity_pct, step, LONGEST_H) or not _would_do(tree, DRIEST_PCT, step, LONGEST_H):
        return None
    for hours in (24.0, 72.0, LONGEST_H):
        for candidate in np.arange(5.0 * math.floor(humidity_pct / 5.0), DRIEST_PCT - 1.0, -5.0):
            if candidate < humidity_pct and _would_do(tree, float(candidate), step, hours):
                return float(candidate)
    return None


def _would_do(tree: TreeState, humidity_pct: float, step: AirStep, hours: float) -> bool:
    assert tree.coats is not None
    assert tree.water is not None
    deficit = max(float(np.mean(step.saturation)) * (1.0 - humidity_pct / 100.0), 1e-9)
    air = AirStep(deficit, step.saturation, float(sorption.excess(humidity_pct)), step.resistance)
    seconds = coat.steady_seconds(tree.coats, tree.target, air)
    return float(tree.water.weights[seconds <= 3600.0 * hours].sum()) >= ASSURANCE
