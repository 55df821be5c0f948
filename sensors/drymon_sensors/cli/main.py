"""`drymon-sensors`: find the command, run it, turn what went wrong into one line and an exit code."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import NoReturn

from drymon_sensors import __version__
from drymon_sensors.errors import SensorsError, SetupError

DONE, COULD_NOT, WRONG_USE, INTERRUPTED = 0, 1, 2, 130

COMMANDS = {
    "run": "read the sensors and publish, until it is stopped",
    "find": "list what this computer's kernel offers, and write a starting file",
    "check": "what is wrong, and what to do about it",
    "show": "live values of the sensors, and what they are made of",
    "weigh": "weigh a tree, a witness or a wet cloth on a scale, and publish it",
    "thermometer": "spot temperatures of a shell, typed or from a hand-held thermometer",
}


class Parser(argparse.ArgumentParser):
    """A parser whose errors are one line."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and where the help is; exit 2."""
        self.exit(WRONG_USE, f"{self.prog}: {message}; see `{self.prog} --help`\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns 0 done, 1 could not, 2 wrong use."""
    try:
        return _run(list(sys.argv[1:] if argv is None else argv))
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else COULD_NOT
    except SensorsError as error:
        print(f"drymon-sensors: {error}", file=sys.stderr)
        return WRONG_USE if isinstance(error, SetupError) else COULD_NOT
    except BrokenPipeError:
        # The reader (`| head`) has gone; without this Python complains once more while it shuts down.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return COULD_NOT
    except KeyboardInterrupt:
        print("drymon-sensors: stopped", file=sys.stderr)
        return INTERRUPTED


def _run(words: list[str]) -> int:
    args = build_parser(next((word for word in words if word in COMMANDS), "")).parse_args(words)
    outcome = import_module(f"drymon_sensors.cli.{args.command}").run(args)
    sys.stdout.flush()
    return int(outcome)


def build_parser(wanted: str) -> Parser:
    """The whole parser; only the command `wanted` is imported, the others have a line of help."""
    from drymon_sensors.config import USUAL_PATH

    parser = Parser(
        prog="drymon-sensors", description="Turns cheap parts into readings for drymon.", allow_abbrev=False
    )
    parser.add_argument("--version", action="version", version=f"drymon-sensors {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=Parser)
    for name, summary in COMMANDS.items():
        command = commands.add_parser(name, help=summary, description=summary.capitalize() + ".", allow_abbrev=False)
        command.add_argument(
            "--config", metavar="FILE", help=f"else $DRYMON_SENSORS_CONFIG, else {USUAL_PATH}", default=None
        )
        command.add_argument("--sys", metavar="DIR", help="where the kernel's files are, else /sys", default=None)
        if name == wanted:
            import_module(f"drymon_sensors.cli.{name}").register(command)
    return parser


if __name__ == "__main__":
    sys.exit(main())
