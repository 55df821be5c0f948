"""Where the home folder is, and how a new one is made."""

import os
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

from platformdirs import user_data_path

from drymon.errors import SetupError
from drymon.messages.config import ROOM_FILE

TEMPLATE = "room_template.toml"
MODELS_FOLDER = "models"


def locate_home(given: Path | None = None, environ: Mapping[str, str] = os.environ) -> Path:
    """The home folder: what `--home` gave, else $DRYMON_HOME, else the platform's data folder."""
    if given is not None:
        return given.expanduser()
    if named := environ.get("DRYMON_HOME"):
        return Path(named).expanduser()
    return user_data_path("drymon", appauthor=False)


def make_home(home: Path, text: str | None = None) -> Path:
    """Makes a home with a commented room.toml (or `text`) and gives the file's path; never over an existing one."""
    file = home / ROOM_FILE
    content = template() if text is None else text
    try:
        # Passwords will stand in it; a folder that is there keeps the rights it was given.
        home.mkdir(mode=0o700, parents=True, exist_ok=True)
        (home / MODELS_FOLDER).mkdir(exist_ok=True)
        with file.open("x", encoding="utf-8") as new:
            new.write(content)
    except FileExistsError:
        raise SetupError(f"{file}: exists already and is left as it is; edit it, or name another folder") from None
    except OSError as error:
        raise SetupError(f"{home}: cannot be made a home ({error}); name a folder that you may write to") from error
    return file


def template() -> str:
    """The commented room.toml that a new home gets."""
    return files("drymon.messages").joinpath(TEMPLATE).read_text(encoding="utf-8")
