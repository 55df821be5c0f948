"""How the words of a command are read."""

import argparse
import re
from collections.abc import Callable
from functools import wraps
from typing import Any, NoReturn, Protocol

WRONG_USE = 2
_BELOW = re.compile(r"\A-(?=[.,]?[0-9])")


class Commands(Protocol):
    """What takes a command in: argparse's own class for that has no public name."""

    def add_parser(self, name: str, **kwargs: Any) -> "CommandParser":
        """A parser for one more command."""


class CommandParser(argparse.ArgumentParser):
    """A parser whose `--home` may stand before or after the command, and whose errors are one line.

    below_nothing: whether `-1g` is a value of this command, whose check says what is wrong with it, and no option.
    """

    def __init__(self, *args: Any, below_nothing: bool = False, **kwargs: Any) -> None:
        self._below_nothing = below_nothing
        super().__init__(*args, **{"allow_abbrev": False, "conflict_handler": "resolve", **kwargs})
        # SUPPRESS: the second parser must not overwrite with its default what the first one has read.
        self.add_argument(
            "--home",
            metavar="DIR",
            default=argparse.SUPPRESS,
            help="the room's home folder (else $DRYMON_HOME, else the platform's data folder)",
        )

    def error(self, message: str) -> NoReturn:
        """Say what is wrong in one line and where the help is; exit 2."""
        self.exit(WRONG_USE, f"{self.prog}: {message}; see `{self.prog} --help`\n")

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As argparse does, which takes a word that begins with a space for no option."""
        if args is not None and self._below_nothing:
            args = [_BELOW.sub(" -", word) for word in args]
        return super().parse_known_args(args, namespace)

    def add_argument(self, *names: Any, **how: Any) -> argparse.Action:
        """As argparse does; a value below nothing arrives as it was typed."""
        if self._below_nothing and "action" not in how:
            how["type"] = _as_typed(how.get("type", str))
        return super().add_argument(*names, **how)


def _as_typed(read: Callable[[str], Any]) -> Callable[[str], Any]:
    @wraps(read)
    def reader(word: str) -> Any:
        return read(word[1:] if word[:1] == " " and _BELOW.match(word[1:]) else word)

    return reader
