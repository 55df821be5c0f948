"""Where the home folder is, and how a new one is made."""

import os
import re
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType

from platformdirs import user_data_path

from drymon.errors import SetupError
from drymon.messages.config import ROOM_FILE
from drymon.messages.fields import LONGEST_USUAL_H

TEMPLATE = "room_template.toml"
MODELS_FOLDER = "models"

_FAMILY_LINE = re.compile(r'family = "(\w+)"')
_UNSAID = "# usual_wait_h = "


def locate_home(given: Path | None = None, environ: Mapping[str, str] = os.environ) -> Path:
    """The home folder: what `--home` gave, else $DRYMON_HOME, else the platform's data folder."""
    if given is not None:
        return given.expanduser()
    if named := environ.get("DRYMON_HOME"):
        return Path(named).expanduser()
    return user_data_path("drymon", appauthor=False)


def homes_in(folder: Path) -> list[Path]:
    """The homes in a folder, by name."""
    return sorted(file.parent for file in folder.glob(f"*/{ROOM_FILE}"))


def make_home(home: Path, text: str | None = None) -> Path:
    """Makes a home with a commented room.toml (or `text`) and gives the file's path; never over an existing one."""
    refuse_existing(home)
    file = home / ROOM_FILE
    content = template() if text is None else text
    try:
        # Passwords will stand in it; a folder that is there keeps the rights it was given.
        home.mkdir(mode=0o700, parents=True, exist_ok=True)
        (home / MODELS_FOLDER).mkdir(exist_ok=True)
        with file.open("x", encoding="utf-8") as new:
            new.write(content)
    except FileExistsError:
        raise _exists(file) from None
    except OSError as error:
        raise SetupError(f"{home}: cannot be made a home ({error}); name a folder that you may write to") from error
    return file


def refuse_existing(home: Path) -> None:
    """SetupError where the folder is a home already: to be known before anything is asked."""
    if (home / ROOM_FILE).exists():
        raise _exists(home / ROOM_FILE)


def _exists(file: Path) -> SetupError:
    return SetupError(f"{file}: exists already and is left as it is; edit it, or name another folder")


def template(usual_waits: Mapping[str, float] = MappingProxyType({})) -> str:
    """The commented room.toml that a new home gets. usual_waits: hours, by family, written in that family's coats; of
    other coats the key stays a comment.
    """
    text = files("drymon.messages").joinpath(TEMPLATE).read_text(encoding="utf-8")
    lines, family = [], ""
    for line in text.splitlines():
        if told := _FAMILY_LINE.match(line):
            family = told[1]
        if line.startswith(_UNSAID) and family in usual_waits:
            _, _, comment = line.removeprefix("# ").partition("#")
            line = f"{f'usual_wait_h = {usual_waits[family]:.6g}':<37}#{comment}"
        lines.append(line)
    return "\n".join(lines) + "\n"


def usual_wait_of(answer: str) -> float | None:
    """Hours that somebody says they usually wait, such as `4`, `4.5`, `4,5 h`; None for an empty answer. ValueError
    tells what was received and what is allowed.
    """
    words = answer.strip().lower().removesuffix("h").strip().replace(",", ".")
    if not answer.strip():
        return None
    try:
        hours = float(words)
    except ValueError:
        hours = 0.0
    if not 0.0 < hours <= LONGEST_USUAL_H:
        allowed = f"allowed are hours above 0, at most {LONGEST_USUAL_H:g}, such as 4 or 4.5"
        raise ValueError(f"received {answer.strip()!r}; {allowed}")
    return hours
