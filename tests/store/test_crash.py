"""What is promised survives: kills, full disks, errors half-way, readers meanwhile. All on real files and processes."""

import re
import resource
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread
from types import SimpleNamespace

import pytest

from drymon.errors import StoreError
from drymon.messages.settings import Server, Where
from drymon.shop.facts.events import Undo
from drymon.store import Mark, Store

BATCH = 50
# Sends as a node does: on from the last mark that it saw, and again what it saw no mark for; says each mark it sees.
SENDER = """
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from drymon.drying.quantities import Quantity
from drymon.messages.message import Message
from drymon.messages.settings import Server
from drymon.shop.facts.reading import Reading
from drymon.store import Store

start = datetime(2031, 3, 3, 6, tzinfo=UTC)
store = Store.open(Server(*sys.argv[2:]) if sys.argv[3:] else Path(sys.argv[2]))
seq = max(int(sys.argv[1]) - 7, 0)
while True:
    with store.transaction():
        for seq in range(seq, seq + 50):
            when = start + timedelta(seconds=seq)
            item = Reading(when, when, "rack-a", Quantity.WEIGHT, float(seq), "c", device="n", boot="b", seq=seq)
            store.record(Message(when, "drymon/shop/rack-a/weight/c", b"%d" % seq, qos=1), [item])
            if seq % 13 == 0:
                store.roll_up(when)
    seq += 1
    print(store.received_marks()[0].seq, flush=True)
"""


def test_kill_9_loses_nothing_that_was_said_to_be_on_disk(where: Where) -> None:
    words = (where.url, where.room) if isinstance(where, Server) else (str(where),)
    promised = -1
    for kill in range(6):
        child = subprocess.Popen([sys.executable, "-c", SENDER, str(promised + 1), *words], stdout=subprocess.PIPE)
        assert child.stdout is not None
        for _ in range(3 + kill):
            promised = int(child.stdout.readline())
        child.send_signal(signal.SIGKILL)
        rest = child.stdout.read().split(b"\n")
        child.wait()
        promised = max([promised, *(int(line) for line in rest[:-1])])
        with Store.open(where) as store:
            assert store.note is None
            stored = [reading.seq for reading in store.readings()]
            assert stored == list(range(len(stored)))
            assert store.received_marks() == [Mark("n", "b", len(stored) - 1)]
            assert len(stored) - 1 >= promised
            promised = len(stored) - 1
    assert promised > 6 * BATCH


@contextmanager
def room_for(path: Path, more: int) -> Iterator[None]:
    """The log file may grow by so many bytes only: the operating system refuses the write that goes beyond."""
    log = path.with_name(path.name + "-wal")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (log.stat().st_size + more, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_the_write_that_fails_undoes_its_batch_and_no_other(path: Path, make: SimpleNamespace) -> None:
    kept: list[int] = []
    errors: list[str] = []
    with Store.open(path) as store:
        store._db.execute("PRAGMA wal_autocheckpoint = 0")  # so that the log only grows, and its size is the limit
        store.record(make.message(), [])
        for turn, more in enumerate(range(0, 30_000, 1_000)):
            seqs = list(range(turn * BATCH, (turn + 1) * BATCH))
            try:
                with room_for(path, more), store.transaction():
                    for seq in seqs:
                        item = make.reading(seq, float(seq), device="n", boot="b", seq=seq)
                        assert store.record(make.message(seq), [item]) == [item]
                kept += seqs
            except StoreError as error:
                errors.append(str(error))
            assert [reading.seq for reading in store.readings()] == kept
            marks = [mark.seq for mark in store.received_marks()]
            holes = [seq for seq in range(min(kept, default=0), turn * BATCH) if seq not in set(kept)]
            assert marks == ([] if not kept else [holes[0] - 1 if holes and holes[0] < kept[-1] else kept[-1]])
    assert len(errors) > 3
    told = re.compile("see that the disk is sound and has room|the disk is full")  # as SQLite names it, or not
    assert [error for error in errors if not told.search(error)] == []
    assert len(kept) > 3 * BATCH
    with Store.open(path) as store:
        assert [reading.seq for reading in store.readings()] == kept


def test_an_error_half_way_undoes_everything(store: Store, make: SimpleNamespace) -> None:
    numbered = make.reading(0, device="n", boot="b", seq=1)
    undo = Undo(time=make.at(0), arrived=make.at(0), tree="t-1", id="e-1")

    def half_way() -> None:
        with store.transaction():
            store.record(make.message(0, topic="new/topic", mid=5, qos=1), [numbered, undo], ["odd"])
            store.add_outcomes([make.verdict()])
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        half_way()
    assert (list(store.messages()), list(store.facts()), store.refused_count()) == ([], [], 0)
    assert (store.current_verdicts(), store.received_marks(), store.take_touched_marks()) == ([], [], [])
    again = store.record(make.message(0, topic="new/topic", mid=5, qos=1, dup=True), [numbered, undo])
    assert again == [numbered, undo]
    assert next(store.messages()).topic == "new/topic"


def test_a_failed_step_that_was_swallowed_spoils_the_transaction(store: Store, make: SimpleNamespace) -> None:
    def careless() -> None:
        with store.transaction():
            store.record(make.message(), [make.reading()])
            try:
                store.record(make.message(), [object()])  # type: ignore[list-item]
            except TypeError:
                return

    with pytest.raises(StoreError, match="nothing of it is stored"):
        careless()
    assert list(store.messages()) == []
    assert store.record(make.message(), [make.reading()])


def test_readers_see_whole_batches_while_the_writer_writes(store: Store, where: Where, make: SimpleNamespace) -> None:
    seen: list[int] = []
    done = Event()

    def read() -> None:
        with Store.open(where, readonly=True) as reader:
            while not done.is_set():
                seen.append(len(list(reader.readings())))
            seen.append(len(list(reader.readings())))

    thread = Thread(target=read)
    thread.start()
    batches = 0
    while batches < 40 or (len(set(seen)) <= 3 and batches < 2000):  # the reader may be the slower one
        with store.transaction():
            for n in range(BATCH):
                store.record(make.message(batches), [make.reading(batches, float(n))])
        batches += 1
    done.set()
    thread.join()
    assert seen == sorted(seen)
    assert {count % BATCH for count in seen} == {0}
    assert (seen[-1], len(set(seen)) > 3) == (batches * BATCH, True)
