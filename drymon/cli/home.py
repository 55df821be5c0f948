"""What most commands begin with: the home, its configuration, its record, the time."""

import sys
from argparse import Namespace
from datetime import datetime
from pathlib import Path

from drymon.errors import DrymonError, SetupError, StoreError
from drymon.messages.config import load_home
from drymon.messages.home import MODELS_FOLDER, locate_home
from drymon.messages.settings import HomeConfig
from drymon.service.clock import SystemClock
from drymon.shop.facts.slips import did_you_mean
from drymon.store import Store, is_in_use, is_there


def home_of(args: Namespace) -> Path:
    """The folder that --home, $DRYMON_HOME or the platform names."""
    return locate_home(Path(args.home) if args.home else None)


def config_of(args: Namespace, *, secrets: bool = False) -> HomeConfig:
    """The home's configuration; SetupError says how to make a home. secrets: its password files must be there too."""
    return load_home(home_of(args), secrets=secrets)


def check_coat(config: HomeConfig, name: str) -> None:
    """SetupError, with those that there are, where room.toml has no coat of that name."""
    if name not in config.room.coat_by_name:
        raise SetupError(f"coat: received {name!r}; in room.toml are {did_you_mean(name, config.room.coat_by_name)}")


def record_of(config: HomeConfig) -> Store:
    """The home's database, for reading; StoreError where nothing has been recorded yet."""
    if not is_there(config.database):
        raise StoreError(
            f"{config.path}: nothing has been recorded here yet; start `drymon serve`, or `drymon replay` a stream"
        )
    return Store.open(config.database, readonly=True)


def warn_of_models(config: HomeConfig) -> None:
    """Say on stderr which model files of the home cannot be used, where what follows goes by models."""
    if not any((config.path / MODELS_FOLDER).glob("*")):
        return  # as before the first fit: what reads models need not be loaded
    from drymon.messages.coat_models import model_doubts

    for told in model_doubts(config.path).values():
        print(f"drymon: {told}", file=sys.stderr)


def file_to_write(out: str, home: Path) -> Path:
    """The file that `--out` names. Folders are made within the home alone: elsewhere a slip would make a tree of them,
    and what should go to a stick that is not plugged in would fill the card.
    """
    file = Path(out)
    if file.resolve().is_relative_to(home.resolve()):
        file.parent.mkdir(parents=True, exist_ok=True)
    if not file.parent.is_dir():
        raise DrymonError(f"--out: received {out!r}; there is no folder {file.parent}: make it, or name another")
    return file


def service_runs(config: HomeConfig, record: Store) -> bool:
    """A service (not a replay or a restore) is writing to this home."""
    return is_in_use(config.database) and record.was_served()


def wall() -> datetime:
    """The time now, aware UTC."""
    return SystemClock().wall()


def end_of_record(config: HomeConfig, record: Store) -> datetime:
    """Up to when the record can be asked: now while the service runs, else the last thing it heard."""
    last = record.last_arrival()
    return wall() if last is None or service_runs(config, record) else last
