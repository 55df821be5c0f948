"""A hygrometer that drifts is found by the other places' vapour pressure. Relative humidities of air of one vapour
pressure at another warmth are psychrolib's (ASHRAE).
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import psychrolib
import pytest
from invented_shop import BEGIN, SETUP, Shop, reading

from drymon.drying.quantities import Quantity
from drymon.shop.air import AirBook
from drymon.shop.outcome import Alert
from drymon.shop.sensors import minute_of

T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
START = minute_of(BEGIN)


def book(hours: int, *, every_min: int = 10, **humidity: Callable[[float], float]) -> AirBook:
    """Hours of air near 22 degC at these places (rack_a=...), their humidity a function of the hour."""
    heard = AirBook(SETUP)
    for minute in range(0, 60 * hours, every_min):
        for place, at in humidity.items():
            say(heard, place, minute, 22.0, at(minute / 60.0))
    return heard


def say(heard: AirBook, place: str, minute: int, temperature: float, humidity: float) -> None:
    stamp = BEGIN + timedelta(minutes=minute)
    for quantity, value in ((T, temperature + flicker(minute)), (RH, humidity)):
        heard.take(reading(stamp, quantity, value, place.replace("_", "-")))


def flicker(minute: int) -> float:
    """A live sensor's last digit; one that stood still would be taken as stuck."""
    return 0.01 * (minute // 10 % 2)


def dry_drift(hour: float) -> float:
    """45 %RH, from the third day on a quarter of a point an hour too dry, eight points at the most."""
    return 45.0 - min(max(hour - 48.0, 0.0) * 0.25, 8.0)


def used(heard: AirBook, place: str, hour: float) -> float:
    return heard.value((place,), RH, START + round(60 * hour), 11)


def test_sensors_that_always_differ_are_believed() -> None:
    heard = book(100, rack_a=lambda _: 40.0, rack_b=lambda _: 46.0)
    assert used(heard, "rack-a", 99.5) == 40.0
    assert used(heard, "rack-b", 99.5) == 46.0


def test_a_room_that_gets_drier_as_a_whole_is_believed() -> None:
    heard = book(100, rack_a=dry_drift, rack_b=lambda hour: dry_drift(hour) + 2.0)
    assert used(heard, "rack-a", 99.5) == pytest.approx(37.0)


@pytest.mark.parametrize("others", [("rack_b",), ("rack_b", "room")])
def test_one_that_drifts_towards_dry_counts_as_damp_as_the_others_say(others: tuple[str, ...]) -> None:
    heard = book(100, rack_a=dry_drift, **dict.fromkeys(others, lambda _: 45.0))
    assert used(heard, "rack-a", 55.0) == pytest.approx(45.0, abs=2.0)
    assert used(heard, "rack-a", 70.0) == pytest.approx(45.0, abs=1.0)
    assert used(heard, "rack-a", 99.5) == pytest.approx(45.0, abs=0.3)
    assert used(heard, "rack-b", 99.5) == 45.0
    since = heard.cross_check.apart_since("rack-a", START + 5970)
    assert since is not None
    assert 60.0 <= (since - START) / 60.0 <= 68.0  # 3 points after 12 h, seen over the last four


def test_of_two_that_part_nobody_knows_who_is_wrong_and_the_damper_counts() -> None:
    heard = book(100, rack_a=lambda hour: 90.0 - dry_drift(hour), rack_b=lambda _: 45.0)
    assert used(heard, "rack-a", 99.5) == 53.0
    assert used(heard, "rack-b", 99.5) == pytest.approx(53.0, abs=0.3)


def test_one_among_three_that_drifts_towards_damp_moves_the_others_by_half_at_the_most() -> None:
    heard = book(100, rack_a=lambda hour: 90.0 - dry_drift(hour), rack_b=lambda _: 45.0, room=lambda _: 45.0)
    assert used(heard, "rack-b", 99.5) == pytest.approx(49.0, abs=0.3)


def test_a_rack_that_gets_warmer_in_the_same_vapour_is_believed() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    vapour = psychrolib.GetVapPresFromRelHum(22.0, 0.45)
    heard = AirBook(SETUP)
    for minute in range(0, 6000, 10):
        warm = 22.0 if minute < 3000 else 28.0
        say(heard, "rack-a", minute, warm, 100.0 * psychrolib.GetRelHumFromVapPres(warm, vapour))
        say(heard, "rack-b", minute, 22.0, 45.0)
    assert heard.cross_check.moved("rack-a", START + 5990) == 0.0
    assert used(heard, "rack-a", 99.5) == pytest.approx(31.5, abs=0.5)


def test_back_with_the_others_it_is_believed_again() -> None:
    heard = book(120, rack_a=lambda hour: dry_drift(hour) if hour < 90.0 else 44.0, rack_b=lambda _: 45.0)
    assert used(heard, "rack-a", 89.5) > 44.0
    assert used(heard, "rack-a", 119.5) == 44.0


def test_after_a_week_where_it_stands_is_where_it_usually_stands() -> None:
    """A sensor put in another's place differs for good: told of for a week, then believed."""
    heard = book(24 * 12, every_min=20, rack_a=lambda hour: 45.0 if hour < 72.0 else 40.0, rack_b=lambda _: 45.0)
    assert used(heard, "rack-a", 24 * 7) == pytest.approx(45.0)
    assert used(heard, "rack-a", 24 * 12 - 1) == 40.0


def test_a_day_is_too_little_to_know_where_a_place_usually_stands() -> None:
    heard = book(27, rack_a=lambda hour: 45.0 if hour < 20.0 else 35.0, rack_b=lambda _: 45.0)
    assert used(heard, "rack-a", 26.5) == 35.0


def test_alone_in_a_room_a_sensor_is_believed() -> None:
    assert used(book(100, room=dry_drift), "room", 99.5) == pytest.approx(37.0)


def test_hours_asked_for_in_any_order_and_late_readings_make_no_difference() -> None:
    minute_by_minute, late = AirBook(SETUP), AirBook(SETUP)
    for minute in range(0, 6000, 10):
        say(minute_by_minute, "rack-a", minute, 22.0, dry_drift(minute / 60.0))
        say(minute_by_minute, "rack-b", minute, 22.0, 45.0)
        minute_by_minute.cross_check.moved("rack-a", START + minute)
        say(late, "rack-a", minute, 22.0, dry_drift(minute / 60.0))
        late.cross_check.moved("rack-a", START + minute)
    for minute in range(0, 6000, 10):  # the node of rack-b was out of reach until now
        say(late, "rack-b", minute, 22.0, 45.0)
    at_once = book(100, rack_a=dry_drift, rack_b=lambda _: 45.0)
    hours = (99, 66, 80, 10, 65)
    said = [[heard.cross_check.moved("rack-a", START + 60 * hour) for hour in hours] for heard in (late, at_once)]
    assert said[0] == said[1] == [minute_by_minute.cross_check.moved("rack-a", START + 60 * hour) for hour in hours]
    assert said[0][0] > 7.0
    assert said[0][3] == 0.0


def heard_by(shop: Shop, hours: range, rack_a: Callable[[float], float]) -> None:
    """Hours of two racks, a reading each ten minutes; rack-b at 45 %RH."""
    for minute in range(60 * hours.start, 60 * hours.stop, 10):
        for place, humidity in (("rack-a", rack_a(minute / 60.0)), ("rack-b", 45.0)):
            air = {T: 22.0 + flicker(minute), RH: humidity, Quantity.AIRFLOW: 1.0}
            shop.room.take([reading(shop.now, quantity, value, place) for quantity, value in air.items()])
        shop.now += timedelta(minutes=10)
        shop.said += shop.room.advance(shop.now)


def test_the_shop_is_told_and_the_tree_dries_in_the_damper_air() -> None:
    true, drifting = (Shop(replace(SETUP, racks=SETUP.racks[:2])) for _ in range(2))
    for shop, humidity in ((true, lambda _: 45.0), (drifting, dry_drift)):
        heard_by(shop, range(90), humidity)
        shop.dip("t-1", "middle")
        heard_by(shop, range(90, 91), humidity)
    gone = [shop.tree("t-1").dryness.best for shop in (true, drifting)]
    assert 0.2 < gone[0] < 0.98
    assert gone[1] == pytest.approx(gone[0], abs=0.003)
    told = [one for one in drifting.said if isinstance(one, Alert) and one.kind == "sensor-doubt"]
    assert [(one.subject, one.state) for one in told][:1] == [("rack-a", "raised")]
    assert "%RH, drier against the other places than it used to be" in told[0].text
    states = {(s.place, s.quantity): s.state for s in drifting.room.standing().sensors}
    assert states["rack-a", "humidity"] == "apart"
    assert states["rack-b", "humidity"] == "ok"
