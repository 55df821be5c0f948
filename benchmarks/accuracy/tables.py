"""The tables of an examination."""

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from benchmarks.accuracy.goals import FAR, NIGHTS, goals
from benchmarks.accuracy.result import Result
from benchmarks.accuracy.score import Row, wilson_upper
from benchmarks.accuracy.trends import SHELTERS, WITH, trends


def table(title: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table as text: the first column to the left, the others to the right."""
    lines = [list(head), *[list(row) for row in rows]]
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    text = [
        "  ".join([line[0].ljust(widths[0]), *[c.rjust(w) for c, w in zip(line[1:], widths[1:], strict=True)]])
        for line in lines
    ]
    return "\n".join([title, text[0], "-" * len(text[0]), *text[1:]])


def _share(value: float | None) -> str:
    if value is None:
        return "-"
    return f"{100 * value:.1f} %" if np.isfinite(value) else "open"


def _quantile(values: Iterable[float | None], q: float, size: bool = True) -> float | None:
    known = [abs(v) if size else v for v in values if v is not None]
    return float(np.quantile(known, q, method="higher")) if known else None


def _groups(results: Sequence[Result]) -> list[tuple[str, list[Result], list[Row]]]:
    """Results by world, nights without fans apart, and by number of runs; then all together; each with its rows."""
    found = []
    for runs in sorted({r.runs for r in results}):
        some = [r for r in results if r.runs == runs]
        keys = list(dict.fromkeys((r.world, r.air == NIGHTS) for r in some))
        for world, nights in sorted(
            keys, key=lambda key: (key[1], list(dict.fromkeys(k[0] for k in keys)).index(key[0]))
        ):
            own = [r for r in some if (r.world, r.air == NIGHTS) == (world, nights)]
            found.append((f"{world}{', nights off' if nights else ''}, {runs} runs", own))
        if len(keys) > 1:
            found.append((f"all, {runs} runs", some))
    return [(name, own, [row for r in own for row in r.rows]) for name, own in found]


def forecast_table(results: Sequence[Result]) -> str:
    """Error of the forecast five minutes after the dip, beside those who know more and less."""
    head = ["room", "dips", "forecast", "median", "p90", "bias"]
    head += ["oracle", "p90", "regression", "p90", "fixed wait", "p90", "by shelter", "p90"]
    lines = []
    for name, found, rows in _groups(results):
        errors = [row.error for row in rows]
        line = [name, str(len(rows)), str(sum(e is not None for e in errors))]
        line += [_share(_quantile(errors, 0.5)), _share(_quantile(errors, 0.9))]
        line.append(_share(_quantile(errors, 0.5, size=False)))
        line += [_share(_quantile([row.oracle for row in rows], q)) for q in (0.5, 0.9)]
        for rule in ("regression", "fixed wait", "wait by shelter"):
            wrong = [error for r in found for error in r.baselines[rule]]
            line += [_share(_quantile(wrong, q)) for q in (0.5, 0.9)]
        lines.append(line)
    return table("Forecast 5 minutes after the dip: error as a share of the true drying time", head, lines)


def interval_table(results: Sequence[Result]) -> str:
    """Coverage and width of the 90 % interval; half-way errors of trees on a load cell."""
    head = ["room", "covered", "width", "half-way", "half-way on a cell"]
    head += [word for shelter in SHELTERS for word in (shelter, "covered", "width")]
    lines = []
    for name, _, rows in _groups(results):
        line = [name, _covered(rows), _share(_quantile([row.width for row in rows], 0.5))]
        line.append(_share(_quantile([row.half_error for row in rows], 0.5)))
        line.append(_share(_quantile([row.half_error for row in rows if row.celled], 0.5)))
        for shelter in SHELTERS:
            some = [row for row in rows if row.shelter == shelter]
            line += [_share(_quantile([row.error for row in some], 0.5)), _covered(some)]
            line.append(_share(_quantile([row.width for row in some], 0.5)))
        lines.append(line)
    return table("The 90 % interval and its median width; median errors half-way and by shelter", head, lines)


def _covered(rows: Sequence[Row]) -> str:
    told = [row.covered for row in rows if row.covered is not None]
    return _share(float(np.mean(told))) if told else "-"


def call_table(results: Sequence[Result]) -> str:
    """Unsafe and late calls. The bound is Wilson's, 95 % one-sided, over dips. Late calls are cut short by the next
    dip; the forecast's own 95 % bound, five minutes after the dip, is not."""
    head = ["room", "over 5 points short", "up to 5 points short", "late", "p90", "on a cell", "p90"]
    head += ["own bound late", "p90", "uncalled", "of these in hold", "not within half again"]
    lines = []
    for name, _, rows in _groups(results):
        worst = [row.worst for row in rows if row.worst is not None]
        line = [name, _count(rows, sum(w > FAR for w in worst)), _count(rows, sum(0.0 < w <= FAR for w in worst))]
        line += [_share(_quantile([row.late for row in rows], q, size=False)) for q in (0.5, 0.9)]
        celled = [row.late for row in rows if row.celled]
        line += [_share(_quantile(celled, q, size=False)) for q in (0.5, 0.9)]
        line += [_share(_quantile([row.bound for row in rows], q, size=False)) for q in (0.5, 0.9)]
        silent = [row for row in rows if not row.called]
        line += [_share(len(silent) / max(len(rows), 1)), str(sum(row.last_state == "hold" for row in silent))]
        told = [row.overdue for row in rows if row.overdue is not None]
        line.append(_share(float(np.mean(told))) if told else "-")
        lines.append(line)
    return table("Called safe too soon (dips, with upper bound), and late after the truth", head, lines)


def _count(rows: Sequence[Row], hits: int) -> str:
    return f"{hits}/{len(rows)} < {100 * wilson_upper(hits, len(rows)):.1f} %"


def trend_table(results: Sequence[Result]) -> str:
    """Rank correlations of the forecast's signed error with what was known (Spearman)."""
    lines = []
    for name, _, rows in _groups(results):
        found = trends(rows)
        lines.append([name, *["-" if np.isnan(found[what]) else f"{found[what]:+.2f}" for what in WITH]])
    return table("Rank correlation of the forecast's signed error with", ["room", *WITH], lines)


def runs_table(results: Sequence[Result]) -> str | None:
    """How the number of weighed runs helps; None where only one number was tried."""
    numbers = sorted({r.runs for r in results})
    if len(numbers) < 2:
        return None
    median = {(r.world, r.air, r.seed, r.runs): _quantile([row.error for row in r.rows], 0.5) for r in results}
    pairs = list(pairwise(numbers))
    if {2, 12} <= set(numbers):
        pairs.append((2, 12))
    head = ["runs", "better", "worse by over a tenth", "shops"]
    return table("Shops in which the median error got better", head, [_duel(median, *pair) for pair in pairs])


def _duel(median: dict[tuple[str, str, int, int], float | None], low: int, high: int) -> list[str]:
    shops = sorted({key[:3] for key in median})
    pairs = [(median.get((*shop, low)), median.get((*shop, high))) for shop in shops]
    known = [(a, b) for a, b in pairs if a is not None and b is not None]
    better, worse = sum(b < a for a, b in known), sum(b > 1.1 * a for a, b in known)
    return [f"{high} against {low}", str(better), str(worse), str(len(known))]


def goals_table(results: Sequence[Result], runs: int) -> str:
    """What is aimed at and whether it was met."""
    lines = [(what, said, allowed, "yes" if met else "NO") for what, said, allowed, met in goals(results, runs)]
    title = f"Goals, {runs} weighed runs per coat type; the worst world counts"
    return table(title, ["goal", "measured", "allowed", "met"], lines)


def all_tables(results: Sequence[Result]) -> list[str]:
    """Everything worth printing."""
    tables = [forecast_table(results), interval_table(results), call_table(results), trend_table(results)]
    duel = runs_table(results)
    return [*tables, *([duel] if duel else []), goals_table(results, max(r.runs for r in results))]
