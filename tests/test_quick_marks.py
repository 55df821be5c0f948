"""The marks of the quick road, on forecasts whose marks are known."""

import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
if not (ROOT / "benchmarks" / "accuracy").is_dir():
    pytest.skip("the examiner lives in the checkout only", allow_module_level=True)
sys.path.insert(0, str(ROOT))
pytest.importorskip("pvlib", reason="the examiner's weather comes from pvlib")

from benchmarks.accuracy.quick_marks import Mark, lines  # noqa: E402


def mark(best: float, late: float, gone: float = 1.0, shelter: str = "open") -> Mark:
    """Of a dip that is dry after ten hours."""
    return Mark("front", "steady", 1, shelter, 10.0, 11.0, 8.0, best, late, gone)


def test_a_world_is_told_with_its_shelters_and_all() -> None:
    told = lines([mark(12.0, 15.0), mark(9.0, 20.0), mark(10.0, 9.5, 0.94), mark(30.0, 9.0, 0.85, "deep")])
    assert [row[:2] for row in told] == [["front steady", "4"], ["  open", "3"], ["  deep", "1"], ["all", "4"]]
    assert told[1][2:] == [
        "10.0 %",
        "20.0 %",
        "0.0 %",
        "10.0 %",
        "66.7 %",
        "70.0 %",
        "50.0 %",
        "100.0 %",
        "33.3 %",
        "0.0 %",
    ]
    assert told[2][2:] == [
        "200.0 %",
        "200.0 %",
        "200.0 %",
        "10.0 %",
        "0.0 %",
        "10.0 %",
        "-10.0 %",
        "-10.0 %",
        "0.0 %",
        "100.0 %",
    ]
