"""A hygrometer that drifts is found by the other places' vapour pressure. Relative humidities of air of one vapour
pressure at another warmth are psychrolib's (ASHRAE).
"""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import psychrolib
import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.air.air_book import AirBook
from drymon.shop.air.sensors import minute_of
from drymon.shop.facts.outcome import Alert
from tests.shop.invented_shop import BEGIN, SETUP, Shop, reading

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
        heard.enter(reading(stamp, quantity, value, place.replace("_", "-")))


def flicker(minute: int) -> float:
    """A live sensor's last digit; one that stood still would be taken as stuck."""
    return 0.01 * (minute // 10 % 2)


def dry_drift(hour: float) -> float:
    """45 %RH, from the third day on a quarter of a point an hour too dry, eight points at the most."""
    return 45.0 - min(max(hour - 48.0, 0.0) * 0.25, 8.0)


def used(heard: AirBook, place: str, hour: float) -> float:
    """The humidity that coats dry in at an hour that lies behind."""
    heard.cross_check.settle(START + 60 * 24 * 30)
    return heard.damp((place,), START + round(60 * hour), 11)


def moved(heard: AirBook, place: str, hour: float) -> float:
    heard.cross_check.settle(START + round(60 * hour))
    return heard.cross_check.moved(place, "", START + round(60 * hour))


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
    assert heard.value(("rack-a",), RH, START + 5970, 11) == pytest.approx(37.0), "as measured"
    since = heard.cross_check.doubted_since("rack-a", "", START + 5970)
    assert since is not None
    assert 60.0 <= (since - START) / 60.0 <= 68.0  # 3 points after 12 h, seen over the last four


def test_of_two_that_part_nobody_knows_who_is_wrong_and_the_damper_counts() -> None:
    heard = book(100, rack_a=lambda hour: 90.0 - dry_drift(hour), rack_b=lambda _: 45.0)
    assert used(heard, "rack-a", 99.5) == 53.0
    assert used(heard, "rack-b", 99.5) == pytest.approx(53.0, abs=0.3)


def test_one_among_three_that_drifts_towards_damp_puts_no_other_in_doubt() -> None:
    heard = book(100, rack_a=lambda hour: 90.0 - dry_drift(hour), rack_b=lambda _: 45.0, room=lambda _: 44.0)
    assert used(heard, "rack-b", 99.5) == 45.0
    assert used(heard, "room", 99.5) == 44.0


def test_a_rack_that_gets_warmer_in_the_same_vapour_is_believed() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    vapour = psychrolib.GetVapPresFromRelHum(22.0, 0.45)
    heard = AirBook(SETUP)
    for minute in range(0, 6000, 10):
        warm = 22.0 if minute < 3000 else 28.0
        say(heard, "rack-a", minute, warm, 100.0 * psychrolib.GetRelHumFromVapPres(warm, vapour))
        say(heard, "rack-b", minute, 22.0, 45.0)
    assert moved(heard, "rack-a", 5990 / 60.0) == 0.0
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


def test_late_readings_make_no_difference() -> None:
    late = AirBook(SETUP)
    for minute in range(0, 6000, 10):
        say(late, "rack-a", minute, 22.0, dry_drift(minute / 60.0))
        late.cross_check.settle(START + minute)
    for minute in range(0, 6000, 10):  # the node of rack-b was out of reach until now
        say(late, "rack-b", minute, 22.0, 45.0)
    at_once = book(100, rack_a=dry_drift, rack_b=lambda _: 45.0)
    assert late.cross_check.settle(START + 5999) is not None, "what had been found before is no longer so"
    said = [[moved(heard, "rack-a", hour) for hour in (99, 66, 80, 10, 65)] for heard in (late, at_once)]
    assert said[0] == said[1]
    assert said[0][0] > 7.0
    assert said[0][3] == 0.0


@pytest.mark.parametrize("silent", ["rack-a", "rack-b"])
@pytest.mark.parametrize("hours", [1, 5, 30])
def test_silence_ends_no_doubt(silent: str, hours: int) -> None:
    heard = AirBook(SETUP)
    for minute in range(0, 6600, 10):
        for place, humidity in (("rack-a", dry_drift(minute / 60.0)), ("rack-b", 45.0)):
            if place != silent or not 70 <= minute / 60.0 < 70 + hours:
                say(heard, place, minute, 22.0, humidity)
    assert min(moved(heard, "rack-a", hour) for hour in range(70, 110)) > 4.0


def test_one_put_right_leaves_its_neighbour_believed() -> None:
    heard = book(200, rack_a=lambda hour: 39.0 if 48.0 <= hour < 150.0 else 45.0, rack_b=lambda _: 45.0)
    assert moved(heard, "rack-a", 149.0) == pytest.approx(6.0, abs=0.1)
    heard.cross_check.settle(START + 12_000)
    assert max(moved(heard, "rack-b", hour) for hour in range(200)) == 0.0
    assert moved(heard, "rack-a", 156.0) == 0.0


def test_a_calibration_of_its_own_place_ends_a_doubt_another_places_does_not() -> None:
    when = BEGIN + timedelta(hours=80)
    for place, after in (("rack-b", 6.0), ("rack-a", 0.0)):
        heard = book(120, rack_a=lambda hour: 39.0 if hour >= 48.0 else 45.0, rack_b=lambda h: 45.0 + 0.6 * (h > 80.0))
        heard.cross_check.begin_anew([(place, when, place == "rack-b")])
        assert moved(heard, "rack-a", 79.0) == pytest.approx(6.0, abs=0.1)
        assert moved(heard, "rack-a", 118.0) == pytest.approx(after, abs=0.7)


def test_sensors_of_one_place_are_told_apart() -> None:
    """Two that always differ: while one is silent the other has not drifted; where one drifts it alone is doubted."""
    heard = AirBook(SETUP)
    for minute in range(0, 6000, 10):
        stamp, hour = BEGIN + timedelta(minutes=minute), minute / 60.0
        say(heard, "rack-b", minute, 22.0, 45.0)
        say(heard, "rack-a", minute, 22.0, 41.0)
        if not 60.0 <= hour < 70.0:
            drift = dry_drift(max(hour - 25.0, 0.0)) - 45.0
            heard.enter(replace(reading(stamp, RH, 48.0 + drift, "rack-a"), sensor="second"))
    assert max(moved(heard, "rack-a", hour) for hour in range(100)) == 0.0
    heard.cross_check.settle(START + 6000)
    assert heard.cross_check.moved("rack-a", "second", START + 5990) > 3.0
    assert heard.cross_check.moved("rack-b", "", START + 5990) == 0.0


# Wrong from the first day


def test_places_ninety_points_apart_are_told_of_within_hours_and_nothing_is_called_ready_by_then() -> None:
    """Rack-a says 8 %RH, rack-b 98 %RH, from the first minute: one of them is wrong, and coats go by the damper."""
    shop = Shop(replace(SETUP, racks=SETUP.racks[:2]))
    shop.run(0.2, {T: 22.0, RH: 8.0, Quantity.AIRFLOW: 1.0}, "rack-a")
    shop.dip("t-1", "middle")
    for minute in range(10, 60 * 12, 10):
        for place, humidity in (("rack-a", 8.0), ("rack-b", 98.0)):
            air = {T: 22.0 + flicker(minute), RH: humidity + 10 * flicker(minute), Quantity.AIRFLOW: 1.0}
            shop.room.tell([reading(shop.now, quantity, value, place) for quantity, value in air.items()])
        shop.now += timedelta(minutes=10)
        shop.said += shop.room.advance(shop.now)
    told = next(one for one in shop.said if isinstance(one, Alert) and one.kind == "sensor-doubt")
    assert (told.subject, told.state) == ("rack-a", "raised")
    assert told.time - BEGIN < timedelta(hours=4)
    assert "90 points drier than the other places of the room say; its trees are reckoned at 98 %RH" in told.text
    assert {s.state for s in shop.room.standing().sensors if (s.place, s.quantity) == ("rack-a", "humidity")} == {
        "disagrees"
    }
    assert not [said for said in shop.verdicts("t-1") if said.safe_to_redip and said.time > told.time]
    assert shop.tree("t-1").dryness.best < 0.7


@pytest.mark.parametrize(("dry", "points"), [(26.0, 0.0), (24.0, 21.0)])
def test_twenty_points_apart_is_the_limit_and_the_first_two_hours_say_so(dry: float, points: float) -> None:
    heard = book(8, rack_a=lambda _: dry, rack_b=lambda _: 45.0)
    assert moved(heard, "rack-a", 1.9) == 0.0
    assert moved(heard, "rack-a", 2.1) == pytest.approx(points, abs=0.1)
    assert moved(heard, "rack-b", 2.1) == 0.0
    assert used(heard, "rack-a", 0.5) == pytest.approx(dry + points, abs=0.1), "the hours that showed it as well"


def test_the_first_minute_of_which_something_else_is_found_is_told_once() -> None:
    """From there on trees are judged anew, and no further back: for places apart from the hours that showed it."""
    heard = book(12, rack_a=lambda hour: 45.0 if hour < 6 else 24.0, rack_b=lambda _: 45.0)
    assert heard.cross_check.settle(START + 7 * 60 + 59) is None
    assert heard.cross_check.settle(START + 8 * 60) == START + 6 * 60
    assert heard.cross_check.settle(START + 8 * 60 + 1) is None


def test_apart_it_stays_doubted_until_it_is_near_again() -> None:
    heard = book(20, rack_a=lambda hour: 20.0 if hour < 6 else 28.0 if hour < 12 else 32.0, rack_b=lambda _: 45.0)
    assert [moved(heard, "rack-a", hour) for hour in (5.5, 10.5, 14.5)] == pytest.approx([25.0, 17.0, 0.0], abs=0.1)


def test_a_place_that_has_been_checked_may_be_as_dry_as_it_says() -> None:
    heard = book(30, rack_a=lambda _: 20.0, rack_b=lambda _: 45.0)
    heard.cross_check.begin_anew([("rack-a", BEGIN + timedelta(hours=10), False)])
    assert moved(heard, "rack-a", 9.5) == pytest.approx(25.0, abs=0.1)
    assert moved(heard, "rack-a", 12.0) == 0.0
    heard.cross_check.begin_anew([("rack-b", BEGIN + timedelta(hours=10), False)])
    assert moved(heard, "rack-a", 12.0) == pytest.approx(25.0, abs=0.1)


def test_of_three_places_the_dry_pair_is_believed() -> None:
    heard = book(8, rack_a=lambda _: 40.0, rack_b=lambda _: 42.0, room=lambda _: 90.0)
    assert used(heard, "rack-a", 7.5) == 40.0


def heard_by(shop: Shop, hours: range, rack_a: Callable[[float], float]) -> None:
    """Hours of two racks, a reading each ten minutes; rack-b at 45 %RH."""
    for minute in range(60 * hours.start, 60 * hours.stop, 10):
        for place, humidity in (("rack-a", rack_a(minute / 60.0)), ("rack-b", 45.0)):
            air = {T: 22.0 + flicker(minute), RH: humidity, Quantity.AIRFLOW: 1.0}
            shop.room.tell([reading(shop.now, quantity, value, place) for quantity, value in air.items()])
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
    assert re.search(
        r"humidity 41[.]?\d* %RH, [34] points drier against the other sensors than in the week", told[0].text
    )
    assert re.search(r"its trees are reckoned at 4[45] %RH meanwhile", told[0].text)
    states = {(s.place, s.quantity): s.state for s in drifting.room.standing().sensors}
    assert states["rack-a", "humidity"] == "drifted"
    measured = drifting.room.air["rack-a"].now(drifting.now.timestamp()).humidity_pct
    assert measured == pytest.approx(dry_drift(91.0), abs=0.1), "said as it is measured: bands are judged by that"
    assert states["rack-b", "humidity"] == "ok"


def test_told_late_of_another_place_the_air_is_what_a_restart_finds() -> None:
    """Readings of rack-b that come a day late say that rack-a's had drifted: its tree has dried in damper air."""
    at_once, late = (Shop(replace(SETUP, racks=SETUP.racks[:2])) for _ in range(2))
    for shop in (at_once, late):
        for minute in range(0, 60 * 96, 10):
            if minute == 60 * 95:
                shop.dip("t-1", "middle")
            for place, humidity in (("rack-a", dry_drift(minute / 60.0)), ("rack-b", 45.0)):
                air = {T: 22.0 + flicker(minute), RH: humidity, Quantity.AIRFLOW: 1.0}
                if shop is at_once or place == "rack-a" or minute < 60 * 60:
                    shop.room.tell([reading(shop.now, quantity, value, place) for quantity, value in air.items()])
            shop.now += timedelta(minutes=10)
            shop.said += shop.room.advance(shop.now)
    before = late.tree("t-1").dryness.best
    for minute in range(60 * 60, 60 * 96, 10):
        stamp = BEGIN + timedelta(minutes=minute)
        for quantity, value in ((T, 22.0 + flicker(minute)), (RH, 45.0)):
            late.room.tell([replace(reading(stamp, quantity, value, "rack-b"), arrived=late.now)])
    for shop in (at_once, late):
        shop.now += timedelta(minutes=5)
        shop.said += shop.room.advance(shop.now)
    gone = [shop.tree("t-1").dryness.best for shop in (at_once, late)]
    assert gone[1] == pytest.approx(gone[0], abs=1e-4)
    assert before > gone[1] + 0.005
