"""What drymon aims at, beside what was measured: of several worlds the worst counts."""

from collections.abc import Callable, Sequence

import numpy as np

from benchmarks.accuracy.result import Result
from benchmarks.accuracy.score import Row, wilson_upper
from benchmarks.accuracy.trends import trends

FAR = 0.05  # short of dry_at by more than this: dangerous
NIGHTS = "night-off"
AS_IT_WAS = {"median": 0.059, "90th percentile": 0.17, "late, median": 0.15, "late, 90th percentile": 0.34}
"""Measured in the rooms of `layers` on 26 November 2026 (README.md), all airs, 12 runs: no worse by a tenth."""

Goal = tuple[str, str, str, bool]  # what, measured, allowed, met
Worlds = dict[str, list[Row]]


def size(values: Sequence[float | None], q: float) -> float:
    """A quantile of the sizes of what is known; NaN where nothing is."""
    known = [abs(v) for v in values if v is not None]
    return float(np.quantile(known, q, method="higher")) if known else float("nan")


def lateness(rows: Sequence[Row], q: float) -> float:
    """A quantile of how late dips were called; one that was never called is late without end."""
    late = [max(row.late, 0.0) if row.called else np.inf for row in rows if row.late is not None]
    return float(np.quantile(late, q, method="higher")) if late else float("nan")


def by_world(rows: Sequence[Row]) -> Worlds:
    """Rows of each world."""
    return {name: [row for row in rows if row.world == name] for name in dict.fromkeys(row.world for row in rows)}


def _percent(value: float) -> str:
    return f"{100 * value:.1f} %" if np.isfinite(value) else "never"


def _times(value: float) -> str:
    return f"{value:.2f} times"


Words = Callable[[float], str]


def _most(name: str, value: float, allowed: float, where: str = "", words: Words = _percent) -> Goal:
    said = words(value) + (f" ({where})" if where else "")
    return name, said, f"at most {words(allowed)}", bool(value <= allowed)


def _worst(
    name: str, worlds: Worlds, value: Callable[[list[Row]], float], allowed: float, words: Words = _percent
) -> Goal:
    """The world in which a value is largest."""
    found = {world: value(rows) for world, rows in worlds.items()}
    known = {world: v for world, v in found.items() if not np.isnan(v)}
    if not known:
        return name, "-", f"at most {words(allowed)}", False
    where = max(known, key=lambda world: known[world])
    return _most(name, known[where], allowed, where, words)


def _forecast(name: str, worlds: Worlds, median: float, p90: float, width: float) -> list[Goal]:
    return [
        _worst(f"forecast, median, {name}", worlds, lambda rows: size([r.error for r in rows], 0.5), median),
        _worst(f"forecast, 90th percentile, {name}", worlds, lambda rows: size([r.error for r in rows], 0.9), p90),
        _worst(f"width of the 90 % interval, median, {name}", worlds, _width, width),
    ]


def _width(rows: list[Row]) -> float:
    return size([row.width for row in rows], 0.5)


def _best(worlds: Worlds) -> list[Goal]:
    goals = []
    for name, q, allowed in (("median", 0.5, 0.06), ("90th percentile", 0.9, 0.15)):
        found = {world: size([row.error for row in rows], q) for world, rows in worlds.items()}
        where = min(found, key=lambda world: found[world])
        goals.append(_most(f"forecast, {name}, the best world, fans on", found[where], allowed, where))
    return goals


def _against_oracle(rows: list[Row]) -> float:
    return size([row.error for row in rows], 0.5) / size([row.oracle for row in rows], 0.5)


def _coverage(worlds: Worlds) -> list[Goal]:
    def covered(rows: Sequence[Row]) -> float:
        told = [row.covered for row in rows if row.covered is not None]
        return float(np.mean(told)) if told else float("nan")

    pooled = covered([row for rows in worlds.values() for row in rows])
    where = min(worlds, key=lambda world: covered(worlds[world]))
    least = covered(worlds[where])
    return [
        ("90 % interval covers, pooled", f"{100 * pooled:.1f} %", "85 to 97 %", 0.85 <= pooled <= 0.97),
        ("90 % interval covers, every world", f"{100 * least:.1f} % ({where})", "at least 80 %", least >= 0.8),
    ]


def _far(name: str, rows: Sequence[Row], allowed: float) -> Goal:
    hits = sum(row.worst is not None and row.worst > FAR for row in rows)
    said = f"{hits} of {len(rows)} (below {100 * wilson_upper(hits, len(rows)):.2f} %)"
    met = hits <= allowed * len(rows)
    return f"called safe over 5 points short, {name}", said, f"at most {100 * allowed:g} %" if allowed else "none", met


def _near(rows: list[Row]) -> float:
    return float(np.mean([row.worst is not None and 0.0 < row.worst <= FAR for row in rows]))


def _overdue(rows: list[Row]) -> float:
    told = [row.overdue for row in rows if row.overdue is not None]
    return float(np.mean(told)) if told else float("nan")


def _trend(worlds: Worlds) -> Goal:
    found = {(world, what): r for world, rows in worlds.items() for what, r in trends(rows).items() if not np.isnan(r)}
    where = max(found, key=lambda key: abs(found[key]), default=None)
    if where is None:
        return "rank correlation of the error with anything", "-", "at most 0.2", False
    said = f"{found[where]:+.2f} ({where[0]}, {where[1]})"
    return "rank correlation of the error with anything", said, "at most 0.2", abs(found[where]) <= 0.2


def _as_it_was(rows: list[Row]) -> list[Goal]:
    late = [None if row.late is None else max(row.late, 0.0) for row in rows]
    errors = [row.error for row in rows]
    measured = [size(errors, 0.5), size(errors, 0.9), size(late, 0.5), size(late, 0.9)]
    return [
        _most(f"world layers as it was, {name}", value, 1.1 * was)
        for (name, was), value in zip(AS_IT_WAS.items(), measured, strict=True)
    ]


def _more_runs(results: Sequence[Result]) -> list[Goal]:
    """Whether more weighed runs ever tell worse, in the median of any world."""
    goals = []
    for few, many in ((0, 2), (2, 3)):
        pair = [by_world([row for r in results if r.runs == runs for row in r.rows]) for runs in (few, many)]
        both = [world for world in pair[0] if world in pair[1]]
        if not both:
            continue
        ratio = {w: size([r.error for r in pair[1][w]], 0.5) / size([r.error for r in pair[0][w]], 0.5) for w in both}
        where = max(ratio, key=lambda world: ratio[world])
        name = f"median error of {many} runs over that of {few or 'none'}"
        goals.append(_most(name, ratio[where], 1.0, where, _times))
    return goals


def goals(results: Sequence[Result], runs: int) -> list[Goal]:
    """Every goal with its measured value, for one number of weighed runs."""
    rows = [row for r in results if r.runs == runs for row in r.rows]
    night = [row for row in rows if row.air == NIGHTS]
    day = [row for row in rows if row.air != NIGHTS]
    worlds = by_world(rows)
    found: list[Goal] = []
    if day:
        found += [*_forecast("fans on", by_world(day), 0.10, 0.25, 0.5), *_best(by_world(day))]
        found.append(_far("fans on", day, 0.0))
    if night:
        found += [*_forecast("nights off", by_world(night), 0.15, 0.35, 0.8), _far("nights off", night, 0.005)]
    found.append(_worst("forecast, median, over the unbeatable error", worlds, _against_oracle, 3.0, _times))
    found += _coverage(worlds)
    found.append(_worst("called safe up to 5 points short", worlds, _near, 0.05))
    found.append(_worst("called late, median", worlds, lambda rows: lateness(rows, 0.5), 0.30))
    found.append(_worst("called late, 90th percentile", worlds, lambda rows: lateness(rows, 0.9), 0.60))
    found.append(_worst("not called within half their time again", worlds, _overdue, 0.02))
    found.append(_trend(worlds))
    if "layers" in worlds:
        found += _as_it_was(worlds["layers"])
    return found + _more_runs(results)
