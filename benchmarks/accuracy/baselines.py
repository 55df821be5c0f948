"""Rules a shop would use instead: a fixed wait per coat (or per coat and shelter), and a plain regression on the
first readings.

Both are given the true drying times of the weighed runs, which is kinder than a shop's own notes would be.
"""

from typing import Any

import numpy as np
from sklearn.linear_model import RidgeCV
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from benchmarks.accuracy.foundry import DipTruth
from benchmarks.accuracy.rooms import RoomRecord
from benchmarks.accuracy.shop import FAMILY


def minutes_taken(dip: DipTruth) -> float:
    """The true drying time, minutes."""
    return float(dip.dry_minute or np.nan) - dip.minute


def weighed(record: RoomRecord) -> list[DipTruth]:
    """The weighed dips that dried."""
    return [d for d in record.dips if d.weighed and d.dry_minute is not None]


def fixed_wait(record: RoomRecord, by_shelter: bool) -> dict[tuple[str, str], float]:
    """Minutes to wait per coat ("" for the shelter) or per coat and shelter: 95th percentile of the weighed runs."""
    runs: dict[tuple[str, str], list[float]] = {}
    for dip in weighed(record):
        runs.setdefault((dip.coat, dip.shelter if by_shelter else ""), []).append(minutes_taken(dip))
    return {key: float(np.quantile(times, 0.95)) for key, times in runs.items()}


def features(record: RoomRecord, dip: DipTruth) -> list[float]:
    """What is known five minutes after the dip: mean readings, coat, number, shelter."""
    window = slice(dip.minute, dip.minute + 5)

    def mean(quantity: str) -> float:
        values = record.readings.get((dip.rack, quantity), np.zeros(0))[window]
        return float(np.nanmean(values)) if np.isfinite(values).any() else 0.0

    return [
        mean("temperature"), mean("humidity"), np.sqrt(mean("airflow")), float(dip.number),
        *[float(dip.coat == coat) for coat in FAMILY], *[float(dip.shelter == s) for s in ("pocketed",
        "deep")], ]  # fmt: skip


def regression(record: RoomRecord) -> Any:
    """Ridge regression of the log of the drying time; None below three runs."""
    runs = weighed(record)
    if len(runs) < 3:
        return None
    x = np.array([features(record, d) for d in runs])
    y = np.log([minutes_taken(d) for d in runs])
    return make_pipeline(StandardScaler(), RidgeCV(np.geomspace(0.01, 100.0, 13))).fit(x, y)


def baseline_errors(fit: RoomRecord, trial: RoomRecord) -> dict[str, list[float]]:
    """Signed errors as shares of the true drying time, over the trial's dips."""
    known = [d for d in trial.dips if d.dry_minute is not None and d.dry_minute < trial.minutes]
    out: dict[str, list[float]] = {"fixed wait": [], "wait by shelter": [], "regression": []}
    for rule, by_shelter in (("fixed wait", False), ("wait by shelter", True)):
        waits = fixed_wait(fit, by_shelter)
        for dip in known:
            wait = waits.get((dip.coat, dip.shelter if by_shelter else ""))
            if wait is not None:
                out[rule].append(wait / minutes_taken(dip) - 1.0)
    model = regression(fit)
    if model is not None and known:
        guess = np.exp(model.predict(np.array([features(trial, d) for d in known])))
        out["regression"] = list(guess / np.array([minutes_taken(d) for d in known]) - 1.0)
    return out
