"""What drymon aims at, beside what was measured, over all rooms of an examination with one number of weighed runs."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from benchmarks.accuracy.score import Row, wilson_upper

if TYPE_CHECKING:
    from benchmarks.accuracy.run import Result

FAR = 0.05  # short of dry_at by more than this: dangerous
HUNG_DRY = 0.5  # a tree that hung dry for this share of its drying time, and nothing was said: silence

Goal = tuple[str, str, str, bool]  # what, measured, allowed, met


def size(values: Sequence[float | None], q: float) -> float:
    """A quantile of the sizes of what is known; NaN where nothing is."""
    known = [abs(v) for v in values if v is not None]
    return float(np.quantile(known, q, method="higher")) if known else float("nan")


def _most(name: str, value: float, allowed: float) -> Goal:
    return name, f"{100 * value:.1f} %", f"at most {100 * allowed:.1f} %", bool(value <= allowed)


def _forecast(name: str, rows: Sequence[Row], median: float, p90: float, width: float) -> list[Goal]:
    errors = [row.error for row in rows]
    return [
        _most(f"forecast, median, {name}", size(errors, 0.5), median),
        _most(f"forecast, 90th percentile, {name}", size(errors, 0.9), p90),
        _most(f"width of the 90 % interval, median, {name}", size([row.width for row in rows], 0.5), width),
    ]


def _rivals(results: Sequence["Result"], rows: Sequence[Row]) -> list[Goal]:
    median, p90 = (size([row.error for row in rows], q) for q in (0.5, 0.9))
    plain = [e for r in results for e in r.baselines["regression"]]
    wait = [e for r in results for e in r.baselines["fixed wait"]]
    return [
        _most("median against twice the oracle's", median, 2.0 * size([row.oracle for row in rows], 0.5)),
        _most("median against two thirds of the regression's", median, size(plain, 0.5) * 2 / 3),
        _most("90th percentile against half the regression's", p90, size(plain, 0.9) / 2),
        _most("median against a quarter of the fixed wait's", median, size(wait, 0.5) / 4),
    ]


def _safety(name: str, rows: Sequence[Row], far_allowed: float) -> list[Goal]:
    worst = [row.worst for row in rows if row.worst is not None]
    goals = []
    for what, hits, allowed in (
        ("over 5 points short", sum(w > FAR for w in worst), far_allowed),
        ("up to 5 points short", sum(0 < w <= FAR for w in worst), 0.05),
    ):
        share, upper = hits / max(len(rows), 1), wilson_upper(hits, len(rows))
        said = f"{hits} of {len(rows)} (below {100 * upper:.1f} %)"
        goals.append((f"called safe {what}, {name}", said, f"at most {100 * allowed:.0f} %", share <= allowed))
    return goals


def _lateness(name: str, rows: Sequence[Row], median: float, p90: float) -> list[Goal]:
    late = [None if row.late is None else max(row.late, 0.0) for row in rows]
    return [
        _most(f"late, median, {name}", size(late, 0.5), median),
        _most(f"late, 90th percentile, {name}", size(late, 0.9), p90),
    ]


def goals(results: Sequence["Result"]) -> list[Goal]:
    """Every goal with its measured value."""
    rows = [row for r in results for row in r.rows]
    night = [row for row in rows if row.kind == "night-off"]
    day = [row for row in rows if row.kind != "night-off"]
    celled = [row for row in rows if row.celled]
    told = [row.covered for row in rows if row.covered is not None]
    covered = float(np.mean(told)) if told else float("nan")
    silent = [row for row in rows if not row.called and (row.late or 0) >= HUNG_DRY and row.last_state == "drying"]
    found: list[Goal] = []
    if day:
        found += _forecast("fans on", day, 0.06, 0.15, 0.35) + _safety("fans on", day, 0.0)
    if night:
        found += _forecast("nights off", night, 0.10, 0.30, 0.65) + _safety("nights off", night, 0.01)
    found += _rivals(results, rows)
    found.append(_most("half-way, on its own load cell, median", size([r.half_error for r in celled], 0.5), 0.04))
    met = 0.85 <= covered <= 0.97
    found.append(("90 % interval covers, all rooms", f"{100 * covered:.1f} %", "85 to 97 %", met))
    found += _lateness("all", rows, 0.22, 0.40) + _lateness("on a load cell", celled, 0.17, 0.33)
    found.append(("hung dry and nothing said", f"{len(silent)} of {len(rows)}", "none", not silent))
    return found
