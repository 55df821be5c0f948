"""`drymon backup` and `drymon restore`: a backup is a home folder of its own, with everything but the secrets."""

import shutil
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
    restore = commands.add_parser(
        "restore",
        help="put a backup back into a home",
        description="Puts the database of a backup in the place of the home's, which is kept under another name. "
        "room.toml and models are put back only where the home has none. Stop the service first.",
    )
    restore.add_argument("source", metavar="FOLDER", help="a folder made by `drymon backup`, or a database file")


def run(args: Namespace) -> int:
    """Back up or restore."""
    return _backup(args) if args.command == "backup" else _restore(args)


def _backup(args: Namespace) -> int:
    from drymon.cli.home import DATABASE, config_of, record_of, wall
    from drymon.errors import StoreError
    from drymon.messages.config import ROOM_FILE

    config = config_of(args)
    folder = Path(args.folder or f"drymon-{config.room.name}-{wall():%Y%m%dT%H%M%SZ}")
    if folder.exists() and any(folder.iterdir()):
        raise StoreError(f"{folder}: is not empty; name a folder that does not exist yet")
    folder.mkdir(parents=True, exist_ok=True)
    with record_of(config) as record:
        record.backup(folder / DATABASE)
    shutil.copyfile(config.path / ROOM_FILE, folder / ROOM_FILE)
    _copy_models(config.path, folder)
    size = (folder / DATABASE).stat().st_size
    print(f"backed up to {folder}: database ({size / 1e6:.1f} MB, checked), {ROOM_FILE}, models; no password files")
    return 0


def _restore(args: Namespace) -> int:
    from drymon.cli.home import DATABASE, home_of, wall
    from drymon.messages.config import ROOM_FILE
    from drymon.store.backup import check_fit, put_back
    from drymon.store.lock import HomeLock

    home, source = home_of(args), Path(args.source)
    database = source / DATABASE if source.is_dir() else source
    check_fit(database)  # before anything is made: what cannot be restored leaves nothing behind
    home.mkdir(parents=True, exist_ok=True)
    with HomeLock(home):
        aside = put_back(database, home / DATABASE, wall())
    print(f"restored {database} into {home}" + (f"; what stood there is kept as {aside.name}" if aside else ""))
    if source.is_dir():
        if not (home / ROOM_FILE).exists() and (source / ROOM_FILE).exists():
            shutil.copyfile(source / ROOM_FILE, home / ROOM_FILE)
            print(f"{ROOM_FILE} restored too; password files that it names must be put there by hand")
        _copy_models(source, home)
    return 0


def _copy_models(source: Path, target: Path) -> None:
    """Copy the shop's coat models, never over one that is there."""
    (target / MODELS).mkdir(exist_ok=True)
    for model in sorted((source / MODELS).glob("*.toml")):
        if not (target / MODELS / model.name).exists():
            shutil.copyfile(model, target / MODELS / model.name)
