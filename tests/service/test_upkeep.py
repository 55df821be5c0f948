"""What the service keeps in order: the files of its models, backups."""

import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.messages.settings import Keep
from drymon.service.backups import Backups
from drymon.service.pipeline import Pipeline
from drymon.service.upkeep import Upkeep
from drymon.shop.alarms.alarm_book import OF_FILE, Condition, Key, Truth
from drymon.store.store import Store
from tests.postgres import Cluster
from tests.service.conftest import make_home, until

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return make_home(tmp_path / "home")


@pytest.fixture
def pipeline(home: Path) -> Iterator[Pipeline]:
    with Store.open(home / "drymon.db") as store:
        pipeline = Pipeline(load_home(home), {}, store)
        pipeline.batch([Message(BEGIN, "drymon/shop/room/humidity", b"45")])
        yield pipeline


def upkeep_of(home: Path, pipeline: Pipeline) -> Upkeep:
    return Upkeep(home, home / "drymon.db", pipeline.store, Keep())


def doubts_after(minutes: range, upkeep: Upkeep, pipeline: Pipeline) -> list[str]:
    """The states of the alerts on models that are said in these minutes, as the service lives through them."""
    for minute in minutes:
        now = BEGIN + timedelta(minutes=minute)
        pipeline.batch([], now)
        pipeline.report(upkeep.conditions(pipeline.room.alarm_book), now)
    since = BEGIN + timedelta(minutes=minutes[0])
    return [alert.state for alert in pipeline.store.alerts(since) if alert.kind == "model-doubt"]


def test_a_doubt_on_a_model_s_file_stands_until_a_start_with_a_good_one(home: Path, pipeline: Pipeline) -> None:
    (home / "models").mkdir()
    damaged = home / "models" / "backup.toml"
    damaged.write_text("damaged")
    upkeep = upkeep_of(home, pipeline)
    assert doubts_after(range(1, 200), upkeep, pipeline) == ["raised"]
    damaged.unlink()
    assert doubts_after(range(200, 300), upkeep, pipeline) == []
    assert doubts_after(range(300, 365), upkeep_of(home, pipeline), pipeline) == ["cleared"]


def test_while_nothing_changes_the_alarm_book_is_not_written_anew(home: Path, pipeline: Pipeline) -> None:
    """Once a minute for weeks would wear a card for nothing."""
    (home / "models").mkdir()
    (home / "models" / "backup.toml").write_text("damaged")
    upkeep = upkeep_of(home, pipeline)
    doubts_after(range(1, 3), upkeep, pipeline)
    written = pipeline.store.alarm_book().now
    doubts_after(range(3, 10), upkeep, pipeline)
    assert pipeline.store.alarm_book().now == written
    assert pipeline.room.alarm_book.now == BEGIN + timedelta(minutes=9)


def tended(upkeep: Upkeep, true: Callable[[], bool]) -> bool:
    """Whether it is so, once the upkeep has been tended again."""
    upkeep.tend(BEGIN, True)
    return true()


def test_a_backup_is_made_beside_the_loop_and_the_oldest_goes(home: Path, pipeline: Pipeline) -> None:
    folder = home / "backups"
    folder.mkdir()
    for day in range(20, 28):
        (folder / f"drymon-2031-02-{day}.db").write_bytes(b"")
    (folder / "drymon-2031-02-28.db.part").write_bytes(b"cut short when the power went")
    upkeep, today = upkeep_of(home, pipeline), folder / "drymon-2031-03-03.db"
    upkeep.tend(BEGIN, False)
    assert (folder / "drymon-2031-02-28.db.part").exists(), "by a clock that is not known it may be any day"
    upkeep.tend(BEGIN, True)
    assert not today.exists(), "a child makes it"
    pipeline.batch([Message(BEGIN, "drymon/shop/room/humidity", b"46")])
    assert until(today.exists, 30)
    assert until(partial(tended, upkeep, lambda: not (folder / "drymon-2031-02-20.db").exists()))
    assert sorted(file.name for file in folder.iterdir()) == [
        *(f"drymon-2031-02-{day}.db" for day in range(22, 28)),
        today.name,
    ]
    with Store.open(today, readonly=True) as copy:
        assert next(copy.readings()).value == 45.0


def test_a_backup_that_fails_is_told_of_and_tried_again_an_hour_later(
    home: Path, pipeline: Pipeline, caplog: pytest.LogCaptureFixture
) -> None:
    (home / "backups").write_text("a file where the folder should be")
    upkeep = upkeep_of(home, pipeline)
    assert until(partial(tended, upkeep, lambda: "no backup of the database" in caplog.text), 30)
    (home / "backups").unlink()
    upkeep.tend(BEGIN + timedelta(minutes=59, seconds=59), True)
    upkeep.stop()
    assert not (home / "backups").exists()
    upkeep.tend(BEGIN + timedelta(minutes=60), True)
    assert until((home / "backups" / "drymon-2031-03-03.db").exists, 30)
    upkeep.stop()


def test_rooms_of_one_server_copy_in_turns(postgres: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drymon.service.backups.TURN", f"\0drymon-test-{os.getpid()}")
    rooms = [postgres.room() for _ in range(2)]
    for room in rooms:
        Store.open(room).close()
    one, other = (Backups(room, tmp_path / room.room) for room in rooms)
    files = [tmp_path / room.room / "drymon-2031-03-03.db" for room in rooms]
    one.tend(BEGIN)
    other.tend(BEGIN)
    assert one.copying is not None
    assert other.copying is None, "one at a time"
    assert one.copying.wait(30) == 0
    other.tend(BEGIN + timedelta(minutes=1))
    assert other.copying is not None
    assert other.copying.wait(30) == 0
    assert [file.exists() for file in files] == [True, True]
    for each in (one, other):
        each.tend(BEGIN + timedelta(minutes=2))
        assert each.copying is None


def test_no_copy_outlives_the_service(home: Path, pipeline: Pipeline) -> None:
    upkeep = upkeep_of(home, pipeline)
    upkeep.tend(BEGIN, True)
    upkeep.stop()
    assert not (home / "backups" / "drymon-2031-03-03.db").exists()
    upkeep.tend(BEGIN + timedelta(minutes=1), True)
    assert until((home / "backups" / "drymon-2031-03-03.db").exists, 30)
    upkeep.stop()


def test_an_alarm_of_the_room_clears_though_the_service_reports_in_between(home: Path, pipeline: Pipeline) -> None:
    """The off-delay of sensor-silent is 2 min (docs/alarms.md); the disk is reported every minute."""
    upkeep = upkeep_of(home, pipeline)
    doubts_after(range(1, 20), upkeep, pipeline)
    assert [alert.kind for alert in pipeline.store.alerts()] == ["sensor-silent"]
    for minute in range(20, 25):
        now = BEGIN + timedelta(minutes=minute)
        pipeline.batch([Message(now, "drymon/shop/room/humidity", str(45 + minute / 10).encode())], now)
        pipeline.report(upkeep.conditions(pipeline.room.alarm_book), now + timedelta(seconds=20))
    assert [alert.state for alert in pipeline.store.alerts()] == ["raised", "cleared"]


def test_what_the_house_looks_after_is_not_everybody_s(
    home: Path, pipeline: Pipeline, caplog: pytest.LogCaptureFixture
) -> None:
    """An alarm of another part of the service is not its own to end; a model that cannot be used is logged as well."""
    (home / "models").mkdir()
    (home / "models" / "backup.toml").write_text("damaged")
    upkeep = upkeep_of(home, pipeline)
    assert [record.levelname for record in caplog.records if "backup" in record.getMessage()] == ["ERROR"]
    keys = [
        Key("page-unavailable", "page"),
        Key("model-doubt", "seal", "learning"),
        Key("model-doubt", "prime", OF_FILE),
    ]
    pipeline.report([Condition(key, Truth.HOLDS, "It is so.") for key in keys], BEGIN)
    told = upkeep.conditions(pipeline.room.alarm_book)
    assert [(one.key.kind, one.key.subject, one.truth) for one in told if one.key.kind != "disk-full-soon"] == [
        ("model-doubt", "backup", Truth.HOLDS),
        ("model-doubt", "prime", Truth.CLEAR),
    ]


def test_what_is_old_is_cleared_away_by_a_clock_that_is_known_alone(home: Path, pipeline: Pipeline) -> None:
    later, keep = BEGIN + timedelta(days=40), Keep(readings_days=32)
    for moment in (later, later + timedelta(minutes=2)):
        pipeline.batch([Message(moment, "drymon/shop/room/humidity", b"46")])
    upkeep = Upkeep(home, home / "drymon.db", pipeline.store, keep)
    for known, left in ((False, [45.0, 46.0, 46.0]), (True, [46.0, 46.0])):
        for _ in range(41):  # a day at a time
            upkeep.tend(later + timedelta(minutes=5), known)
            upkeep.clear_on()
        assert [reading.value for reading in pipeline.store.readings()] == left
    upkeep.stop()


def test_a_copy_that_is_stopped_leaves_no_process(home: Path, pipeline: Pipeline) -> None:
    upkeep = upkeep_of(home, pipeline)
    upkeep.tend(BEGIN, True)
    copying = upkeep.backups.copying
    assert copying is not None
    upkeep.stop()
    assert copying.returncode is not None
    upkeep.stop()
