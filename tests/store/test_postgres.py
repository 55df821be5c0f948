"""What a server asks for and a file does not: who holds a room, what its texts cannot hold, what is told."""

import math
import os
import signal
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from drymon.errors import StoreError
from drymon.messages.settings import Server
from drymon.shop.facts.events import Look
from drymon.shop.facts.outcome import Reason
from drymon.store import InUse, Store, is_in_use, is_there, only_writer, restore
from drymon.store.engine import EngineError
from drymon.store.schema import MIGRATIONS, Migration
from drymon.store.server import connect, migrate, open_writer
from tests.postgres import Cluster, cluster


@pytest.fixture
def room(postgres: Cluster) -> Server:
    return postgres.room()


def in_one(store: Store, *steps: Callable[[], object]) -> None:
    """Each step, in one transaction."""
    with store.transaction():
        for step in steps:
            step()


def fail() -> None:
    raise ZeroDivisionError


def values(where: Server | Path) -> list[float]:
    with Store.open(where, readonly=True) as store:
        return [reading.value for reading in store.readings()]


# --- what texts and numbers can hold ---------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["a\0b", "\0", "\x1a", "a\x1a0\0e", "\x1ae", "\x1a\0\x1a", "%s :name ?"])
def test_any_text_comes_back(room: Server, make: SimpleNamespace, text: str) -> None:
    """PostgreSQL's texts cannot hold NUL (postgresql.org/docs/current/datatype-character.html)."""
    event = Look(time=make.at(0), arrived=make.at(0), tree="t-1", finding="sound", note=text, by=text, id=text)
    with Store.open(room) as store:
        (kept,) = store.record(make.message(topic=f"x/{text}"), [event], [text])
        assert store.record(make.message(1), [event]) == [], "the same id is found again"
        store.add_outcomes([make.verdict(reasons=(Reason("wet", text),), label=text)])
    with Store.open(room, readonly=True) as store:
        assert (*store.events(),) == (kept,)
        assert [message.topic for message in store.messages()] == [f"x/{text}", make.message().topic]
        assert [refused.reason for refused in store.latest_refused()] == [text]
        assert store.current_verdicts()[0].label == text


def test_what_no_database_holds_is_refused_and_stops_nothing(room: Server, make: SimpleNamespace) -> None:
    bad = [
        make.reading(0, math.nan),
        make.reading(0, math.inf),
        make.reading(0, 1.0, device="n", boot="b", seq=1 << 70),
        make.reading(0, 1.0, sensor="\ud800"),
    ]
    with Store.open(room) as store:
        for number, one in enumerate(bad):
            assert store.record(make.message(number), [one]) == []
        store.record(make.message(9), [make.reading(9, 5e-324)])
        assert store.refused_count() == len(bad)
        assert [reading.value for reading in store.readings()] == [5e-324]


@pytest.mark.parametrize(("value", "error"), [(1 << 63, OverflowError), ("\ud800", UnicodeEncodeError)])
def test_what_gets_that_far_is_a_fault_of_ours_and_no_full_disk(room: Server, value: object, error: type) -> None:
    """As of a file: a StoreError would be waited for, for ever."""
    with Store.open(room) as store:
        first = partial(store._db.execute, "INSERT INTO fact VALUES ('x', 1)")
        with pytest.raises(error):
            in_one(store, first, partial(store._db.execute, "UPDATE fact SET value = ?", (value,)))
        assert store._row("SELECT count(*) FROM fact") == (0,)


def test_numbers_of_rows_count_what_is_stored(room: Server, make: SimpleNamespace) -> None:
    """How many were refused is the number of the last row, also after some were undone."""
    with Store.open(room) as store:
        store.refuse(make.message(0), "one")
        with pytest.raises(ZeroDivisionError):
            in_one(store, partial(store.refuse, make.message(1), "undone"), fail)
        store.refuse(make.message(2), "two")
        assert store.refused_count() == 2


# --- reading while more is written -----------------------------------------------------------------------------------


def test_rows_are_read_on_whatever_is_written_meanwhile(room: Server, make: SimpleNamespace) -> None:
    with Store.open(room) as store:
        with store.transaction():
            for number in range(2500):
                store.record(make.message(number), [make.reading(number, float(number))])
        read = store.readings()
        also = store.messages()
        assert next(read).value == 0.0
        assert next(also) == make.message(0)
        with store.transaction():
            within = store.readings(place="rack-a")
            assert next(within).value == 0.0
            store.record(make.message(9999), [make.reading(9999, 9999.0)])
        assert [reading.value for reading in read] == [float(number) for number in range(1, 2500)]
        assert len(list(also)) == 2499
        assert len(list(within)) == 2499
        assert len(list(store.readings())) == 2501


def test_rows_of_what_was_undone_are_not_read_on(room: Server, make: SimpleNamespace) -> None:
    with Store.open(room) as store:
        with store.transaction():
            for number in range(1001):
                store.record(make.message(number), [])
        read = store._rows("SELECT * FROM message")
        with pytest.raises(ZeroDivisionError):
            in_one(store, partial(next, read), fail)
        with pytest.raises(EngineError, match="was undone"):
            list(read)
        assert len(list(store.messages())) == 1001


def test_a_query_that_fails_leaves_the_connection_as_it_was(room: Server, make: SimpleNamespace) -> None:
    with Store.open(room) as store:
        with pytest.raises(EngineError, match="nowhere"):
            list(store._rows("SELECT * FROM nowhere"))
        store.record(make.message(0), [make.reading(0)])
        with store.transaction():
            with pytest.raises(EngineError, match="nowhere"):
                list(store._rows("SELECT * FROM nowhere"))
            with pytest.raises(EngineError, match="aborted"):
                store.refused_count()
            with pytest.raises(EngineError, match="nothing of the transaction is stored"):
                store._db.commit()
        assert values(room) == [21.5]


# --- who may write ---------------------------------------------------------------------------------------------------


def test_rooms_side_by_side_know_nothing_of_each_other(postgres: Cluster, make: SimpleNamespace) -> None:
    one, other = postgres.room(), postgres.room()
    assert not is_there(one)
    with pytest.raises(StoreError, match="drymon serve"):
        Store.open(one, readonly=True)
    with only_writer(one) as store, only_writer(other) as beside:
        store.record(make.message(0), [make.reading(0, 1.0)])
        beside.record(make.message(0), [make.reading(0, 2.0)])
        assert is_in_use(one)
        assert is_in_use(other)
    assert is_there(one)
    assert (values(one), values(other)) == ([1.0], [2.0])


def test_one_process_at_a_time_serves_a_room(room: Server) -> None:
    assert not is_in_use(room)
    with only_writer(room):
        assert is_in_use(room)
        with pytest.raises(InUse, match=rf"the room {room.room} is in use by another drymon \(drymon-{room.room} at"):
            open_writer(room, None, alone=True)
    assert not is_in_use(room)
    with only_writer(room):
        pass


def test_two_writers_wait_for_each_other(room: Server, make: SimpleNamespace) -> None:
    with Store.open(room) as one, Store.open(room) as other:
        other._row("SELECT set_config('lock_timeout', '100ms', false)")
        with one.transaction():
            one.record(make.message(0), [make.reading(0, 1.0)])
            with pytest.raises(EngineError, match="only one drymon may write"), other.transaction():
                other.record(make.message(0), [make.reading(0, 2.0)])
        other.record(make.message(1), [make.reading(1, 3.0)])
    assert values(room) == [1.0, 3.0]


def test_a_connection_that_the_server_ends_is_told_as_gone(room: Server, make: SimpleNamespace) -> None:
    with only_writer(room) as store, Store.open(room) as other:
        store.check_reached()
        (process,) = store._row("SELECT pg_backend_pid()")
        first, then = (partial(store.record, make.message(number), [make.reading(number)]) for number in (0, 1))
        with pytest.raises(EngineError) as told:
            in_one(store, first, partial(other._row, f"SELECT pg_terminate_backend({process}, 5000)"), then)
        assert told.value.gone
        assert not is_in_use(room), "who has lost the connection has lost the room"
        for again in (store.check_reached, lambda: store.refuse(make.message(), "x"), lambda: list(store.readings())):
            with pytest.raises(EngineError) as told:
                again()
            assert told.value.gone
        assert list(other.readings()) == []


def test_what_was_committed_outlives_the_servers_crash(make: SimpleNamespace) -> None:
    with cluster(durable=True) as own:
        room = own.room()
        with Store.open(room) as store:
            for number in range(3):
                store.record(make.message(number), [make.reading(number, float(number))])
            own.stop("immediate")
            with pytest.raises(EngineError) as told:
                store.record(make.message(3), [make.reading(3)])
            assert told.value.gone
        with pytest.raises(EngineError, match="see that the server runs") as told:
            Store.open(room)
        assert told.value.gone
        own.start(lets_in=False)
        with pytest.raises(EngineError, match=r"the database system is .*see that the server runs") as told:
            Store.open(room)
        assert told.value.gone, "a server that recovers will be back"
        own.stop("immediate")
        own.start()
        assert values(room) == [0.0, 1.0, 2.0]
        with Store.open(room) as store:
            store.refuse(make.message(4), "after the crash")
            assert store.refused_count() == 1, "sequences run ahead when a server crashes"


# --- what is told ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("/postgres?", "/nosuch?", 'database "nosuch" does not exist .*createdb NAME'),
        ("drymon@", "nobody@", r'role "nobody" does not exist .*\.pgpass'),
    ],
)
def test_who_is_not_let_in_is_told_why(room: Server, old: str, new: str, told: str) -> None:
    with pytest.raises(EngineError, match=told) as error:
        Store.open(Server(room.url.replace(old, new), room.room))
    assert not error.value.gone, "waiting does not help"


def test_layouts_old_new_and_foreign(room: Server, make: SimpleNamespace) -> None:
    with closing(connect(room)) as db:
        migrate(db, None, MIGRATIONS[:3])
        db.execute("INSERT INTO channel (place, quantity, sensor) VALUES ('rack-a', 'temperature', '')")
        db.execute("INSERT INTO reading (time, arrived, channel, value, flags) VALUES (5000000, 6000000, 1, 21.5, 1)")
    with pytest.raises(StoreError, match=f"layout 3, this drymon reads {len(MIGRATIONS)}"):
        Store.open(room, readonly=True)
    Store.open(room, now=make.at(0)).close()
    assert values(room) == [21.5]
    with closing(connect(room)) as db:
        with pytest.raises(EngineError, match="nowhere"):
            migrate(db, None, (*MIGRATIONS, Migration("breaks", "CREATE TABLE half (x INTEGER);\nDELETE FROM nowhere")))
        assert db.row("SELECT to_regclass('half')") == (None,)
        migrate(db, None, (*MIGRATIONS, Migration("from the future", "CREATE TABLE new (x INTEGER) STRICT")))
        db.execute("UPDATE migration SET drymon = '7.1.0' WHERE name = 'from the future'")
    for readonly in (True, False):
        with pytest.raises(StoreError, match=r"made by drymon 7\.1\.0.*install drymon 7\.1\.0 or newer"):
            Store.open(room, readonly=readonly)


def test_a_schema_of_another_program_is_left_alone(room: Server) -> None:
    with closing(connect(room)) as db:
        db.script(f"CREATE SCHEMA {db.quoted}", "CREATE TABLE theirs (x int)")
    for readonly in (True, False):
        with pytest.raises(StoreError, match="not one of drymon"):
            Store.open(room, readonly=readonly)


def test_a_reader_cannot_write(room: Server, make: SimpleNamespace) -> None:
    Store.open(room).close()
    with Store.open(room, readonly=True) as store, pytest.raises(EngineError, match="only reads"):
        store.record(make.message(0), [])


# --- copies ----------------------------------------------------------------------------------------------------------


def test_a_backup_is_a_file_with_all_of_the_room(room: Server, make: SimpleNamespace, tmp_path: Path) -> None:
    with Store.open(room, now=make.at(0)) as store:
        for number in range(3):
            store.record(
                make.message(number), [make.reading(number, float(number), device="n", boot="b", seq=number * 2)]
            )
        store.refuse(make.message(4, topic="a\0b"), "why")
        store.add_outcomes([make.verdict()])
        store.roll_up(make.at(3600))
        store.backup(tmp_path / "copy.db")
        there = (*store.readings(), *store.messages(), *store.current_verdicts(), *store.latest_refused())
    restore(tmp_path / "copy.db", tmp_path / "home" / "drymon.db")
    with Store.open(tmp_path / "home" / "drymon.db") as copy:
        assert copy.note is None
        assert (*copy.readings(), *copy.messages(), *copy.current_verdicts(), *copy.latest_refused()) == there
        assert copy.received_marks()[0].seq == 0
        copy.refuse(make.message(5), "one more")
        assert copy.refused_count() == 2


def test_a_process_that_is_killed_lets_go_of_its_room(room: Server) -> None:
    Store.open(room).close()
    child = os.fork()
    if not child:
        with only_writer(room):
            os.kill(os.getpid(), signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL
    with only_writer(room) as store:
        assert store.was_served() is False


# --- statements that nobody needs an answer to -----------------------------------------------------------------------


def test_a_batch_takes_few_ways_to_the_server_and_back(room: Server, make: SimpleNamespace, tmp_path: Path) -> None:
    """Each way there ends with a Sync of the protocol (postgresql.org/docs/current/protocol-flow.html)."""
    node = {"device": "node-1", "boot": "b"}
    trace = (tmp_path / "trace").open("w+b")
    with trace, Store.open(room) as store:
        store.record(make.message(0), [make.reading(0, seq=0, **node)])
        driver: Any = store._db
        driver.pg.pgconn.trace(trace.fileno())
        with store.transaction():
            for n in range(1, 401):
                store.record(make.message(n, b"%d" % n), [make.reading(n, float(n), seq=n, **node)])
        driver.pg.pgconn.untrace()
        ways = sum("\tSync" in line for line in Path(trace.name).read_text().splitlines())
        assert 0 < ways < 20
        assert [reading.seq for reading in store.readings()] == list(range(401))
        assert [message.payload for message in store.messages()] == [b"21.5", *(b"%d" % n for n in range(1, 401))]


def test_what_is_sent_stands_in_order_with_what_is_asked(room: Server) -> None:
    with closing(open_writer(room, None)) as db:
        db.begin()
        for n in range(3):
            db.send("INSERT INTO topic (name) VALUES (?)", (f"t-{n}",))
            assert db.row("SELECT count(*) FROM topic") == (n + 1,)
            db.send("UPDATE topic SET name = ? WHERE name = ?", (f"u-{n}", f"t-{n}"))
        db.commit()
        assert [name for (name,) in db.rows("SELECT name FROM topic ORDER BY id")] == ["u-0", "u-1", "u-2"]


def test_what_was_sent_and_is_wrong_is_told_by_the_commit_and_nothing_is_stored(room: Server) -> None:
    with closing(open_writer(room, None)) as db:
        db.begin()
        for name in ("one", "two", "one"):
            db.send("INSERT INTO topic (name) VALUES (?)", (name,))
        with pytest.raises(EngineError, match="duplicate key"):
            db.commit()
        db.roll_back()
        db.begin()
        db.send("INSERT INTO topic (name) VALUES (?)", ("undone",))
        db.roll_back()
        db.begin()
        db.commit()
        db.send("INSERT INTO topic (name) VALUES (?)", ("at once",))
        with closing(connect(room, readonly=True)) as other:
            assert list(other.rows("SELECT name FROM topic")) == [("at once",)]
