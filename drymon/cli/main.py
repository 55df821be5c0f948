"""`drymon`: find the command, read its words, run it, turn what went wrong into one line and an exit code."""

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from io import TextIOWrapper

from drymon import __version__
from drymon.cli.commands import COMMANDS
from drymon.cli.parser import WRONG_USE, CommandParser
from drymon.errors import DrymonError, SetupError

DONE, COULD_NOT, INTERRUPTED = 0, 1, 130


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns 0 done, 1 could not, 2 wrong use."""
    words = list(sys.argv[1:] if argv is None else argv)
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # looking for any reads what all packages say of them
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # a terminal that knows no such sign gets a question mark, no error
            stream.reconfigure(errors="replace")
    try:
        return _run(words)
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else COULD_NOT
    except DrymonError as error:
        print(f"drymon: {error}", file=sys.stderr)
        return WRONG_USE if isinstance(error, SetupError) else COULD_NOT
    except BrokenPipeError:
        # The reader (`| head`) has gone; without this Python complains once more while it shuts down.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return COULD_NOT
    except OSError as error:
        print(f"drymon: {error}", file=sys.stderr)
        return COULD_NOT
    except KeyboardInterrupt:
        print("drymon: stopped", file=sys.stderr)
        return INTERRUPTED


def _run(words: list[str]) -> int:
    wanted = _module_of(_command_in(words))
    args = build_parser(wanted).parse_args(words)
    args.home = getattr(args, "home", None)
    module = import_module(f"drymon.cli.{_module_of(args.command)}")
    outcome = module.run(args)
    sys.stdout.flush()
    return int(outcome)


def build_parser(wanted: str | None) -> CommandParser:
    """The whole parser; only the module `wanted` tells its arguments, the others have a line of help."""
    parser = CommandParser(
        prog="drymon",
        description="Tells, tree by tree, when a ceramic-shell coat is dry enough for the next dip.",
    )
    parser.add_argument("--version", action="version", version=f"drymon {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=CommandParser)
    registered = False
    for command in COMMANDS:
        if command.module != wanted:
            commands.add_parser(command.name, help=command.summary)
        elif not registered:
            import_module(f"drymon.cli.{wanted}").register(commands)
            registered = True
    return parser


def _command_in(words: list[str]) -> str | None:
    """The first word that is a command, not an option or the folder after --home."""
    left = iter(words)
    for word in left:
        if word == "--home":
            next(left, None)
        elif not word.startswith("-"):
            return word
    return None


def _module_of(name: str | None) -> str | None:
    return next((command.module for command in COMMANDS if command.name == name), None)


if __name__ == "__main__":
    sys.exit(main())
