"""A batch of messages: what is said at its end and what is not, what people did, which sensors were checked."""

import json
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

import pytest

from drymon.drying.quantities import Quantity
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service.pipeline import Pipeline
from drymon.shop.air.cross_check import CrossCheck
from drymon.shop.alarms.alarm_acts import acknowledge
from drymon.shop.alarms.alarm_book import AlarmState
from drymon.shop.facts.outcome import Outcome
from drymon.shop.fold.room import Room
from drymon.store import Calibration
from tests.service.test_pipeline import NO_PAGE, at, log, shown

TREE = "drymon/shop/out/tree/t-1"


def states(said: Iterable[Message]) -> list[str]:
    """What is said of the tree t-1, in order."""
    return [json.loads(message.payload)["state"] for message in said if message.topic == TREE]


def humidity(minute: float, payload: bytes = b"45") -> Message:
    return Message(at(minute), "drymon/shop/rack-a/humidity", payload)


def hung(pipeline: Pipeline) -> None:
    """Air that is known, and a tree in it."""
    air = [Message(at(0.5), "drymon/shop/rack-a/temperature", b"22"), humidity(0.5)]
    pipeline.batch(air)
    log(pipeline, 0.6, "dip", rack="rack-a", coat="backup")


def test_a_tree_is_judged_again_at_a_batch_s_end_only_where_that_is_asked_for(pipeline: Pipeline) -> None:
    hung(pipeline)
    assert states(pipeline.batch([], at(1.5))) == []
    assert states(pipeline.batch([humidity(1.6)])) == []
    assert len(states(pipeline.batch([], at(1.7), anew=True))) == 1
    assert len(states(pipeline.batch([humidity(1.8)], anew=True))) == 1
    assert pipeline.batch([], anew=True) == [], "of no time nothing can be said"


def test_weighed_water_has_every_tree_judged_at_once(pipeline: Pipeline) -> None:
    """A model of a coat or the air of a rack has changed: nobody waits five minutes for what it means."""
    hung(pipeline)
    cloth = Calibration(at(1), "rack-a/wet-cloth", "wet-cloth", {"low": 0.2, "high": 0.3})
    pipeline.store.add_calibration(cloth)
    assert len(states(pipeline.batch([], at(1.5)))) == 1
    assert states(pipeline.batch([], at(1.6))) == []


@pytest.mark.parametrize("payload", [b"46", b"nonsense"])
def test_between_minutes_only_an_event_has_anything_judged(
    pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch, payload: bytes
) -> None:
    """Neither a reading nor what cannot be read does: replays and images go by the same instants."""
    hung(pipeline)
    judged: list[datetime] = []
    judge_now = Room.judge_now

    def noted(room: Room, now: datetime) -> list[Outcome]:
        judged.append(now)
        return judge_now(room, now)

    monkeypatch.setattr(Room, "judge_now", noted)
    pipeline.batch([humidity(1.2, payload)])
    assert judged == []
    log(pipeline, 1.3, "felt", finding="wet")
    assert judged == [at(1.3)]


def test_what_a_person_did_with_an_alarm_stands_in_the_room_at_once(pipeline: Pipeline) -> None:
    (said,) = pipeline.report([NO_PAGE], at(1))
    alarm = json.loads(said.payload)["id"]
    pipeline.act(lambda book: acknowledge(book, alarm, "Ana", at(2)), at(2), alarm, "acknowledge", "Ana")
    (entry,) = pipeline.room.alarm_book.standing()
    assert pipeline.room.alarm_book.state(entry) is AlarmState.ACKNOWLEDGED
    pipeline.batch([humidity(3)])
    (kept,) = pipeline.store.alarm_book().standing()
    assert kept.acknowledged_by == "Ana"


@pytest.mark.parametrize(
    ("quantity", "gain", "offset", "moved"),
    [
        ("temperature", 1.03, -0.48, False),  # 0.18 K more at 22 degC, 0.3 K more at 27
        ("temperature", 1.03, -0.44, True),
        ("humidity", 1.04, -1.52, False),  # 0.48 points more at 50 %RH, a whole one at 62
        ("humidity", 1.04, -1.48, True),
    ],
)
def test_a_sensor_says_another_thing_from_a_fifth_of_a_kelvin_or_half_a_point_on(
    pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch, quantity: str, gain: float, offset: float, moved: bool
) -> None:
    """In the air of a usual room; less is what any check finds."""
    told: list[tuple[str, object, bool]] = []
    monkeypatch.setattr(CrossCheck, "begin_anew", lambda _, calibrated: told.extend(calibrated))
    pipeline.store.add_calibration(Calibration(at(1), f"rack-a/{quantity}", quantity, {"gain": gain, "offset": offset}))
    pipeline.batch([humidity(2)])
    assert told == [("rack-a", at(1), moved)]


def test_a_start_corrects_what_it_reads_again(pipeline: Pipeline, tmp_path: Path) -> None:
    """Without an image, from the record alone: 23 degC shown by a thermometer 1 K high are 22."""
    document = {"gain": 1.0, "offset": -1.0}
    pipeline.store.add_calibration(Calibration(at(0), "rack-a/temperature", "temperature", document))
    assert shown(pipeline, 1, "23") == 22.0
    again = Pipeline(load_home(tmp_path / "home"), {}, pipeline.store)
    again.resume()
    last = again.room.book.tracks["rack-a", Quantity.TEMPERATURE, ""].last
    assert last is not None
    assert last.value == 22.0


def test_a_start_from_an_older_image_throws_away_all_for_they_share_their_parts(
    pipeline: Pipeline, tmp_path: Path
) -> None:
    for minute in (1, 2):
        pipeline.batch([humidity(minute)], at(minute))
        assert pipeline.keep_image()
    db = pipeline.store._db
    db.execute("UPDATE image SET checksum = x'00' WHERE id = (SELECT max(id) FROM image)")
    again = Pipeline(load_home(tmp_path / "home"), {}, pipeline.store)
    again.resume()
    assert db.row("SELECT count(*) FROM image") == (0,)
    assert again.room.at == pipeline.room.at
    assert again.keep_image()
    Pipeline(load_home(tmp_path / "home"), {}, pipeline.store).resume()
    assert db.row("SELECT count(*) FROM image") == (1,), "the newest did"


@pytest.mark.parametrize(("cleared", "will_do"), [("<= 2", True), ("<= 3", False)])
def test_an_image_is_of_no_use_where_messages_since_then_have_been_cleared_away(
    pipeline: Pipeline, cleared: str, will_do: bool
) -> None:
    for minute in (1, 2):
        pipeline.batch([humidity(minute)], at(minute))
    assert pipeline.keep_image()
    for minute in (3, 4):
        pipeline.batch([humidity(minute)], at(minute))
    pipeline.store._db.execute(f"DELETE FROM message WHERE id {cleared}")
    version = pipeline.store._row("SELECT version FROM image")
    assert version is not None
    ((_, image),) = pipeline.store.images(version[0])
    assert (image is not None) is will_do


def test_a_room_too_large_for_an_image_says_so(
    pipeline: Pipeline, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    pipeline.batch([humidity(1)])
    assert pipeline.keep_image() is True
    monkeypatch.setattr("drymon.store.images.MOST_BYTES", 10)
    assert pipeline.keep_image() is False
    assert "too large for an image" in caplog.text
    monkeypatch.setattr("drymon.service.room_images.RoomImages.keep", lambda *_: 1 / 0)
    assert pipeline.keep_image() is False
    assert "no image of the room can be kept" in caplog.text
