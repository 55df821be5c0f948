"""What the book of sensors answers: which minutes, which place first, which value of several sensors."""

import math
from datetime import timedelta

import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.air.air_book import AirBook
from drymon.shop.air.sensors import minute_of
from tests.shop.invented_shop import BEGIN, SETUP, reading

START = minute_of(BEGIN)
T, RH, SURFACE = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.SURFACE


def say(
    book: AirBook, minute: float, value: float, quantity: Quantity = T, place: str = "room", sensor: str = ""
) -> None:
    book.enter(reading(BEGIN + timedelta(minutes=minute, seconds=10), quantity, value, place, sensor))


@pytest.mark.parametrize("back", [1, 3, 10])
def test_a_probe_is_the_mean_of_so_many_minutes_up_to_and_with_the_one_asked_for(back: int) -> None:
    """It warms by a tenth of a kelvin each minute: the mean of the last n lies half of n - 1 tenths behind."""
    book = AirBook(SETUP)
    for minute in range(40):
        say(book, minute, 15.0 + 0.1 * minute, SURFACE, "rack-a", "p-1")
    found = book.probe(("rack-a",), "p-1", START + 30, back)
    assert found == pytest.approx(18.0 - 0.05 * (back - 1))


def test_a_probe_that_is_silent_or_elsewhere_tells_nothing() -> None:
    book = AirBook(SETUP)
    for minute in range(5):
        say(book, minute, 15.0 + 0.1 * minute, SURFACE, "rack-b", "p-1")
    assert math.isnan(book.probe(("rack-a",), "p-1", START + 4, 10))
    assert math.isnan(book.probe(("rack-b",), "p-2", START + 4, 10))
    assert book.probe(("rack-a", "rack-b"), "p-1", START + 4, 10) == pytest.approx(15.2)
    assert book.probe(("rack-b",), "p-1", START + 13, 10) == pytest.approx(15.4)
    assert math.isnan(book.probe(("rack-b",), "p-1", START + 14, 10))


@pytest.mark.parametrize(("later", "fresh"), [(0, True), (4, True), (5, False), (-1, False)])
def test_a_value_holds_for_so_many_minutes_and_none_before_it_came(later: int, fresh: bool) -> None:
    book = AirBook(SETUP)
    say(book, 10, 21.0)
    found = book.value(("room",), T, START + 10 + later, 5)
    assert (found == 21.0) is fresh
    assert math.isnan(found) is not fresh


def test_the_first_place_with_anything_fresh_counts_and_the_middle_of_its_sensors() -> None:
    book = AirBook(SETUP)
    for sensor, value in (("one", 20.0), ("two", 21.0), ("three", 25.0)):
        say(book, 10, value, T, "rack-a", sensor)
    say(book, 10, 30.0)
    assert book.value(("rack-a", "room"), T, START + 10, 5) == 21.0
    assert book.value(("rack-b", "room"), T, START + 10, 5) == 30.0
    say(book, 16, 31.0)
    assert book.value(("rack-a", "room"), T, START + 16, 5) == 31.0
    assert math.isnan(book.value(("rack-a",), RH, START + 10, 5))


def test_coats_dry_in_the_humidity_of_the_first_place_that_has_any() -> None:
    book = AirBook(SETUP)
    say(book, 10, 55.0, RH)
    assert book.damp(("rack-a", "room"), START + 10, 5) == 55.0
    say(book, 11, 62.0, RH, "rack-a")
    assert book.damp(("rack-a", "room"), START + 11, 5) == 62.0
    assert math.isnan(book.damp(("rack-b",), START + 11, 5))


def test_the_newest_of_several_places_is_told_and_who_was_ever_heard() -> None:
    book = AirBook(SETUP)
    assert book.newest(("room", "rack-a"), T) == -math.inf
    assert not book.has_sensor(("room",), T)
    say(book, 3, 21.0)
    say(book, 7, 21.0, T, "rack-a")
    assert book.newest(("room", "rack-a"), T) == BEGIN.timestamp() + 7 * 60 + 10
    assert book.newest(("room",), T) == BEGIN.timestamp() + 3 * 60 + 10
    assert (book.has_sensor(("room",), T), book.has_sensor(("rack-b",), T)) == (True, False)
    assert book.has_sensor(("rack-b", "rack-a"), T)
