"""What the room does not believe the record does not believe either, reading by reading."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from drymon.drying.quantities import Quantity
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service.pipeline import Pipeline
from drymon.store import Calibration
from drymon.store.history import Channel

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)


def said(minute: float, quantity: str, value: float, place: str = "rack-a") -> Message:
    return Message(BEGIN + timedelta(minutes=minute), f"drymon/shop/{place}/{quantity}", str(value).encode())


def morning(stuck_from: int, stuck_to: int, end: int) -> Iterator[Message]:
    """Humidity and temperature by the minute; from `stuck_from` to `stuck_to` humidity rests while the room warms."""
    for minute in range(end):
        resting = stuck_from <= minute < stuck_to
        yield said(minute, "temperature", 20 + minute / 20)
        yield said(minute + 0.1, "humidity", 45.0 if resting else 44 + minute % 10 / 20)


def believed(pipeline: Pipeline, quantity: Quantity) -> list[int]:
    """Minutes since the beginning of which the record has readings that are not doubted."""
    readings = pipeline.store.readings(place="rack-a", quantity=quantity.value, doubted=False)
    return sorted({int((reading.time - BEGIN) / timedelta(minutes=1)) for reading in readings})


def evidence(pipeline: Pipeline, quantity: Quantity, end: int) -> list[int]:
    """Minutes since the beginning of which the room has evidence."""
    track = pipeline.room.book.tracks["rack-a", quantity, ""]
    first = int(BEGIN.timestamp() // 60)
    return [minute for minute in range(end) if track.minutes.get(first + minute) == track.minutes.get(first + minute)]


def test_stuck_digits_are_doubted_from_the_first_of_them_on_and_in_one_span(pipeline: Pipeline) -> None:
    pipeline.batch(morning(10, 90, 100))
    assert believed(pipeline, Quantity.HUMIDITY) == [*range(10), *range(90, 100)]
    assert evidence(pipeline, Quantity.HUMIDITY, 100) == [*range(10), *range(90, 100)]
    (doubt,) = pipeline.store.doubts()
    assert (doubt.channel, doubt.code) == (Channel("rack-a", "humidity"), "stuck")
    assert (doubt.first, doubt.last) == (BEGIN + timedelta(minutes=10.1), BEGIN + timedelta(minutes=89.1))


def test_stuck_digits_leave_the_roll_ups_that_they_were_in(pipeline: Pipeline) -> None:
    for message in morning(10, 90, 90):
        pipeline.batch([message])
        pipeline.store.roll_up(message.arrived)
    span = BEGIN, BEGIN + timedelta(minutes=120), timedelta(minutes=1)
    rolled = [bucket.start for bucket in pipeline.store.series(Channel("rack-a", "humidity"), *span)]
    assert rolled == [BEGIN + timedelta(minutes=minute) for minute in range(10)]


def days_apart(hours: int) -> Iterator[Message]:
    """Two racks, a reading each ten minutes; from the third day on rack-a's humidity reads six points too dry."""
    for minute in range(0, 60 * hours, 10):
        for place, humidity in (("rack-a", 45.0 if minute < 48 * 60 else 39.0), ("rack-b", 46.0)):
            yield said(minute, "temperature", 22.0 + minute // 10 % 2 / 100, place)
            yield said(minute + 0.1, "humidity", humidity, place)


def test_a_humidity_that_has_drifted_is_doubted_in_one_span_and_stays_as_it_was_measured(pipeline: Pipeline) -> None:
    pipeline.batch(days_apart(60))
    (doubt,) = pipeline.store.doubts()
    assert (doubt.channel, doubt.code) == (Channel("rack-a", "humidity"), "drifted")
    assert timedelta(hours=50) <= doubt.first - BEGIN <= timedelta(hours=53)
    assert doubt.last - BEGIN == timedelta(minutes=59 * 60 + 50.1)
    assert max(believed(pipeline, Quantity.HUMIDITY)) == 59 * 60 + 50, "pictures and reports show what was measured"
    pipeline.store.roll_up(BEGIN + timedelta(hours=61))
    hours = pipeline.store.series(doubt.channel, BEGIN, BEGIN + timedelta(hours=60), timedelta(hours=1))
    assert [round(hour.mean, 6) for hour in hours] == [45.0] * 48 + [39.0] * 12
    air = pipeline.room.air["rack-a"]
    assert air.now((BEGIN + timedelta(hours=60)).timestamp()).humidity_pct == 39.0
    assert abs(air.minute(int((BEGIN + timedelta(hours=60)).timestamp() // 60) - 1).humidity_pct - 45.0) < 0.1


def test_started_again_it_has_still_drifted(pipeline: Pipeline, tmp_path: Path) -> None:
    pipeline.batch(days_apart(60))
    again = Pipeline(load_home(tmp_path / "home"), {}, pipeline.store)
    again.resume()
    minute = int((BEGIN + timedelta(hours=60)).timestamp() // 60) - 1
    moved = [one.room.book.cross_check.moved("rack-a", "", minute) for one in (pipeline, again)]
    assert moved[0] == moved[1] > 5.0


def test_a_calibration_that_moves_a_sensor_begins_the_comparison_anew(pipeline: Pipeline) -> None:
    """Five points more at rack-a for good: rack-b must not be taken for one that has drifted towards dry."""
    rest = [message for message in days_apart(84) if "rack-b" in message.topic or "temperature" in message.topic]
    wet = [said(minute + 0.1, "humidity", 45.0) for minute in range(0, 84 * 60, 10)]
    messages = sorted([*rest, *wet], key=lambda message: message.arrived)
    half = len(messages) * 5 // 7
    pipeline.batch(messages[:half])
    document = {"gain": 1.0, "offset": 5.0}
    pipeline.store.add_calibration(Calibration(messages[half].arrived, "rack-a/humidity", "humidity", document))
    pipeline.batch(messages[half:])
    assert list(pipeline.store.doubts()) == []
    air = pipeline.room.air["rack-a"].now((BEGIN + timedelta(hours=84)).timestamp())
    assert air.humidity_pct == 50.0


def test_every_impossible_reading_of_one_pack_is_marked(pipeline: Pipeline) -> None:
    pack = [
        {"bn": "urn:dev:ow:10e2073a01080063:", "bt": BEGIN.timestamp(), "n": "temperature", "u": "Cel", "v": 60.0},
        {"n": "temperature", "u": "Cel", "v": 61.0, "t": 60},
        {"n": "temperature", "u": "Cel", "v": 22.0, "t": 120},
    ]
    arrived = BEGIN + timedelta(minutes=3)
    pipeline.batch([Message(arrived, "drymon/shop/rack-a/senml", json.dumps(pack).encode())])
    assert [reading.value for reading in pipeline.store.readings()] == [60.0, 61.0, 22.0]
    assert [reading.value for reading in pipeline.store.readings(doubted=False)] == [22.0]


def test_an_impossible_reading_that_comes_late_is_marked(pipeline: Pipeline) -> None:
    pipeline.batch([said(30, "temperature", 22.0)])
    late = json.dumps({"value": 60.0, "time": BEGIN.isoformat()}).encode()
    pipeline.batch([Message(BEGIN + timedelta(minutes=31), "drymon/shop/rack-a/temperature", late)])
    assert [(doubt.code, doubt.first) for doubt in pipeline.store.doubts()] == [("out-of-range", BEGIN)]
    assert believed(pipeline, Quantity.TEMPERATURE) == [30] == evidence(pipeline, Quantity.TEMPERATURE, 40)


def test_a_reading_that_comes_late_into_stuck_digits_is_no_evidence(pipeline: Pipeline) -> None:
    pipeline.batch(morning(10, 90, 90))
    moment = BEGIN + timedelta(minutes=50, seconds=30)
    late = json.dumps({"value": 45.0, "time": moment.isoformat()}).encode()
    pipeline.batch([Message(BEGIN + timedelta(minutes=90), "drymon/shop/rack-a/humidity", late)])
    assert believed(pipeline, Quantity.HUMIDITY) == [*range(10)] == evidence(pipeline, Quantity.HUMIDITY, 100)
