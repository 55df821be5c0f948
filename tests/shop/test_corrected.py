"""Corrections: from when they hold, for which sensor."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.facts.corrected import Corrections, corrected
from drymon.shop.facts.reading import Reading

NOON = datetime(2031, 3, 3, 12, tzinfo=UTC)


@dataclass
class Kept:
    time: datetime
    sensor: str
    document: dict[str, object] = field(default_factory=dict)


def reading(value, time=NOON, place="rack-a", quantity=Quantity.HUMIDITY, sensor=""):
    return Reading(time, time, place, quantity, value, sensor)


CORRECTIONS = Corrections.of(
    [
        Kept(NOON - timedelta(days=2), "rack-a/humidity", {"gain": 1.0, "offset": -3.0}),
        Kept(NOON - timedelta(days=1), "rack-a/humidity", {"gain": 1.1, "offset": 0.0}),
        Kept(NOON - timedelta(days=1), "cell-1", {"gain": 0.5, "offset": 1.0}),
        Kept(NOON - timedelta(hours=9), "rack-a/humidity", {"gain": 1.0, "offset": -40.0, "good": False}),
        Kept(NOON - timedelta(days=1), "rack-b/humidity", {"note": "looked at only"}),
    ]
)


@pytest.mark.parametrize(
    ("asked", "value"),
    [
        (reading(50.0), 55.0),
        (reading(50.0, NOON - timedelta(days=1, hours=1)), 47.0),
        (reading(50.0, NOON - timedelta(days=3)), 50.0),
        (reading(50.0, place="rack-b"), 50.0),
        (reading(50.0, sensor="second"), 50.0),
        (reading(4.0, quantity=Quantity.WEIGHT, sensor="cell-1", place="rack-b"), 3.0),
    ],
)
def test_the_newest_correction_before_the_reading_holds(asked, value) -> None:
    assert corrected(asked, CORRECTIONS).value == pytest.approx(value)


def test_when_a_sensor_was_checked_and_whether_it_says_another_thing_since() -> None:
    two, one = NOON - timedelta(days=2), NOON - timedelta(days=1)
    assert CORRECTIONS.checked(Quantity.HUMIDITY, 50.0, 0.5) == [("rack-a", two, True), ("rack-a", one, True)]
    of_five = CORRECTIONS.checked(Quantity.HUMIDITY, 50.0, 5.0)
    assert [moved for _, _, moved in of_five] == [False, True], "3 points down, then 8 up"
    assert CORRECTIONS.checked(Quantity.TEMPERATURE, 22.0, 0.1) == []
    assert CORRECTIONS.checked(Quantity.WEIGHT, 1.0, 0.1) == [], "a cell's name is no place"
