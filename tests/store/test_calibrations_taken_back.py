"""A calibration taken back: it counts no more, the one before it does, and both acts stay on record."""

from types import SimpleNamespace

import pytest

from drymon.errors import SetupError
from drymon.store import Calibration, Store
from drymon.store.decisions import keep_calibration

CELL = {"sensor": "cell-1", "kind": "cell"}


def kept(store: Store, make: SimpleNamespace) -> list[Calibration]:
    """Two of one cell, one of another; the second of the first is the slip."""
    made = [Calibration(make.at(n), f"cell-{name}", "cell", {"gain": 1.0 + n}) for n, name in enumerate((1, 2, 1))]
    for one in made:
        store.add_calibration(one)
    return made


def test_the_one_before_holds_again_and_nothing_is_erased(store: Store, make: SimpleNamespace) -> None:
    first, other, slip = kept(store, make)
    said = keep_calibration(store, {"act": "take-back", **CELL, "by": "Ana"}, make.at(9))
    assert store.calibrations() == [first, other]
    assert f"that of {first.time:%Y-%m-%d %H:%M} UTC holds again" in said
    assert [(one.sensor, by) for one, by in store.calibrations_taken_back()] == [("cell-1", "Ana")]
    assert store.calibrations_taken_back()[0][0] == slip


def test_with_the_last_one_taken_back_readings_stay_as_they_come(store: Store, make: SimpleNamespace) -> None:
    _, other, _ = kept(store, make)
    for hour in (9, 10):
        said = keep_calibration(store, {"act": "take-back", **CELL, "by": "Ana"}, make.at(hour))
    assert store.calibrations() == [other]
    assert "taken as they come" in said
    with pytest.raises(SetupError, match="cell-1 has no calibration to take back"):
        keep_calibration(store, {"act": "take-back", **CELL, "by": "Ana"}, make.at(11))


def test_a_calibration_after_one_taken_back_counts(store: Store, make: SimpleNamespace) -> None:
    first, other, _ = kept(store, make)
    keep_calibration(store, {"act": "take-back", **CELL}, make.at(9))
    keep_calibration(store, {**CELL, "document": {"gain": 1.5}}, make.at(10))
    assert store.calibrations() == [first, other, Calibration(make.at(10), "cell-1", "cell", {"gain": 1.5})]
