"""What was opened is closed, whatever became of it: a service that runs for a year must not run out of handles."""

import gc
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from types import SimpleNamespace

import pytest

from drymon.errors import StoreError
from drymon.store import HomeLock, Store, is_held, restore
from drymon.store.backup import damage, unfit
from drymon.store.opening import connect_writer, migrate
from drymon.store.schema import MIGRATIONS, Migration


def handles() -> list[str]:
    """What this process has open in the file system, standard streams and all, by name."""
    gc.collect()
    found = []
    for handle in os.listdir("/proc/self/fd"):
        with suppress(OSError):  # that of the listing itself
            found.append(os.readlink(f"/proc/self/fd/{handle}"))
    return sorted(name for name in found if name.startswith("/") and "/proc/" not in name)


def opened(path: Path) -> None:
    Store.open(path).close()


def read(path: Path) -> None:
    Store.open(path, readonly=True).close()


def backed_up(path: Path) -> None:
    with Store.open(path) as store:
        store.backup(path.with_name("copy.db"))
    restore(path.with_name("copy.db"), path.with_name("other.db"))


def judged(path: Path) -> None:
    assert unfit(path) == damage(path) == ""


def locked(path: Path) -> None:
    with HomeLock(path.parent):
        assert is_held(path.parent)
        with suppress(StoreError):
            HomeLock(path.parent).acquire()
    assert not is_held(path.parent)


@pytest.mark.parametrize("act", [opened, read, backed_up, judged, locked])
def test_a_sound_database_is_let_go(path: Path, make: SimpleNamespace, act: Callable[[Path], None]) -> None:
    with Store.open(path) as store:
        store.record(make.message(), [make.reading()])
    kept = held_by(lambda: act(path))
    assert kept == []


def held_by(act: Callable[[], None]) -> list[str]:
    """What is open after it that was not before. What was raised is kept alive meanwhile, as a log would keep it."""
    before = handles()
    act()
    after = handles()
    for name in before:
        if name in after:
            after.remove(name)
    return after


def of_another_program(path: Path) -> None:
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE theirs (x)")


def of_a_newer_drymon(path: Path) -> None:
    with closing(connect_writer(path)) as db:
        migrate(db, None, (*MIGRATIONS, Migration("later", "CREATE TABLE new (x INTEGER) STRICT")))


def of_an_older_drymon(path: Path) -> None:
    with closing(connect_writer(path)) as db:
        migrate(db, None, MIGRATIONS[:2])


def no_database(path: Path) -> None:
    path.write_bytes(b"no database at all" * 1000)


@pytest.mark.parametrize("made", [of_another_program, of_a_newer_drymon, of_an_older_drymon, no_database])
def test_a_database_that_is_refused_is_let_go(path: Path, made: Callable[[Path], None]) -> None:
    made(path)
    kept_alive: list[BaseException] = []

    def tried() -> None:
        for readonly in (True, False):
            try:
                Store.open(path, readonly=readonly).close()
            except StoreError as error:
                kept_alive.append(error)
        unfit(path)
        with suppress(StoreError):
            damage(path)

    assert held_by(tried) == []
    assert kept_alive


LEFT_OPEN = """
import os, sys
from pathlib import Path
from drymon.store import HomeLock, Store, is_held
home = Path(sys.argv[1])
lock = HomeLock(home).acquire()
print(is_held(home), flush=True)
lock.release()
lock.release()
print(is_held(home), flush=True)
"""


def test_a_lock_that_is_let_go_is_free_for_another_process(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-c", LEFT_OPEN, str(tmp_path)], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "False"]
    assert (tmp_path / "drymon.lock").stat().st_mode & 0o777 == 0o644 & ~umask()


def umask() -> int:
    current = os.umask(0)
    os.umask(current)
    return current
