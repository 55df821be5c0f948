"""Backups of a room's database, and the way back when the file is damaged. A damaged file is never deleted."""

import os
import shutil
from contextlib import closing
from datetime import datetime
from pathlib import Path

from drymon.errors import StoreError
from drymon.store.engine import Connection, EngineError
from drymon.store.opening import keep_private, layout, sound
from drymon.store.sqlite import SqliteConnection

_COMPANIONS = ("", "-wal", "-shm", "-journal")


def backups_folder(path: Path) -> Path:
    """Where a service keeps the backups of the database at `path`, and where the way back is looked for."""
    return path.parent / "backups"


def copy_out(db: Connection, target: Path) -> None:
    """Copy a live database to `target`: whole and checked, or not at all."""
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    try:
        keep_private(part)
        db.copy_into(part)
        if wrong := unfit(part):
            raise StoreError(f"the backup {target} came out damaged ({wrong}): see that its disk is sound")
        _sync(part)
        part.replace(target)
        _sync(target.parent)
    finally:
        part.unlink(missing_ok=True)


def restore(source: Path, path: Path, now: datetime | None = None) -> Path | None:
    """Put the backup `source` in the place of the database at `path`, while no drymon uses it.

    Returns where the database that stood there was moved to. StoreError where `source` is no sound backup.
    """
    check_fit(source)
    return put_back(source, path, now)


def check_fit(source: Path) -> None:
    """StoreError where `source` is no sound backup."""
    if wrong := unfit(source):
        raise StoreError(f"{source} cannot be restored: {wrong}")


def put_back(source: Path, path: Path, now: datetime | None = None) -> Path | None:
    """As `restore`, of a backup that was found fit."""
    part = path.with_name(path.name + ".part")
    path.parent.mkdir(parents=True, exist_ok=True)
    part.unlink(missing_ok=True)
    keep_private(part)
    shutil.copyfile(source, part)
    _sync(part)
    aside = move_aside(path, "replaced", now) if path.exists() else None
    part.replace(path)
    _sync(path.parent)
    return aside


def unfit(path: Path) -> str:
    """Why a file is no sound database of drymon, or of a newer one; "" where it is fit to be restored."""
    if not path.is_file():
        return "there is no such file"
    try:
        with closing(SqliteConnection.open(path, "mode=ro")) as db:
            return sound(db) or ("" if layout(db) else "it is empty")
    except EngineError as error:
        return error.what
    except StoreError as error:
        return str(error)


def move_aside(path: Path, why: str, now: datetime | None) -> Path:
    """Rename a database and its log files; nothing is deleted."""
    stamp = "" if now is None else now.strftime("-%Y%m%dT%H%M%SZ")
    number = 1
    while (aside := path.with_name(f"{path.name}.{why}{stamp}-{number}")).exists():
        number += 1
    for companion in _COMPANIONS:
        part = path.with_name(path.name + companion)
        if part.exists():
            part.rename(aside.with_name(aside.name + companion))
    return aside


def rescue(path: Path, wrong: str, now: datetime | None) -> str:
    """Put the newest sound backup in the place of a damaged database; returns what was done, for people."""
    found = sorted(backups_folder(path).glob("*.db"), key=lambda file: file.stat().st_mtime, reverse=True)
    backup = next((file for file in found if not unfit(file)), None)
    if backup is None:
        raise StoreError(
            f"the database {path} is damaged ({wrong}) and there is no sound backup in {backups_folder(path)}: "
            f"restore one from elsewhere with `drymon restore FILE`, or rename {path.name} to begin anew "
            "(keep it: much of it can often be read with the `.recover` command of the sqlite3 program)"
        )
    aside = move_aside(path, "damaged", now)
    put_back(backup, path, now)
    return (
        f"the database was damaged ({wrong}); it was kept as {aside.name}, and the backup {backup.name} took its "
        "place: what came after that backup is missing"
    )


def damage(path: Path) -> str:
    """What is wrong with the file at `path`; "" where it is sound, new, or not there."""
    if not path.exists():
        return ""
    if not path.stat().st_size:
        # A file that was just being made is empty, too; with backups beside it, it has lost its content.
        return "it is empty" if any(backups_folder(path).glob("*.db")) else ""
    try:
        with closing(SqliteConnection.open(path, "mode=rw")) as db:
            return sound(db)
    except EngineError as error:
        if error.damaged:
            return error.what
        raise


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
