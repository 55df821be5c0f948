"""The examiner's marks, trends and goals on rows whose answers are known."""

import ast
import os
import subprocess
import sys
from dataclasses import replace
from graphlib import TopologicalSorter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

ROOT = Path(__file__).resolve().parent.parent
if not (ROOT / "benchmarks" / "accuracy").is_dir():
    pytest.skip("the examiner lives in the checkout only", allow_module_level=True)
sys.path.insert(0, str(ROOT))
pytest.importorskip("pvlib", reason="the examiner's weather comes from pvlib")

from benchmarks.accuracy import quick  # noqa: E402
from benchmarks.accuracy.foundry import DipTruth  # noqa: E402
from benchmarks.accuracy.goals import goals, lateness  # noqa: E402
from benchmarks.accuracy.result import Result  # noqa: E402
from benchmarks.accuracy.rooms import make_room  # noqa: E402
from benchmarks.accuracy.score import Row, Said, score  # noqa: E402
from benchmarks.accuracy.tables import all_tables  # noqa: E402
from benchmarks.accuracy.trends import trends  # noqa: E402
from benchmarks.accuracy.worlds.by_name import OPENED, SHUT, allowed  # noqa: E402

GOOD = Row(
    "soak", "steady", 1, "t-1", "rack-a", "backup", 4, "open", False, 3.0, 22.0, 0.5, 1.0, error=0.05, covered=True,
    width=0.3, late=0.1, called=True, bound=0.2, overdue=False, worst=-0.01, last_state="ready", oracle=0.04,
)  # fmt: skip


def rows(count: int = 200, seed: int = 1) -> list[Row]:
    """Rows whose errors go with the coat number, and rack-c's are larger."""
    rng = np.random.default_rng(seed)
    found = []
    for i in range(count):
        number, rack = int(rng.integers(1, 11)), f"rack-{'abc'[i % 3]}"
        error = 0.02 * number + 0.1 * (rack == "rack-c") + 0.1 * float(rng.standard_normal())
        found.append(
            replace(GOOD, number=number, rack=rack, error=error, humidity=float(rng.uniform(0.3, 0.7)), coat="backup")
        )
    return found


def test_trends_agree_with_pandas() -> None:
    some = rows()
    frame = pd.DataFrame([{"e": r.error, "n": r.number, "rh": r.humidity, "c": r.rack == "rack-c"} for r in some])
    reference = frame.astype(float).corr(method="spearman")["e"]
    found = trends(some)
    assert found["coat number"] == pytest.approx(reference["n"])
    assert found["humidity"] == pytest.approx(reference["rh"])
    assert found["rack"] == pytest.approx(reference["c"])
    assert np.isnan(found["shelter"])  # all are open


def test_a_dip_that_was_never_called_is_late_without_end() -> None:
    some = [replace(GOOD, late=0.1 * i, called=i < 8) for i in range(10)]
    assert lateness(some, 0.5) == pytest.approx(0.5)
    assert lateness(some, 0.9) == np.inf


def test_the_worst_world_counts_and_is_named() -> None:
    good = [replace(GOOD, seed=i) for i in range(30)]
    bad = [replace(GOOD, world="front", error=0.3, overdue=True) for _ in range(10)]
    results = [Result(r[0].world, "steady", 1, 12, r, {"regression": [], "fixed wait": [], "wait by shelter": []}, 0, 0)
               for r in (good, bad)]  # fmt: skip
    said = {what: (measured, met) for what, measured, _, met in goals(results, 12)}
    assert said["forecast, median, fans on"] == ("30.0 % (front)", False)
    assert said["forecast, median, the best world, fans on"] == ("5.0 % (soak)", True)
    assert said["not called within half their time again"] == ("100.0 % (front)", False)
    assert said["forecast, median, over the unbeatable error"] == ("7.50 times (front)", False)
    assert said["called late, 90th percentile"] == ("10.0 % (soak)", True)
    text = "\n".join(all_tables(results))
    assert "front, 12 runs" in text
    assert "coat number" in text


def test_more_weighed_runs_must_not_tell_worse() -> None:
    made = [
        Result("soak", "steady", 1, runs, [replace(GOOD, error=error)] * 5, {}, 0, 0)
        for runs, error in ((0, 0.5), (2, 0.1), (3, 0.2))
    ]
    said = {what: met for what, _, _, met in goals(made, 3)}
    assert said["median error of 2 runs over that of none"]
    assert not said["median error of 3 runs over that of 2"]


def test_a_forecast_s_own_bound_is_marked_though_the_next_dip_cuts_the_call_short() -> None:
    room = make_room("layers", "steady", 1, days=1, lead_days=0, trees=2)
    dip = next(d for d in room.dips if d.dry_minute is not None and d.end is not None)
    assert isinstance(dip, DipTruth)
    took = float(dip.dry_minute or 0) - dip.minute
    late = dip.minute + 4.0 * took
    said = [Said(dip.minute + 1.0, 1e9, dip.number, "drying", dip.minute + 0.5 * took, dip.minute + 1.2 * took, late)]
    row = next(r for r in score(room, {dip.tree: said}) if (r.tree, r.number) == (dip.tree, dip.number))
    assert row.bound == pytest.approx(3.0, rel=1e-6)
    assert row.error == pytest.approx(0.2, rel=1e-6)
    assert not row.called
    assert row.overdue
    air = room.foundry.air[dip.rack]
    assert row.humidity == pytest.approx(air.humidity[dip.minute : int(dip.dry_minute or 0) + 1].mean())


def test_shut_worlds_open_only_where_that_is_said() -> None:
    with pytest.raises(ValueError, match="kept shut"):
        quick.load(SHUT[0], "steady", 1)
    with pytest.raises(ValueError, match="allowed are"):
        allowed("nowhere")
    allowed(SHUT[0], shut=True)
    allowed(OPENED[0])
    here = {**os.environ, "PYTHONSAFEPATH": ""}  # the examiner lies in the checkout, not in the wheel
    for command in ("run", "quick_marks"):
        words = [sys.executable, "-m", f"benchmarks.accuracy.{command}", "--worlds", SHUT[0]]
        done = subprocess.run(words, cwd=ROOT, env=here, capture_output=True, text=True, check=False)
        assert done.returncode == 2
        assert "kept shut" in done.stderr


def test_no_module_of_the_examiner_needs_one_that_needs_it() -> None:
    """Imports for types alone count, too."""
    folder, needs = ROOT / "benchmarks" / "accuracy", {}
    for path in folder.rglob("*.py"):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        found = [node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.ImportFrom)]
        whole = {node.module for node in found if node.module and node.module.startswith("benchmarks")}
        parts = {f"{node.module}.{one.name}" for node in found for one in node.names}
        needs[name] = whole | parts
    known = {name: {other for other in others if other in needs} - {name} for name, others in needs.items()}
    packages = {"benchmarks.accuracy", "benchmarks.accuracy.worlds"}
    ordered = list(TopologicalSorter({n: o - packages for n, o in known.items()}).static_order())
    assert "benchmarks.accuracy.run" in ordered
