"""A rack's air by the minute."""

from datetime import timedelta

import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.air.air_book import AirBook
from drymon.shop.air.rack_air import RackAir
from drymon.shop.air.sensors import minute_of
from drymon.shop.facts.setup import Rack
from tests.shop.invented_shop import BEGIN, SETUP, STEADY, reading

FIRST = minute_of(BEGIN)


def test_each_minute_has_its_own_pressure_in_whatever_order_they_are_asked_for() -> None:
    book = AirBook(SETUP)
    air = RackAir(book, Rack("rack-a"))
    for minute, pressure in ((0, 101_000.0), (1, 100_000.0)):
        for quantity, value in {**STEADY, Quantity.PRESSURE: pressure}.items():
            book.enter(reading(BEGIN + timedelta(minutes=minute, seconds=5), quantity, value))
    assert [air.minute(FIRST + minute).pressure_pa for minute in (1, 0, 1)] == [100_000.0, 101_000.0, 100_000.0]


def test_without_a_barometer_the_height_above_the_sea_tells() -> None:
    """89875 Pa at 1000 m: the ICAO standard atmosphere, as printed."""
    air = RackAir(AirBook(type(SETUP)("shop", altitude_m=1000.0)), Rack("rack-a"))
    assert air.minute(FIRST).pressure_pa == pytest.approx(89_875.0, rel=1e-3)
