"""The road message by message, without a broker: what is written, and when it counts."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drymon.drying.quantities import Quantity
from drymon.errors import StoreError
from drymon.messages.coat_models import load_models
from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service.pipeline import Pipeline
from drymon.shop.alarms.alarm_acts import acknowledge, acknowledge_over
from drymon.shop.alarms.alarm_book import AlarmBook, AlarmState, Condition, Key, Truth
from drymon.store import Calibration, Store
from tests.service.conftest import make_home

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)


def at(minute: float) -> datetime:
    return BEGIN + timedelta(minutes=minute)


def shown(pipeline: Pipeline, minute: float, payload: str) -> float:
    """What the room makes of a temperature that rack-a shows at that minute."""
    pipeline.batch([Message(at(minute), "drymon/shop/rack-a/temperature", payload.encode())])
    last = pipeline.room.book.tracks["rack-a", Quantity.TEMPERATURE, ""].last
    assert last is not None
    return last.value


def test_a_calibration_counts_from_the_next_reading_on_without_a_restart(pipeline: Pipeline) -> None:
    """A thermometer 1 K high: 23 degC shown are 22 degC; what is on record stays as the sensor said it."""
    assert shown(pipeline, 0, "23") == 23.0
    document = {"gain": 1.0, "offset": -1.0}
    pipeline.store.add_calibration(Calibration(at(1), "rack-a/temperature", "temperature", document))
    assert shown(pipeline, 2, "23") == 22.0
    assert [reading.value for reading in pipeline.store.readings()] == [23.0, 23.0]


def covered(pipeline: Pipeline, sent: dict[str, object], topic: str = "humidity", **how: object) -> object:
    """What the node reads on its received topic after that message; None where nothing is said there."""
    message = Message(at(0), f"drymon/shop/rack-a/{topic}", json.dumps(sent).encode(), **how)
    said = {message.topic: json.loads(message.payload) for message in pipeline.batch([message])}
    return said.get("drymon/shop/out/received/n-9")


@pytest.mark.parametrize(
    ("broken", "topic"),
    [({"value": 400}, "humidity"), ({"value": "err"}, "humidity"), ({"value": float("nan")}, "humidity"),
     ({}, "humidity"), ({"value": 45, "time": "2030-01-01T00:00:00Z"}, "humidity"),
     ({"value": 45, "time": "yesterday"}, "humidity"),
     ({"value": 45, "unit": "Cel"}, "humidity"), ({"value": 45}, "colour"), ({"valeu": 45}, "humidity")],
)  # fmt: skip
def test_a_refused_numbered_message_is_covered(pipeline: Pipeline, broken: dict[str, object], topic: str) -> None:
    """It is kept, with its reason: a node that waited for more would keep all that follows for ever."""
    for seq in (1, 2, 4, 5):
        covered(pipeline, {"value": 45, "device": "n-9", "boot": "b", "seq": seq})
    told = covered(pipeline, {**broken, "device": "n-9", "boot": "b", "seq": 3}, topic)
    assert told == {"boot": "b", "seq": 5}
    assert pipeline.store.refused_count() == 1
    assert len(list(pipeline.store.readings())) == 4


def test_no_number_is_made_up_for_what_is_refused(pipeline: Pipeline) -> None:
    """A retained message is no proof of the live one; a number that cannot be read is none."""
    numbered = {"value": 400, "device": "n-9", "boot": "b"}
    assert covered(pipeline, {**numbered, "seq": 1}, retain=True) is None
    assert [covered(pipeline, {**numbered, "seq": seq}) for seq in ("1", -1, 2**62, None)] == [None] * 4
    assert covered(pipeline, {**numbered, "boot": "half \ud83d", "seq": 1}) is None
    assert pipeline.store.refused_count() == 6


def log(pipeline: Pipeline, minute: float, event: str, **content: object) -> str:
    """The reason for which that log event is told of; "" where it is not."""
    before = pipeline.store.refused_count()
    content = {"tree": "t-1", **content}
    pipeline.batch([Message(at(minute), f"drymon/shop/log/{event}", json.dumps(content).encode())])
    (told,) = pipeline.store.latest_refused(1) if pipeline.store.refused_count() > before else (None,)
    return told.reason if told else ""


ABOUT_TREES = [("weigh", {"mass": 5}), ("felt", {"finding": "dry"}), ("look", {"finding": "sound"}),
               ("move", {"rack": "rack-b"}), ("leave", {}), ("undo", {})]  # fmt: skip


@pytest.mark.parametrize(("event", "content"), ABOUT_TREES)
def test_an_event_about_a_tree_that_nobody_knows_is_told_of(
    pipeline: Pipeline, event: str, content: dict[str, object]
) -> None:
    assert "in the room hang no trees" in log(pipeline, 0, event, tree="tt-1", **content)
    for tree in ("t-1", "t-2"):
        assert log(pipeline, 1, "dip", tree=tree, rack="rack-a", coat="backup") == ""
    told = log(pipeline, 2, event, tree="tt-1", **content)
    assert told.startswith('tree: received "tt-1"; there is no')
    assert "in the room hang t-1, t-2: it is recorded" in told
    assert log(pipeline, 3, event, tree="t-1", **content) == ""


def test_a_tree_that_has_left_is_told_of_but_what_happened_before_is_not(pipeline: Pipeline) -> None:
    log(pipeline, 1, "dip", rack="rack-a", coat="backup")
    log(pipeline, 30, "leave", id="once")
    assert log(pipeline, 40, "weigh", mass=5, time="2031-03-03T06:20:00Z") == ""
    assert log(pipeline, 41, "leave", id="once") == ""  # the same word again is no new one
    assert "no such tree" in log(pipeline, 42, "felt", finding="dry")
    for minute in range(43, 47):  # felt, leave, weigh, dip: the last said first
        assert log(pipeline, minute, "undo") == ""
    assert "nothing said of it that still stands" in log(pipeline, 47, "undo")
    assert "that still stands; in the room" in log(pipeline, 48, "undo", entry="once", tree="t-9")
    assert 'entry: received "once"' in log(pipeline, 49, "undo", entry="once")


def air(pipeline: Pipeline, begin: int, end: int) -> None:
    """Readings each minute from one to the other."""
    for minute in range(begin, end + 1):
        for quantity, value in (("temperature", 22.0), ("humidity", 45.0), ("airflow", 1.0)):
            pipeline.batch([Message(at(minute), f"drymon/shop/rack-a/{quantity}", f"{value}".encode())])


def test_a_leaving_from_before_a_start_can_be_taken_back_and_the_tree_is_as_it_would_have_been(tmp_path: Path) -> None:
    config = load_home(make_home(tmp_path / "home"))
    models = load_models(config.path)
    stores = [Store.open(tmp_path / f"{name}.db") for name in ("never", "left")]
    never, left = (Pipeline(config, models, store) for store in stores)
    for pipeline in (never, left):
        air(pipeline, 0, 60)
        log(pipeline, 60, "dip", rack="rack-a", coat="backup", shelter="open")
        air(pipeline, 61, 90)
    log(left, 90.5, "leave")
    air(left, 91, 95)
    left = Pipeline(config, models, stores[1])
    left.resume()
    assert left.store.current_verdicts() == []
    log(left, 95.5, "undo")
    (back,) = left.store.current_verdicts()
    air(never, 91, 95)
    for pipeline in (never, left):
        air(pipeline, 96, 101)
    ((one,), (other,)) = (pipeline.store.current_verdicts() for pipeline in (never, left))
    assert (back.tree, back.number, back.dipped_at) == ("t-1", 1, at(60))
    assert (one.state, one.dryness, one.number, one.rack) == (other.state, other.dryness, other.number, other.rack)


@pytest.mark.parametrize(
    ("event", "content"), [("undo", {}), ("dip", {"rack": "rack-a", "coat": "seal", "time": "2031-03-03T06:40:00Z"})]
)
def test_a_tree_that_left_long_ago_is_out_of_the_room_and_found_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, event: str, content: dict[str, object]
) -> None:
    """Undone or told late, it is as in a room that forgets nobody."""
    config = load_home(make_home(tmp_path / "home"))
    models = load_models(config.path)
    said = []
    for gone_s in (3600.0, 1e9):
        monkeypatch.setattr("drymon.shop.fold.room.GONE_S", gone_s)
        pipeline = Pipeline(config, models, Store.open(tmp_path / f"{gone_s}.db"))
        air(pipeline, 0, 30)
        log(pipeline, 30, "dip", rack="rack-a", coat="backup", shelter="open")
        air(pipeline, 31, 50)
        log(pipeline, 50.5, "leave")
        air(pipeline, 51, 120)
        assert ("t-1" in pipeline.room.logs) is (gone_s > 3600.0)
        log(pipeline, 120.5, event, **content)
        air(pipeline, 121, 131)
        said.append(pipeline.store.current_verdicts())
    assert said[0] == said[1]
    assert len(said[0]) == (event == "undo")


@pytest.mark.parametrize(("event", "content"), [("look", {"finding": "scrap"}), ("leave", {})])
def test_scrap_takes_a_tree_out_of_the_room_as_leaving_does(
    pipeline: Pipeline, event: str, content: dict[str, object]
) -> None:
    log(pipeline, 1, "dip", rack="rack-a", coat="backup")
    payload = json.dumps({"tree": "t-1", **content}).encode()
    said = {m.topic: m for m in pipeline.batch([Message(at(2), f"drymon/shop/log/{event}", payload)])}
    gone = said["drymon/shop/out/tree/t-1"]
    assert (gone.payload, gone.retain) == (b"", True)
    assert json.loads(said["drymon/shop/out/rack/rack-a"].payload)["trees"] == {}
    assert pipeline.store.current_verdicts() == []


def test_a_late_dip_finds_what_was_told_of_its_tree(pipeline: Pipeline) -> None:
    """Refused at the door, the weighing would be lost to a dip that the network held up."""
    assert "no such tree" in log(pipeline, 20, "move", rack="rack-b")
    assert log(pipeline, 30, "dip", rack="rack-a", coat="backup", time="2031-03-03T06:10:00Z") == ""
    (verdict,) = pipeline.store.current_verdicts()
    assert verdict.rack == "rack-b"


NO_PAGE = Condition(Key("page-unavailable", "page"), Truth.HOLDS, "The page cannot open its port.")


@contextmanager
def full_disk(pipeline: Pipeline) -> Iterator[None]:
    """SQLite's own limit of pages stands for the disk: the same SQLITE_FULL, for what needs a page more."""
    db = pipeline.store._db
    db.execute(f"PRAGMA max_page_count = {db.row('PRAGMA page_count')[0]}")
    yield
    db.execute("PRAGMA max_page_count = 1073741823")


def test_what_could_not_be_reported_for_a_full_disk_is_reported_once_there_is_room(pipeline: Pipeline) -> None:
    long = Condition(NO_PAGE.key, Truth.HOLDS, "The page cannot open its port. " * 1000)
    with full_disk(pipeline), pytest.raises(StoreError, match="disk is full"):
        pipeline.report([long], at(1))
    said = [json.loads(message.payload) for message in pipeline.report([long], at(2))]
    assert [(alert["kind"], alert["state"]) for alert in said] == [("page-unavailable", "raised")]
    assert [entry.id for entry in pipeline.store.alarm_book().standing()] == [said[0]["id"]]


def test_an_acknowledgement_that_could_not_be_written_does_not_stand(pipeline: Pipeline) -> None:
    (said,) = pipeline.report([NO_PAGE], at(1))
    alarm = json.loads(said.payload)["id"]

    def act(book: AlarmBook) -> AlarmBook:
        return acknowledge(book, alarm, "Ana " * 10_000, at(2))

    with full_disk(pipeline), pytest.raises(StoreError, match="disk is full"):
        pipeline.act(act, at(2), alarm, "acknowledge", "Ana")
    (entry,) = pipeline.room.alarm_book.standing()
    assert pipeline.room.alarm_book.state(entry) is AlarmState.UNACKNOWLEDGED
    pipeline.act(act, at(3), alarm, "acknowledge", "Ana")
    (kept,) = pipeline.store.alarm_book().standing()
    assert kept.acknowledged_by.startswith("Ana")


def test_who_did_what_with_an_alarm_is_on_record_alarm_by_alarm(pipeline: Pipeline) -> None:
    """One that stands by its id; all that are over by each of theirs."""
    ways = [Condition(Key("notify-failed", way), Truth.HOLDS, f"{way} fails.") for way in ("mail-1", "webhook-1")]
    pipeline.report([NO_PAGE, *ways], at(1))
    ids = {entry.key.subject: entry.id for entry in pipeline.room.alarm_book.standing()}
    pipeline.act(lambda book: acknowledge(book, ids["page"], "Ana", at(2)), at(2), ids["page"], "seen", "Ana")
    pipeline.report([replace(one, truth=Truth.CLEAR) for one in ways], at(3))
    pipeline.act(lambda book: acknowledge_over(book, "Kim", at(4)), at(4), "", "seen", "Kim")
    by_hand = [(line.key, line.who) for line in pipeline.store.alarm_log() if line.who]
    assert by_hand[0] == (ids["page"], "Ana")
    assert sorted(by_hand[1:]) == [(ids["mail-1"], "Kim"), (ids["webhook-1"], "Kim")]
