"""`drymon backup` and `drymon restore`: a backup is a home folder of its own, with everything but the secrets."""

import re
import shutil
import sys
from argparse import Namespace
from pathlib import Path

from drymon.cli.parser import Commands

MODELS = "models"


def register(commands: Commands) -> None:
    """Say what `backup` and `restore` take."""
    backup = commands.add_parser(
        "backup",
        help="copy the home's database and configuration while the service runs",
        description="Copies the home into a new folder: the database (whole and checked, also while the service "
        "writes), room.toml and models. Password files are not copied. The folder is a home of its own, so "
        "`drymon status --home FOLDER` shows what is in it. Keep it off this machine.",
    )
    backup.add_argument("folder", nargs="?", metavar="FOLDER", help="new folder (else one named after room and time)")
    backup.add_argument(
        "--to",
        metavar="URL",
        help="instead of a folder, copy the record to the room's place in this PostgreSQL database (stop the service "
        "first; what was stopped on the way goes on when it is said again)",
    )
    restore = commands.add_parser(
        "restore",
        help="put a backup back into a home",
        description="Puts the database of a backup in the place of the home's, or of the room's on the server that "
        "[store] names, which is kept under another name. "
        "room.toml and models are put back only where the home has none. Stop the service first.",
    )
    restore.add_argument("source", metavar="FOLDER", help="a folder made by `drymon backup`, or a database file")


def run(args: Namespace) -> int:
    """Back up or restore."""
    if args.command == "restore":
        return _restore(args)
    return _move(args) if args.to else _backup(args)


def _backup(args: Namespace) -> int:
    from drymon.cli.home import config_of, record_of, wall
    from drymon.errors import StoreError
    from drymon.messages.config import ROOM_FILE
    from drymon.messages.settings import DB_FILE

    config = config_of(args)
    folder = Path(args.folder or f"drymon-{config.room.name}-{wall():%Y%m%dT%H%M%SZ}")
    if folder.exists() and any(folder.iterdir()):
        raise StoreError(f"{folder}: is not empty; name a folder that does not exist yet")
    folder.mkdir(parents=True, exist_ok=True)
    with record_of(config) as record:
        record.backup(folder / DB_FILE)
    text = (config.path / ROOM_FILE).read_text(encoding="utf-8")
    (folder / ROOM_FILE).write_text(_without_store(text), encoding="utf-8")
    _copy_models(config.path, folder)
    size = (folder / DB_FILE).stat().st_size
    print(f"backed up to {folder}: database ({size / 1e6:.1f} MB, checked), {ROOM_FILE}, models; no password files")
    return 0


def _without_store(text: str) -> str:
    """room.toml of a backup, whose record lies beside it."""
    return re.sub(r"(?ms)^\s*\[store\].*?(?=^\s*\[|\Z)", "", text)


def _move(args: Namespace) -> int:
    """The record of a home into a database that rooms share."""
    from drymon.cli.home import config_of, wall
    from drymon.errors import SetupError
    from drymon.messages.fields import store_url
    from drymon.messages.settings import Server
    from drymon.store.lock import HomeLock
    from drymon.store.moving import move

    config = config_of(args)
    try:
        target = Server(store_url(args.to), config.room.name)
    except ValueError as error:
        raise SetupError(f"--to: received {args.to!r}; allowed is {error}") from None
    if isinstance(config.database, Server):
        raise SetupError(
            f"--to: the record of this room is at {config.database.url} already; `drymon backup FOLDER`, then `drymon "
            "restore FOLDER` with a home that names the other one, takes it there"
        )
    with HomeLock(config.path):
        rows = move(config.database, target, wall(), _progress)
    print(f"{sum(rows.values())} rows of {len(rows)} tables copied to {args.to} and compared")
    print(f'put this into {config.path}/room.toml, then start drymon again:\n\n[store]\nurl = "{args.to}"')
    return 0


def _progress(words: str) -> None:
    if sys.stderr.isatty():
        print(f"\r\x1b[K{words}", end="", file=sys.stderr, flush=True)


def _restore(args: Namespace) -> int:
    from drymon.cli.home import home_of
    from drymon.messages.config import ROOM_FILE
    from drymon.messages.settings import DB_FILE
    from drymon.store.backup import check_fit

    home, source = home_of(args), Path(args.source)
    database = source / DB_FILE if source.is_dir() else source
    check_fit(database)  # before anything is made: what cannot be restored leaves nothing behind
    home.mkdir(parents=True, exist_ok=True)
    aside = _put_back(database, home)
    print(f"restored {database} into {home}" + (f"; what stood there is kept as {aside}" if aside else ""))
    if source.is_dir():
        if not (home / ROOM_FILE).exists() and (source / ROOM_FILE).exists():
            shutil.copyfile(source / ROOM_FILE, home / ROOM_FILE)
            print(f"{ROOM_FILE} restored too; password files that it names must be put there by hand")
        _copy_models(source, home)
    return 0


def _put_back(database: Path, home: Path) -> str | None:
    """Into the home, or where its room.toml says; how what stood there is called now."""
    from drymon.cli.home import wall
    from drymon.messages.config import ROOM_FILE, load_home
    from drymon.messages.settings import DB_FILE, Server
    from drymon.store.backup import put_back
    from drymon.store.lock import HomeLock
    from drymon.store.moving import put_in_place

    where = load_home(home, secrets=False).database if (home / ROOM_FILE).exists() else home / DB_FILE
    if isinstance(where, Server):
        name = put_in_place(database, where, wall(), _progress)
        return name and f"the schema {name}"
    with HomeLock(home):
        aside = put_back(database, where, wall())
    return aside.name if aside else None


def _copy_models(source: Path, target: Path) -> None:
    """Copy the shop's coat models, never over one that is there."""
    (target / MODELS).mkdir(exist_ok=True)
    for model in sorted((source / MODELS).glob("*.toml")):
        if not (target / MODELS / model.name).exists():
            shutil.copyfile(model, target / MODELS / model.name)
