"""A disk that is full, and a fault of our own: nothing is lost, nothing stops."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Event, Timer

import pytest

from drymon.messages.config import load_home
from drymon.messages.message import Message
from drymon.service import road
from drymon.service.road import Road
from drymon.shop.reading import Reading
from drymon.shop.room import Room
from drymon.shop.sensors import Doubted
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
        pages = store._db.execute("PRAGMA page_count").fetchone()[0]
        store._db.execute(f"PRAGMA max_page_count = {pages}")
        many = [humidity(number) for number in range(1, 3000)]
        attempts = iter(range(100))
        resume = road.Pipeline.resume

        def later(pipeline: road.Pipeline) -> None:
            if next(attempts) == 2:  # somebody has made room
                store._db.execute("PRAGMA max_page_count = 1073741823")
            resume(pipeline)

        monkeypatch.setattr(road.Pipeline, "resume", later)
        assert served.batch(many, None) is not None
        assert "disk is full" in caplog.text
        assert values(store) == [value(number) for number in range(3000)]


def test_stopping_while_the_disk_is_full_acknowledges_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(road, "TRY_AGAIN_S", 0.1)
    home = make_home(tmp_path / "home")
    stop = Event()
    with Store.open(home / "drymon.db") as store:
        served = Road(load_home(home), {}, store, stop)
        pages = store._db.execute("PRAGMA page_count").fetchone()[0]
        store._db.execute(f"PRAGMA max_page_count = {pages}")
        Timer(0.5, stop.set).start()
        assert served.batch([humidity(number) for number in range(3000)], None) is None


def test_a_reading_that_upsets_the_room_is_recorded_and_the_others_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A fault of our own cannot be had for the asking: here the room is made to stumble over one value."""
    take = Room.take

    def stumbling(room: Room, items: Iterable[object]) -> list[Doubted]:
        facts = list(items)
        if len(facts) == 1 and isinstance(facts[0], Reading) and facts[0].value == 40.3:
            raise ZeroDivisionError
        return take(room, facts)  # type: ignore[arg-type]

    monkeypatch.setattr(Room, "take", stumbling)
    home = make_home(tmp_path / "home")
    with Store.open(home / "drymon.db") as store:
        served = Road(load_home(home), {}, store, Event())
        assert served.batch([humidity(number) for number in range(6)], None) is not None
        assert values(store) == [value(number) for number in range(6)]
        assert "a fault in drymon itself" in caplog.text
