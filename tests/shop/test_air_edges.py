"""Where the rules of a room's air turn: whole spans, ends of spans, and what comes at one and the same second.

Spans and limits are those of docs/messages.md and docs/room.md.
"""

import math
from datetime import timedelta

import numpy as np
import pytest

from drymon.drying.quantities import Quantity
from drymon.shop.air.air_book import AirBook
from drymon.shop.air.digits import Around
from drymon.shop.air.heard import heard, too_dry
from drymon.shop.air.rack_air import RackAir
from drymon.shop.air.sensors import MinuteSeries, Track, minute_of
from drymon.shop.facts.measured import ByCloth, InItsPlace
from drymon.shop.facts.setup import Rack, RoomSetup
from tests.shop.invented_shop import BEGIN, SETUP, at, reading

T, RH, SPEED, PRESSURE = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.AIRFLOW, Quantity.PRESSURE
FIRST, START = minute_of(BEGIN), BEGIN.timestamp()
DAY_MIN = 24 * 60
STILL = (0.05, 0.2)


def track_of(*values: tuple[float, float], quantity: Quantity = T) -> Track:
    """A sensor that has said these: seconds since the beginning, value."""
    track = Track("room", quantity, "")
    for seconds, value in values:
        track.admit(reading(BEGIN + timedelta(seconds=seconds), quantity, value), Around)
    return track


# --- one sensor ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("back_min", "counts"), [(31 * DAY_MIN, True), (31 * DAY_MIN + 1, False)])
def test_a_late_reading_counts_as_far_back_as_31_days_before_the_first_hour(back_min: int, counts: bool) -> None:
    minutes, first = MinuteSeries(), FIRST - 60
    minutes.set(FIRST, 21.0)
    minutes.set(first - back_min, 20.0)
    assert (minutes.get(first - back_min) == 20.0) is counts
    assert minutes.get(FIRST) == 21.0


def test_a_month_of_air_is_there_however_long_the_room_runs() -> None:
    minutes = MinuteSeries()
    for day in range(90):
        minutes.set(FIRST + day * DAY_MIN, float(day))
    assert [minutes.get(FIRST + day * DAY_MIN) for day in range(59, 90)] == [float(day) for day in range(59, 90)]
    assert math.isnan(minutes.get(FIRST + 50 * DAY_MIN)), "and no more than that, for memory is small"


def test_a_minute_that_is_not_in_the_record_has_no_value() -> None:
    minutes = MinuteSeries()
    assert math.isnan(minutes.get(FIRST))
    minutes.set(FIRST, 21.0)
    known = [minute for minute in range(-2 * DAY_MIN, 2 * DAY_MIN) if not math.isnan(minutes.get(FIRST + minute))]
    assert known == [0]


def test_what_is_forgotten_begins_at_its_first_minute_and_ends_before_its_last() -> None:
    minutes = MinuteSeries()
    for minute in range(5):
        minutes.set(FIRST + minute, float(minute))
    minutes.forget(FIRST + 1, FIRST + 3)
    assert [minute for minute in range(5) if not math.isnan(minutes.get(FIRST + minute))] == [0, 3, 4]


def test_all_readings_of_a_minute_count_alike() -> None:
    track = track_of((0, 20.0), (10, 21.0), (20, 22.0), (59, 25.0), (60, 24.0))
    assert track.minutes.get(FIRST) == pytest.approx(22.0)
    assert track.minutes.get(FIRST + 1) == 24.0


def test_a_reading_two_hours_late_counts_beside_those_of_its_minute() -> None:
    track = track_of(*((60.0 * minute, 20.0 + 0.01 * (minute % 2)) for minute in range(240)))
    track.admit(reading(BEGIN + timedelta(minutes=130, seconds=30), T, 21.0), Around)
    assert track.minutes.get(FIRST + 130) == pytest.approx(20.5)


@pytest.mark.parametrize(
    ("quantity", "value", "state"),
    [(T, -10.0, "ok"), (T, -10.1, "out-of-range"), (T, 50.0, "ok"), (T, 50.1, "out-of-range"), (RH, 5.0, "ok"),
     (RH, 4.9, "out-of-range"), (RH, 100.0, "ok"), (RH, 100.1, "out-of-range")],
)  # fmt: skip
def test_both_ends_of_what_is_trusted_are_trusted(quantity: Quantity, value: float, state: str) -> None:
    assert track_of((0, value), quantity=quantity).state == state


@pytest.mark.parametrize(
    ("seconds", "value", "state"),
    [(0, 24.9, "ok"), (0, 25.1, "too-fast"), (60, 25.0, "ok"), (60, 25.1, "too-fast"), (120, 30.0, "ok")],
)
def test_five_kelvins_a_minute_are_believed_and_no_more(seconds: int, value: float, state: str) -> None:
    """Also of two readings of one second: they may both be of this minute."""
    track = track_of((0, 20.0), (seconds, value))
    assert track.state == state
    assert track.last is not None
    assert track.last.value == value, "the newer word of one second is the last"


def test_a_reading_from_before_the_last_is_held_against_nothing_and_is_not_the_last() -> None:
    track = track_of((600, 20.0), (300, 40.0))
    assert track.state == "ok"
    assert track.last is not None
    assert (track.last.value, track.minutes.get(FIRST + 5)) == (20.0, 40.0)


def test_after_a_retained_value_the_first_live_one_is_the_last_word() -> None:
    """Whatever its clock says: nobody knows how old a retained value is."""
    track = Track("room", T, "")
    track.admit(reading(at(1.0), T, 19.0, retained=True), Around)
    assert track.state == "retained"
    track.admit(reading(at(0.5), T, 20.0), Around)
    assert track.last is not None
    assert (track.last.value, track.state) == (20.0, "ok")
    track.admit(reading(at(2.0), T, 19.0, retained=True), Around)
    assert (track.last.value, track.state) == (20.0, "ok")


@pytest.mark.parametrize(
    ("value", "retained", "changed"), [(20.0, False, 0), (20.0, True, 1), (80.0, False, 1), (26.0, False, 1)]
)
def test_what_is_no_evidence_changes_no_minute(value: float, retained: bool, changed: int) -> None:
    """A retained value, one out of its range and one that leaps: nothing that was said has to be said anew."""
    track = track_of((0, 20.0))
    taken = track.admit(reading(BEGIN + timedelta(seconds=30), T, value, retained=retained), Around)
    assert taken.changed == FIRST + changed
    assert track.minutes.get(FIRST) == 20.0
    doubt, told_at = taken.doubted, BEGIN + timedelta(seconds=30)
    spans = [(doubt.first, doubt.last)] if doubt else []
    assert spans == ([] if value == 20.0 else [(told_at, told_at)]), "it alone"


def test_digits_that_stand_are_doubted_from_their_first_to_the_newest() -> None:
    """An hour and more of one temperature while the humidity goes up and down."""
    track, taken = Track("room", T, ""), None
    for minute in range(70):
        around = Around(40.0 + 10.0 * (minute % 8) / 7.0)
        taken = track.admit(reading(BEGIN + timedelta(minutes=minute), T, 21.5), lambda: around)  # noqa: B023
    assert taken is not None
    assert taken.doubted is not None
    assert (taken.doubted.code, taken.doubted.first, taken.doubted.last) == ("stuck", BEGIN, at(69 / 60))
    assert [math.isnan(track.minutes.get(FIRST + minute)) for minute in (0, 30, 69)] == [True] * 3


# --- a rack's air ----------------------------------------------------------------------------------------------------


def book_of(*said: tuple[float, Quantity, float], setup: RoomSetup = SETUP) -> AirBook:
    """A room's one sensor of each quantity: minute, quantity, value."""
    book = AirBook(setup)
    for minute, quantity, value in said:
        book.enter(reading(BEGIN + timedelta(minutes=minute), quantity, value))
    return book


def rack_air(book: AirBook, name: str = "rack-a", **more: object) -> RackAir:
    return RackAir(book, Rack(name, **more))


@pytest.mark.parametrize("early", [T, RH])
@pytest.mark.parametrize(("minute", "known"), [(7 * DAY_MIN - 1, True), (7 * DAY_MIN, False)])
def test_after_a_silence_the_last_air_of_a_week_is_gone_by(early: Quantity, minute: int, known: bool) -> None:
    """By neither where one of the two is older: a minute nobody measured, in air that may be like that."""
    later = RH if early is T else T
    air = rack_air(book_of((0.0, early, 30.0), (60.0, later, 40.0)))
    found = air.minute(FIRST + minute)
    assert not found.known
    assert (not math.isnan(found.temperature_c), not math.isnan(found.humidity_pct)) == (known, known)


@pytest.mark.parametrize(("after_s", "missing"), [(600.0, ()), (601.0, ("temperature", "humidity"))])
def test_a_reading_is_fresh_for_ten_minutes_to_the_second(after_s: float, missing: tuple[str, ...]) -> None:
    air = rack_air(book_of((0.0, T, 22.0), (0.0, RH, 45.0)))
    assert air.missing(START + after_s) == missing
    assert [air.awaits(quantity, START + after_s) for quantity in (T, RH)] == [bool(missing)] * 2
    assert not air.awaits(SPEED, START + after_s), "no air speed is waited for"


def test_what_is_missing_is_told_by_name_and_anew_with_each_reading() -> None:
    book = book_of((0.0, T, 22.0))
    air = rack_air(book)
    assert air.missing(START + 60.0) == ("humidity",)
    book.enter(reading(BEGIN, RH, 45.0))
    air.rework(FIRST)
    assert air.missing(START + 60.0) == ()


def test_the_air_now_is_what_is_heard_however_little() -> None:
    lone = rack_air(book_of((0.0, T, 22.0))).now(START + 70.0)
    assert (lone.temperature_c, lone.humidity_pct, lone.airflow_m_per_s) == (22.0, None, None)
    assert lone.airflow_assumed
    damp = rack_air(book_of((0.0, RH, 45.0), (0.0, SPEED, 1.5))).now(START + 70.0)
    assert (damp.temperature_c, damp.humidity_pct, damp.airflow_m_per_s) == (None, 45.0, 1.5)
    assert not damp.airflow_assumed
    whole = rack_air(book_of((0.0, T, 22.0), (0.0, RH, 45.0), (0.0, PRESSURE, 98_000.0))).now(START + 70.0)
    assert (whole.temperature_c, whole.humidity_pct, whole.pressure_pa) == (22.0, 45.0, 98_000.0)
    old = rack_air(book_of((0.0, PRESSURE, 98_000.0), (30.0, T, 22.0), (30.0, RH, 45.0))).now(START + 1870.0)
    assert old.pressure_pa is None


def test_the_fans_are_as_was_said_last_at_each_minute() -> None:
    air = rack_air(AirBook(SETUP))
    assert air.fan_on(FIRST) is None
    for minute, on in ((60, True), (10, False), (120, False)):
        air.fans_switched(FIRST + minute, on)
    told = [air.fan_on(FIRST + minute) for minute in (9, 10, 59, 60, 119, 120, 500)]
    assert told == [None, False, False, True, True, False, False]


def test_a_wet_cloth_speaks_for_the_fans_as_they_were_when_it_hung_there() -> None:
    with_fans, without = ByCloth(0.8, 1.2, BEGIN), ByCloth(0.1, 0.15, BEGIN)
    air = rack_air(AirBook(SETUP))
    air.measured({True: with_fans})
    assert air.cloth(FIRST) == with_fans, "where nobody said, they run"
    air.fans_switched(FIRST + 10, True)
    air.fans_switched(FIRST + 20, False)
    assert [air.cloth(FIRST + minute) for minute in (15, 25)] == [with_fans, None]
    air.measured({True: with_fans, False: without})
    assert air.cloth(FIRST + 25) == without


def test_a_dip_beside_a_wet_cloth_knows_what_was_assumed_and_what_the_cloth_told() -> None:
    air = rack_air(book_of((0.0, T, 22.0), (0.0, RH, 45.0)), airflow_assumed=(0.5, 2.0))
    assert air.place_by_cloth(FIRST) is None
    assert air.minute(FIRST).by_cloth is None
    air.measured({True: ByCloth(0.8, 1.2, BEGIN), False: ByCloth(0.1, 0.15, BEGIN)})
    assert air.place_by_cloth(FIRST) == InItsPlace((0.5, 2.0), (0.8, 1.2))
    minute = air.minute(FIRST)
    assert (minute.by_cloth, minute.range_of(True), minute.range_of(False)) == ((0.8, 1.2), (0.8, 1.2), (0.5, 2.0))
    air.fans_switched(FIRST, False)
    assert air.place_by_cloth(FIRST) == InItsPlace(STILL, (0.1, 0.15))
    air.book.enter(reading(BEGIN, SPEED, 1.0))
    assert air.place_by_cloth(FIRST) is None, "an anemometer says it better"


def test_air_comes_back_from_an_image_minute_for_minute() -> None:
    """Before the first reading, as measured, beside a wet cloth, and in a silence."""
    book = book_of((0.0, T, 24.0), (0.0, RH, 45.0), (0.0, PRESSURE, 98_000.0))
    air, again = rack_air(book), rack_air(book)
    air.measured({True: ByCloth(0.8, 1.2, BEGIN)})
    air.fans_switched(FIRST + 2, False)
    asked = [FIRST + minute for minute in (-5, 0, 1, 2, 30)]
    before = [air.minute(minute) for minute in asked]
    again.unpack(air.packed())
    for minute, one in zip(asked, before, strict=True):
        other = again.minute(minute)
        assert (other.known, other.by_cloth, other.drifted) == (one.known, one.by_cloth, one.drifted)
        assert (other.drive, other.pressure_pa) == (one.drive, one.pressure_pa)
        assert str(other.temperature_c) == str(one.temperature_c)
        for by_cloth in (False, True):
            assert np.mean(other.step_of(by_cloth).resistance) == np.mean(one.step_of(by_cloth).resistance)
    assert [one.by_cloth is not None for one in before] == [False, True, True, False, False]


def test_air_that_fell_silent_is_gone_by_minute_for_minute() -> None:
    air = rack_air(book_of((0.0, T, 22.0), (0.0, RH, 45.0)))
    for minute in range(40):
        found = air.minute(FIRST + minute)
        assert (found.known, found.temperature_c, found.humidity_pct) == (minute < 10, 22.0, 45.0)


def test_drier_and_faster_air_drives_more_water_out() -> None:
    def drive(humidity: float, speed: float) -> float:
        book = book_of((0.0, T, 22.0), (0.0, RH, humidity), (0.0, SPEED, speed))
        return rack_air(book).minute(FIRST).drive

    assert drive(45.0, 2.0) > 1.2 * drive(45.0, 1.0)
    assert drive(30.0, 1.0) > 1.2 * drive(45.0, 1.0)


def test_a_range_as_narrow_as_one_speed_drives_as_that_speed_does() -> None:
    """In whatever warmth and height."""
    setup = RoomSetup("shop", altitude_m=2000.0)
    air = rack_air(book_of((0.0, T, 30.0), (0.0, RH, 45.0), setup=setup), airflow_assumed=(1.0, 1.0))
    measured = rack_air(book_of((0.0, T, 30.0), (0.0, RH, 45.0), (0.0, SPEED, 1.0), setup=setup))
    assert air.minute(FIRST).drive == pytest.approx(measured.minute(FIRST).drive, rel=1e-3)


def test_what_was_worked_out_is_forgotten_from_the_minute_on_that_has_other_evidence() -> None:
    air = rack_air(book_of((0.0, T, 22.0), (0.0, RH, 45.0), (0.0, SPEED, 1.0)))
    for minute in range(3):
        air.minute(FIRST + minute)
    air.forget_from(FIRST + 1)
    for series in (air.temperature, air.ratio, air.speed):
        assert [math.isnan(series.get(FIRST + minute)) for minute in range(3)] == [False, True, True]


def test_a_humidity_that_parts_from_the_others_counts_as_they_say_and_is_shown_as_measured() -> None:
    book = AirBook(SETUP)
    for minute in range(0, 8 * 60, 10):
        wiggle = 0.01 * (minute // 10 % 2)
        for place, humidity in (("rack-a", 30.0), ("rack-b", 60.0)):
            for quantity, value in ((T, 22.0 + wiggle), (RH, humidity + wiggle)):
                book.enter(reading(BEGIN + timedelta(minutes=minute), quantity, value, place))
    book.cross_check.settle(FIRST + 8 * 60)
    for name, drifted, humidity in (("rack-a", True, 30.0), ("rack-b", False, 60.0)):
        air = rack_air(book, name)
        found = air.minute(FIRST + 7 * 60)
        assert (found.known, found.drifted) == (True, drifted)
        assert found.humidity_pct == pytest.approx(60.0, abs=0.1)
        assert air.now(START + 7 * 3600.0 + 60.0).humidity_pct == pytest.approx(humidity, abs=0.1)
        (told,) = (one for one in heard(book, START + 28_300.0) if one.place == name and one.quantity == "humidity")
        assert (told.state, told.value) == ("disagrees" if drifted else "ok", pytest.approx(humidity, abs=0.1))
        assert told.moved == pytest.approx(30.0 if drifted else 0.0, abs=0.1)


def test_a_word_on_the_fans_counts_from_its_minute_on() -> None:
    air = rack_air(book_of((0.0, T, 22.0), (0.0, RH, 45.0)), airflow_assumed=(0.5, 2.0))
    before = [air.minute(FIRST + minute).range_of(False) for minute in (0, 1, 2)]
    air.fans_switched(FIRST + 1, False)
    after = [air.minute(FIRST + minute).range_of(False) for minute in (0, 1, 2)]
    assert before == [(0.5, 2.0)] * 3
    assert after == [(0.5, 2.0), STILL, STILL]


# --- what is told of sensors -----------------------------------------------------------------------------------------


def test_sensors_are_told_in_order_with_what_they_said_last() -> None:
    book = book_of((1.0, RH, 45.0), (0.0, T, 22.0), (1.0, T, 22.5))
    told = [(one.quantity, one.value, one.state) for one in heard(book, START + 120.0)]
    assert told == [("humidity", 45.0, "ok"), ("temperature", 22.5, "ok")]
    silent = [(one.quantity, one.state) for one in heard(book, START + 3600.0)]
    assert silent == [("humidity", "silent"), ("temperature", "silent")]


def test_only_a_humidity_heard_live_can_be_too_dry() -> None:
    book = book_of((0.0, T, 22.0), (0.0, RH, 45.0))
    assert too_dry(book, reading(BEGIN, RH, 45.0)) is None
    assert too_dry(book, reading(BEGIN, T, 22.0)) is None
