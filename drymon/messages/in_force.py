"""Whether the files of a home are still what a running service read at its start."""

import hashlib
from pathlib import Path

from drymon.errors import SetupError
from drymon.messages.config import parse_home
from drymon.messages.home import MODELS_FOLDER
from drymon.messages.settings import HomeConfig


def room_is_in_force(text: str, config: HomeConfig) -> bool:
    """Whether room.toml says what `config` was made of; comments and order do not count."""
    try:
        return parse_home(text, config.path) == config
    except SetupError:
        return False


def models_mark(home: Path) -> str:
    """What tells one state of a home's coat models from another."""
    mark = hashlib.sha256()
    for file in sorted((home / MODELS_FOLDER).glob("*.toml")):
        try:
            content = file.read_bytes()
        except OSError:  # replaced just now
            content = b""
        mark.update(f"{file.name} {len(content)} ".encode() + content)
    return mark.hexdigest()
