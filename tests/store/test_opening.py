"""Opening: layouts old and new, foreign and damaged files, readers with and without a service, who may write."""

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing, suppress
from pathlib import Path
from threading import Thread
from types import SimpleNamespace

import pytest

import drymon
from drymon.errors import StoreError
from drymon.messages.settings import Where
from drymon.store import HomeLock, Store, is_held, restore
from drymon.store.opening import connect_writer, migrate
from drymon.store.schema import APPLICATION_ID, MIGRATIONS, Migration


def pragma(path: Path, name: str) -> object:
    with closing(sqlite3.connect(path)) as db:
        return db.execute(f"PRAGMA {name}").fetchone()[0]


def filled(path: Where, make: SimpleNamespace, count: int = 3) -> None:
    with Store.open(path) as store:
        for n in range(count):
            store.record(make.message(n), [make.reading(n, float(n))])


def values(path: Where) -> list[float]:
    with Store.open(path, readonly=True) as store:
        return [reading.value for reading in store.readings()]


def test_settings_that_a_power_cut_asks_for(store: Store, path: Path) -> None:
    """WAL; synchronous 2 is FULL (sqlite.org/pragma.html#pragma_synchronous)."""
    wanted = {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "trusted_schema": 0}
    assert {name: store._row(f"PRAGMA {name}")[0] for name in wanted} == wanted
    assert (pragma(path, "application_id"), pragma(path, "user_version")) == (APPLICATION_ID, len(MIGRATIONS))
    assert all(
        strict for (strict,) in store._rows("SELECT strict FROM pragma_table_list WHERE name NOT LIKE 'sqlite%'")
    )


def test_a_wrong_type_is_refused_by_the_table_itself(store: Store) -> None:
    with (
        pytest.raises(StoreError, match=r"cannot store TEXT|invalid input syntax for type bigint"),
        store.transaction(),
    ):
        store._db.execute("INSERT INTO fact VALUES ('x', 'no number')")


@pytest.mark.parametrize("old", range(1, len(MIGRATIONS)))
def test_an_older_layout_is_brought_up_to_date_with_its_data(path: Path, make: SimpleNamespace, old: int) -> None:
    with closing(connect_writer(path)) as db:
        migrate(db, None, MIGRATIONS[:old])
        db.execute("INSERT INTO channel (place, quantity, sensor) VALUES ('rack-a', 'temperature', '')")
        db.execute("INSERT INTO reading (time, arrived, channel, value, flags) VALUES (5000000, 6000000, 1, 21.5, 1)")
    with pytest.raises(StoreError, match=f"layout {old}, this drymon reads {len(MIGRATIONS)}"):
        Store.open(path, readonly=True)
    with Store.open(path, now=make.at(0)) as store:
        (reading,) = store.readings()
        assert (reading.value, reading.timed, reading.time.timestamp()) == (21.5, True, 5.0)
        store.roll_up(make.at(0))
        applied = list(store._rows("SELECT version, name, drymon FROM migration ORDER BY version"))
    assert applied == [(n, step.name, drymon.__version__) for n, step in enumerate(MIGRATIONS, 1)]
    (before,) = (path.parent / "backups").iterdir()
    assert pragma(before, "user_version") == old


def test_a_migration_is_whole_or_not_at_all(path: Path) -> None:
    steps = (*MIGRATIONS, Migration("breaks", "CREATE TABLE half (x INTEGER) STRICT;\nINSERT INTO nowhere VALUES (1)"))
    with closing(connect_writer(path)) as db:
        with pytest.raises(StoreError, match="nowhere"):
            migrate(db, None, steps)
        assert db.row("PRAGMA user_version") == (len(MIGRATIONS),)
        assert db.row("SELECT count(*) FROM sqlite_schema WHERE name = 'half'") == (0,)
    Store.open(path).close()


def test_a_newer_database_names_the_drymon_that_made_it(path: Path) -> None:
    with closing(connect_writer(path)) as db:
        migrate(db, None, (*MIGRATIONS, Migration("from the future", "CREATE TABLE new (x INTEGER) STRICT")))
        db.execute("UPDATE migration SET drymon = '7.1.0' WHERE name = 'from the future'")
    for readonly in (True, False):
        with pytest.raises(StoreError, match=r"made by drymon 7\.1\.0.*install drymon 7\.1\.0 or newer"):
            Store.open(path, readonly=readonly)


def test_another_programs_database_is_left_alone(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE theirs (x)")
    before = path.read_bytes()
    for readonly in (True, False):
        with pytest.raises(StoreError, match="not one of drymon"):
            Store.open(path, readonly=readonly)
    assert [file.name for file in path.parent.iterdir() if file.suffix == ".db"] == ["drymon.db"]
    assert len(path.read_bytes()) == len(before)


def test_reading_where_nothing_is(path: Path) -> None:
    with pytest.raises(StoreError, match=r"no database at .*drymon serve"):
        Store.open(path, readonly=True)
    assert not path.exists()


def test_readers_while_the_service_runs_and_while_not(where: Where, make: SimpleNamespace) -> None:
    filled(where, make)
    assert values(where) == [0.0, 1.0, 2.0]  # nobody writes; no log file is there
    with Store.open(where) as store:
        with store.transaction():
            store.record(make.message(9), [make.reading(9, 9.0)])
            assert values(where) == [0.0, 1.0, 2.0]  # what is not committed is not to be seen
        assert values(where) == [0.0, 1.0, 2.0, 9.0]


def test_a_reader_cannot_write(where: Where, make: SimpleNamespace) -> None:
    filled(where, make)
    with Store.open(where, readonly=True) as store, pytest.raises(StoreError):
        store.record(make.message(9), [make.reading(9)])
    assert values(where) == [0.0, 1.0, 2.0]


@pytest.mark.skipif(os.getuid() != 0, reason="needs root to become somebody else")
def test_a_reader_that_may_not_write_to_the_folder(make: SimpleNamespace) -> None:
    with tempfile.TemporaryDirectory() as open_to_all:  # pytest's own folders are closed to others
        path = Path(open_to_all) / "drymon.db"
        filled(path, make)
        path.parent.chmod(0o755)
        path.chmod(0o644)
        assert [file.name for file in path.parent.iterdir()] == ["drymon.db"]
        done = read_as_nobody(path)
        assert (done.stdout.strip(), done.returncode) == ("[0.0, 1.0, 2.0]", 0), done.stderr
        path.parent.chmod(0o700)
        done = read_as_nobody(path)
        assert (done.stdout.strip(), "drymon's user may" in done.stderr) == ("", True), done.stderr


def read_as_nobody(path: Path) -> subprocess.CompletedProcess[str]:
    code = (
        "import os, sys; from pathlib import Path; from drymon.store import Store; os.setuid(65534)\n"
        "with Store.open(Path(sys.argv[1]), readonly=True) as s: print([r.value for r in s.readings()])"
    )
    return subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=False)


@pytest.mark.of_a_file  # a server's connection may change hands
def test_a_store_belongs_to_its_thread(store: Store) -> None:
    told: list[BaseException] = []

    def use() -> None:
        try:
            store.last_arrival()
        except BaseException as error:
            told.append(error)

    thread = Thread(target=use)
    thread.start()
    thread.join()
    assert len(told) == 1
    assert isinstance(told[0], StoreError)
    assert "thread" in str(told[0])


def spoil(path: Path) -> None:
    """Overwrite pages behind the header, as a dying card does."""
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(os.urandom(5 * 4096))


def test_damage_without_a_backup_says_what_to_do_and_touches_nothing(path: Path, make: SimpleNamespace) -> None:
    filled(path, make)
    spoil(path)
    before = path.read_bytes()
    with pytest.raises(StoreError, match=r"damaged .*no sound backup .*drymon restore FILE"):
        Store.open(path, now=make.at(0))
    assert path.read_bytes() == before


@pytest.mark.parametrize("how", ["pages", "no database", "emptied"])
def test_damage_brings_the_last_sound_backup_back(path: Path, make: SimpleNamespace, how: str) -> None:
    with Store.open(path) as store:
        for n in range(3):
            store.record(make.message(n), [make.reading(n, float(n))])
            store.backup(path.parent / "backups" / f"hour-{n}.db")
    newest = path.parent / "backups" / "hour-2.db"
    spoil(newest)
    for n in range(3):
        os.utime(path.parent / "backups" / f"hour-{n}.db", (n, n))
    if how == "pages":
        spoil(path)
    else:
        path.write_bytes(b"" if how == "emptied" else b"no database at all" * 1000)
    broken = path.read_bytes()
    with Store.open(path, now=make.at(0)) as store:
        assert store.note is not None
        assert "hour-1.db" in store.note
        assert [reading.value for reading in store.readings()] == [0.0, 1.0]
        store.record(make.message(9), [make.reading(9, 9.0)])
    aside = path.parent / "drymon.db.damaged-20310303T060000Z-1"
    assert aside.read_bytes() == broken
    with Store.open(path) as store:
        assert store.note is None


def test_a_backup_is_one_whole_file(store: Store, path: Path, make: SimpleNamespace) -> None:
    target = path.parent / "elsewhere" / "copy.db"
    store.record(make.message(), [make.reading(0, 5.0)])
    store.backup(target)
    store.record(make.message(1), [make.reading(1, 6.0)])
    assert [file.name for file in target.parent.iterdir()] == ["copy.db"]
    alone = path.parent / "alone.db"
    shutil.copyfile(target, alone)
    assert values(alone) == [5.0]
    with pytest.raises(StoreError, match="inside a transaction"), store.transaction():
        store.backup(target)


def test_restore_keeps_what_stood_there(path: Path, make: SimpleNamespace) -> None:
    filled(path, make, 2)
    copy = path.parent / "copy.db"
    with Store.open(path) as store:
        store.backup(copy)
        store.record(make.message(9), [make.reading(9, 9.0)])
    aside = restore(copy, path, make.at(0))
    assert values(path) == [0.0, 1.0]
    assert aside is not None
    assert values(aside) == [0.0, 1.0, 9.0]
    with pytest.raises(StoreError, match="no such file"):
        restore(path.parent / "none.db", path)
    (path.parent / "text.db").write_text("dear diary " * 500)
    with pytest.raises(StoreError, match="cannot be restored"):
        restore(path.parent / "text.db", path)
    assert values(path) == [0.0, 1.0]


def test_a_home_that_was_served_is_known(store: Store, where: Where, make: SimpleNamespace) -> None:
    assert not store.was_served()
    store.mark_served(make.at(5))
    store.mark_served(make.at(9))
    with Store.open(where, readonly=True) as reader:
        assert (reader.was_served(), reader.served_since()) == (True, make.at(5))


HOLD = (
    "import sys, time; from pathlib import Path; from drymon.store import HomeLock\n"
    "HomeLock(Path(sys.argv[1])).acquire(); print('held', flush=True); time.sleep(60)"
)


def test_one_writer_at_a_time_and_a_killed_one_leaves_no_trace(tmp_path: Path) -> None:
    assert not is_held(tmp_path)
    with subprocess.Popen([sys.executable, "-c", HOLD, str(tmp_path)], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        assert is_held(tmp_path)
        with pytest.raises(StoreError, match=rf"in use by another drymon .process {child.pid}"):
            HomeLock(tmp_path).acquire()
        child.kill()
        child.wait()
    assert not is_held(tmp_path)
    with HomeLock(tmp_path):
        assert is_held(tmp_path)
    assert not is_held(tmp_path)


@pytest.mark.parametrize(
    ("word", "damaged"),
    [
        (b"INDEX reading_time", b"INDEX \xffeading_time"),
        (b"reading_time", b"\xffeading_time"),
        (b"current_verdict", b"current_\xff\xfe\xfdct"),
        (b"tableoutbox", b"table\xffutbox"),
        (b"tableoutbox", b"tableinbox_"),
    ],
)
def test_a_damaged_word_of_the_layout_is_found_and_the_sound_backup_takes_its_place(
    path: Path, make: SimpleNamespace, word: bytes, damaged: bytes
) -> None:
    filled(path, make)
    with Store.open(path) as store:
        store.backup(path.parent / "backups" / "sound.db")
    path.write_bytes(path.read_bytes().replace(word, damaged))
    with suppress(StoreError):  # whoever only reads may find it as it is, but meets no other error
        Store.open(path, readonly=True).close()
    with Store.open(path) as store:
        assert "the backup sound.db took its place" in (store.note or "")
    assert values(path) == [0.0, 1.0, 2.0]


def rights(file: Path) -> str:
    return f"{file.stat().st_mode & 0o777:o}"


def test_the_database_is_its_owners_alone_and_so_are_its_copies(path: Path, make: SimpleNamespace) -> None:
    """It has the hashes of the page's passwords in it."""
    with Store.open(path) as store:
        store.record(make.message(0), [make.reading(0, 0.0)])
        wal = path.with_name(path.name + "-wal")
        store.backup(path.parent / "backups" / "copy.db")
        assert [rights(file) for file in (path, wal, path.parent / "backups" / "copy.db")] == ["600"] * 3
    restore(path.parent / "backups" / "copy.db", path)
    assert rights(path) == "600"


def test_a_database_that_everybody_could_read_is_closed_to_them(path: Path, make: SimpleNamespace) -> None:
    filled(path, make)
    path.chmod(0o644)
    Store.open(path).close()
    assert rights(path) == "640", "its group is the owner's affair"
