"""Whether what is left over goes with anything: rank correlations of the signed error with what was known."""

from collections.abc import Sequence

import numpy as np
from scipy.stats import spearmanr

from benchmarks.accuracy.score import Row

SHELTERS = ("open", "pocketed", "deep")
WITH = ("coat number", "humidity", "temperature", "air speed", "shelter", "rack")
FEWEST = 20  # dips without which a correlation says nothing


def trends(rows: Sequence[Row]) -> dict[str, float]:
    """Spearman's rank correlation of the forecast's signed error with each of `WITH`; of racks the largest, one
    against the others. NaN where nothing differs or too few dips are known."""
    known = [row for row in rows if row.error is not None and np.isfinite(row.error)]
    columns: dict[str, list[float]] = {
        "coat number": [row.number for row in known],
        "humidity": [row.humidity for row in known],
        "temperature": [row.temperature for row in known],
        "air speed": [row.speed for row in known],
        "shelter": [SHELTERS.index(row.shelter) for row in known],
    }
    found = {name: _rank(known, values) for name, values in columns.items()}
    racks = [_rank(known, [row.rack == rack for row in known]) for rack in sorted({row.rack for row in known})]
    return found | {"rack": max(racks, key=lambda r: -1.0 if np.isnan(r) else abs(r), default=np.nan)}


def _rank(rows: Sequence[Row], values: Sequence[float]) -> float:
    if len(rows) < FEWEST or len(set(values)) < 2:
        return float("nan")
    return float(spearmanr([row.error for row in rows], values).statistic)
