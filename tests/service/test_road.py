"""A disk that is full, and a fault of our own: nothing is lost, nothing stops."""

import json
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Event, Timer

import pytest

from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service import road
from drymon.service.pipeline import Pipeline
from drymon.service.road import Road
from drymon.service.suspects import FILE, TRIES, Suspects
from drymon.shop.air.sensors import Doubted
from drymon.shop.alarms.alarm_book import Truth
from drymon.shop.facts.reading import Reading
from drymon.shop.fold.room import Room
from drymon.store.store import Store
from tests.service.conftest import make_home

BEGIN = datetime(2031, 3, 3, 6, tzinfo=UTC)


def humidity(number: int) -> Message:
    return Message(BEGIN + timedelta(seconds=number), "drymon/shop/rack-a/humidity", str(value(number)).encode())


def value(number: int) -> float:
    return round(40 + number % 500 / 10, 3)


def values(store: Store) -> list[float]:
    return [round(reading.value, 3) for reading in store.readings()]


def test_a_full_disk_is_waited_for_and_the_messages_come_in_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """SQLite's own limit of pages stands for the disk: the same SQLITE_FULL."""
    monkeypatch.setattr(road, "TRY_AGAIN_S", 0.1)
    home = make_home(tmp_path / "home")
    with Store.open(home / "drymon.db") as store:
        served = Road(load_home(home), {}, store, Event())
        assert served.batch([humidity(0)], None) is not None
        pages = store._db.row("PRAGMA page_count")[0]
        store._db.execute(f"PRAGMA max_page_count = {pages}")
        many = [humidity(number) for number in range(1, 3000)]
        attempts = iter(range(100))
        resume = Pipeline.resume

        def later(pipeline: Pipeline) -> None:
            if next(attempts) == 2:  # somebody has made room
                store._db.execute("PRAGMA max_page_count = 1073741823")
            resume(pipeline)

        monkeypatch.setattr(Pipeline, "resume", later)
        assert served.batch(many, None) is not None
        assert "disk is full" in caplog.text
        assert values(store) == [value(number) for number in range(3000)]


def test_stopping_while_the_disk_is_full_acknowledges_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(road, "TRY_AGAIN_S", 0.1)
    home = make_home(tmp_path / "home")
    stop = Event()
    with Store.open(home / "drymon.db") as store:
        served = Road(load_home(home), {}, store, stop)
        pages = store._db.row("PRAGMA page_count")[0]
        store._db.execute(f"PRAGMA max_page_count = {pages}")
        Timer(0.5, stop.set).start()
        assert served.batch([humidity(number) for number in range(3000)], None) is None


def test_a_reading_that_upsets_the_room_is_recorded_and_the_others_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A fault of our own cannot be had for the asking: here the room is made to stumble over one value."""
    take = Room.tell

    def stumbling(room: Room, items: Iterable[object]) -> list[Doubted]:
        facts = list(items)
        if len(facts) == 1 and isinstance(facts[0], Reading) and facts[0].value == 40.3:
            raise ZeroDivisionError
        return take(room, facts)

    monkeypatch.setattr(Room, "tell", stumbling)
    home = make_home(tmp_path / "home")
    with Store.open(home / "drymon.db") as store:
        served = Road(load_home(home), {}, store, Event())
        assert served.batch([humidity(number) for number in range(6)], None) is not None
        assert values(store) == [value(number) for number in range(6)]
        assert "a fault in drymon itself" in caplog.text


def dip() -> Message:
    told = {"tree": "t-1", "rack": "rack-a", "coat": "backup"}
    return Message(BEGIN + timedelta(seconds=30), "drymon/shop/log/dip", json.dumps(told).encode())


@pytest.mark.parametrize("singly", [False, True])
def test_time_goes_on_to_where_it_was_asked_for_once_all_messages_are_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, singly: bool
) -> None:
    """Also after a fault of our own, when each message is taken by itself."""
    home, until = make_home(tmp_path / "home"), BEGIN + timedelta(minutes=6)
    taken: list[tuple[int, datetime | None, bool]] = []
    batch = Pipeline.batch

    def watched(
        pipeline: Pipeline, messages: Iterable[Message], until: datetime | None = None, anew: bool = False
    ) -> list[Message]:
        some = list(messages)
        taken.append((len(some), until, anew))
        if singly and len(some) > 1:
            raise ZeroDivisionError
        return batch(pipeline, some, until, anew)

    monkeypatch.setattr(Pipeline, "batch", watched)
    with Store.open(home / "drymon.db") as store:
        said = Road(load_home(home), {}, store, Event()).batch([humidity(0), dip(), humidity(40)], until, anew=True)
    one_by_one = [(1, None, False), (1, None, False), (1, until, True)] if singly else []
    assert taken == [(3, until, True), *one_by_one]
    assert said is not None
    told = [message.arrived for message in said if message.topic == "drymon/shop/out/tree/t-1"]
    assert told == [
        BEGIN + timedelta(seconds=30),
        BEGIN + timedelta(minutes=5),
        until,
    ]  # due, and once more as asked for


def test_a_message_that_is_set_aside_is_refused_and_reported_once(tmp_path: Path) -> None:
    home = make_home(tmp_path / "home")
    for _ in range(TRIES):  # lives that ended over it
        life = Suspects(home)
        life.begin(humidity(1))
        life.close()
    with Store.open(home / "drymon.db") as store:
        served = Road(load_home(home), {}, store, Event())
        assert served.batch([humidity(0), humidity(1), humidity(2)], None) is not None
        (reported,) = served.take_conditions()
        assert (reported.key.kind, reported.truth) == ("message-set-aside", Truth.HOLDS)
        assert "drymon/shop/rack-a/humidity it says '40.1'" in reported.what
        assert served.take_conditions() == []
        assert values(store) == [value(0), value(2)]
        assert [one.topic for one in store.latest_refused()] == ["drymon/shop/rack-a/humidity"]


def test_a_record_that_cannot_be_taken_up_keeps_no_new_message_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A fault of our own at the start: it is told of, and the next dip is judged."""

    def stumbling(_: Pipeline) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(Pipeline, "resume", stumbling)
    home = make_home(tmp_path / "home")
    with Store.open(home / "drymon.db") as store:
        said = Road(load_home(home), {}, store, Event()).batch([humidity(0), dip()], BEGIN + timedelta(minutes=1))
        assert "the record cannot be taken up again; the trees are unknown until their next dip" in caplog.text
        assert said is not None
        assert "drymon/shop/out/tree/t-1" in {message.topic for message in said}


def test_who_dies_while_a_full_disk_is_waited_for_died_over_no_message(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The service may be stopped by force meanwhile: the message that waits is no suspect for it."""
    home = make_home(tmp_path / "home")
    noted: list[str] = []

    class Stopped(Event):
        def wait(self, timeout: float | None = None) -> bool:
            noted.append((home / FILE).read_text(encoding="ascii").splitlines()[0])
            self.set()
            return True

    monkeypatch.setattr(road, "TRY_AGAIN_S", 0.1)
    with Store.open(home / "drymon.db") as store:
        served = Road(load_home(home), {}, store, Stopped())
        pages = store._db.row("PRAGMA page_count")[0]
        store._db.execute(f"PRAGMA max_page_count = {pages}")
        assert served.batch([humidity(number) for number in range(3000)], None) is None
        served.close()
    assert noted == ["-" * 32]
    assert not Suspects(home).condemned(humidity(0))


def test_an_image_is_kept_every_half_hour_of_the_room_s_time_and_whenever_it_is_asked_for(tmp_path: Path) -> None:
    home = make_home(tmp_path / "home")
    with Store.open(home / "drymon.db") as store:
        served = Road(load_home(home), {}, store, Event())
        served.batch([humidity(0)], BEGIN)

        def images_after(minutes: float, anyway: bool = False) -> int:
            served.batch([], BEGIN + timedelta(minutes=minutes))
            served.keep_image(anyway)
            return int(store._row("SELECT coalesce(max(id), 0) FROM image")[0])

        assert [images_after(minutes) for minutes in (1, 30, 31, 32, 61)] == [1, 1, 2, 2, 3]
        assert images_after(62, anyway=True) == 4
        assert images_after(63) == 4
        served.close()
        served = Road(load_home(home), {}, store, Event())  # it goes on from the image of a minute ago
        assert [images_after(minutes) for minutes in (64, 91, 92)] == [4, 4, 5]
