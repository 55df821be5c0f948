"""Decisions on runs: what is kept of them, and what the one who made them is told."""

from types import SimpleNamespace

import pytest

from drymon.errors import SetupError
from drymon.store import Calibration, LeftOut, Store
from drymon.store.decisions import change_run, keep_calibration


def test_a_run_is_left_out_with_its_reason_and_counts_again(store: Store, make: SimpleNamespace) -> None:
    out = {"act": "leave-out", "run": "t-7:4", "reason": "somebody leant on it", "by": "Ana"}
    assert change_run(store, out, make.at(1)) == "t-7:4 is left out of fits: somebody leant on it"
    assert store.runs_left_out() == {"t-7:4": LeftOut("t-7:4", "somebody leant on it", "Ana", make.at(1))}
    back = {"act": "take-back", "run": "t-7:4"}
    assert change_run(store, back, make.at(2)) == "t-7:4 counts again"
    assert store.runs_left_out() == {}
    assert change_run(store, back, make.at(3)) == "t-7:4 was not left out"


@pytest.mark.parametrize(
    "wanted",
    [
        {"act": "leave-out", "run": "t-7:4"},
        {"act": "leave-out", "reason": "leant on"},
        {"act": "take-back"},
        {"act": "forget", "run": "t-7:4", "reason": "leant on"},
        {"run": "t-7:4", "reason": "leant on"},
    ],
)
def test_half_a_decision_on_a_run_is_refused(store: Store, make: SimpleNamespace, wanted: dict[str, str]) -> None:
    with pytest.raises(SetupError, match="allowed are leave-out, with a reason, and take-back"):
        change_run(store, wanted, make.at(1))
    assert store.runs_left_out() == {}


def test_a_calibration_is_kept_from_now_on(store: Store, make: SimpleNamespace) -> None:
    wanted = {"sensor": "cell-1", "kind": "cell", "document": {"gain": 1.5}}
    assert keep_calibration(store, wanted, make.at(1)) == "readings from now on are corrected"
    assert store.calibrations() == [Calibration(make.at(1), "cell-1", "cell", {"gain": 1.5})]


@pytest.mark.parametrize(
    "wanted",
    [
        {"sensor": "cell-1", "kind": "cell"},
        {"sensor": "cell-1", "document": {}},
        {"kind": "cell", "document": {}},
        {"sensor": "cell-1", "kind": "cell", "document": "1.5"},
        {"sensor": 7, "kind": "cell", "act": "take-back"},
    ],
)
def test_half_a_calibration_is_refused(store: Store, make: SimpleNamespace, wanted: dict[str, object]) -> None:
    with pytest.raises(SetupError, match="allowed are sensor and kind in words"):
        keep_calibration(store, wanted, make.at(1))
    assert store.calibrations() == []
