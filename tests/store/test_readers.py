"""Connections that read are used again, by one at a time, and none that is old or broken is handed out."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from drymon.errors import StoreError
from drymon.messages.settings import Server
from drymon.store import Readers, Store
from tests.postgres import Cluster


class Seconds:
    """Running time that a test moves."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def room(postgres: Cluster, make: SimpleNamespace) -> Server:
    room = postgres.room()
    with Store.open(room) as store:
        for number in range(3):
            store.record(make.message(number), [make.reading(number, float(number))])
    return room


def process(store: Store) -> int:
    (number,) = store._row("SELECT pg_backend_pid()")
    return number


def test_one_connection_serves_who_asks_in_turn(room: Server) -> None:
    running = Seconds()
    readers = Readers(running)
    with readers.reading(room) as one, readers.reading(room) as other:
        first, second = process(one), process(other)
    assert first != second, "never two at once"
    running.now = 60.0
    with readers.reading(room) as again:
        assert process(again) == second, "one rests; the other was closed"
    running.now = 120.1
    with readers.reading(room) as later:
        assert process(later) not in (first, second), "a minute's rest is enough"
        last = process(later)
    readers.close()
    with readers.reading(room) as store:
        assert process(store) != last
    readers.close()


def test_a_connection_that_the_server_ended_is_not_handed_out(room: Server) -> None:
    readers = Readers(Seconds())
    with readers.reading(room) as store:
        ended = process(store)
    with Store.open(room, readonly=True) as other:
        assert other._row(f"SELECT pg_terminate_backend({ended}, 5000)") == (True,)
    with readers.reading(room) as store:
        assert [reading.value for reading in store.readings()] == [0.0, 1.0, 2.0]
    readers.close()


def test_what_was_half_read_keeps_nothing_open(room: Server) -> None:
    readers = Readers(Seconds())
    with readers.reading(room) as store:
        half = store.readings()
        assert next(half).value == 0.0
    with readers.reading(room) as store:
        assert store._row("SELECT count(*) FROM pg_cursors") == (0,)
        with pytest.raises(StoreError):
            store._db.execute("DELETE FROM reading")
    readers.close()


def test_a_file_is_opened_for_each_use(tmp_path: Path) -> None:
    file = tmp_path / "drymon.db"
    Store.open(file).close()
    readers = Readers(Seconds())
    with readers.reading(file) as one:
        pass
    with readers.reading(file) as other:
        assert one is not other
